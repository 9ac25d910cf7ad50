# SPDX-License-Identifier: GPL-3.0-or-later
"""Angles of an orbit that are unlike their neighbours: a dead microphone, a wrong file.

What a shape does to the sound changes smoothly from angle to angle where the simulation is loud,
and so does what the simulation is off by. So an angle is odd if measured minus simulated there,
the median over the band, is apart from the two neighbours on either side, alike in every third of
the band; or if next to nothing was heard there while both sides heard the band (common practice
for plausibility of a measurement, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import BoolArray, FloatArray

_LEAST_DB: Final = 3.0  # a change of gain below this is looked for as a level step
_OVER_USUAL: Final = 6.0  # robust standard deviations of what neighbours differ by
_ALIKE: Final = 0.5  # of the size, by which thirds of the band may differ
_DEAF_SHARE: Final = 0.5  # of the bands that should be heard
_HEARING_SHARE: Final = 0.8
_FEWEST_BANDS: Final = 9
_FEWEST_ANGLES: Final = 7


@dataclass(frozen=True, kw_only=True)
class OddAngle:
    """One angle that is unlike its neighbours.

    Attributes
    ----------
    plane : {"horizontal", "vertical"}
        Which orbit.
    angle_deg : float
        As noted in the measurement.
    off_db : float
        Its level less what its neighbours let expect; where noise hides it, at most that.
    is_deaf : bool
        Whether noise hides most of what should be heard there.
    """

    plane: str
    angle_deg: float
    off_db: float
    is_deaf: bool

    @property
    def text(self) -> str:
        """What was seen, in words."""
        size = f"{abs(self.off_db):.0f} dB {'below' if self.off_db < 0 else 'above'}"
        most = "at least " if self.is_deaf else ""
        return (
            f"{self.plane.capitalize()} orbit: the level at {self.angle_deg:+.0f}° is {most}"
            f"{size} what its neighbours let expect"
        )


def find_odd_angles(
    plane: str,
    angle_deg: FloatArray,
    difference_db: FloatArray,
    is_usable: BoolArray,
    is_expected: BoolArray,
) -> tuple[OddAngle, ...]:
    """Return the angles that are unlike their neighbours.

    Parameters
    ----------
    plane : str
        Name of the orbit.
    angle_deg : (n_angles,) array
        Rising, as noted.
    difference_db : (n_bands, n_angles) array
        Measured minus simulated level, also where noise may hide it; NaN where nothing is known.
    is_usable : (n_bands, n_angles) bool array
        False where gate or noise forbid to use the measured level.
    is_expected : (n_bands, n_angles) bool array
        Where the simulation is loud enough to be compared.
    """
    if angle_deg.size < _FEWEST_ANGLES:
        return ()
    heard = is_usable & is_expected
    bands = np.asarray(
        heard.any(axis=1)
    )  # what gate or noise hide everywhere says nothing of one angle
    expected = is_expected & bands[:, np.newaxis]
    count = expected.sum(axis=0)
    share = (heard & bands[:, np.newaxis]).sum(axis=0) / np.maximum(count, 1)
    beside = _neighbours(angle_deg)
    offset = _offsets(np.where(expected, difference_db, np.nan))
    quiet_offset = _medians(np.where(expected, difference_db, np.nan))
    found = []
    apart = np.full((len(offset), angle_deg.size), np.nan)
    for number, (left, right) in enumerate(beside):
        if left and right and count[number] >= _FEWEST_BANDS:
            apart[:, number] = offset[:, number] - _medians(offset[:, left + right].T)
    middle = np.median(apart, axis=0)
    known = np.isfinite(middle)
    usual = 1.48 * float(np.median(np.abs(middle[known]))) if known.any() else 0.0
    for number in map(int, np.flatnonzero(known)):
        left, right = beside[number]
        size = float(middle[number])
        hears = min(share[left].min(), share[right].min()) >= _HEARING_SHARE
        is_deaf = bool(hears and share[number] < _DEAF_SHARE)
        is_broad = np.abs(apart[:, number] - size).max() < _ALIKE * abs(size)
        is_off = is_broad and abs(size) > max(_LEAST_DB, _OVER_USUAL * usual)
        # Beside an odd angle the median of four neighbours holds, so they are not blamed.
        if is_deaf or (is_off and share[number] >= _DEAF_SHARE):
            near = np.nanmedian(quiet_offset[left + right])
            off_db = float(quiet_offset[number] - near) if is_deaf else size
            found.append(
                OddAngle(
                    plane=plane,
                    angle_deg=float(angle_deg[number]),
                    off_db=off_db,
                    is_deaf=is_deaf,
                )
            )
    return tuple(found)


def _neighbours(angle_deg: FloatArray) -> list[tuple[list[int], list[int]]]:
    """Return the numbers of the two neighbours on either side of every angle."""
    n = angle_deg.size
    steps = np.diff(angle_deg)
    is_closed = 360 - (angle_deg[-1] - angle_deg[0]) <= 1.5 * float(np.median(steps))

    def side(number: int, sign: int) -> list[int]:
        places = [number + sign, number + 2 * sign]
        if is_closed:
            return [place % n for place in places]
        return [place for place in places if 0 <= place < n]

    return [(side(number, -1), side(number, 1)) for number in range(n)]


def _offsets(difference_db: FloatArray) -> FloatArray:
    """Return the median of every angle in each third of the band, (3, n_angles)."""
    thirds = np.array_split(np.arange(len(difference_db)), 3)
    return np.array([_medians(difference_db[third]) for third in thirds])


def _medians(values: FloatArray) -> FloatArray:
    """Return the median of each column over what is known; NaN where nothing is."""
    columns = (column[np.isfinite(column)] for column in values.T)
    return np.array([np.median(column) if column.size else np.nan for column in columns])
