# SPDX-License-Identifier: GPL-3.0-or-later
"""The vertical lobe of a loudspeaker where one way hands over to the next.

Around the crossover frequency two drivers above each other play alike, and beam where their
sound arrives together. The main lobe is the one nearest to the axis whose top is no more than
3 dB below the loudest direction within +-60 degrees: wide spacings have others as loud. Its
*tilt* is the elevation whose sine is the mean of the sines of its two -3 dB directions, as the
phase between two drivers goes with the sine; where the lobe is so wide that one
of them is missing within +-90 degrees, it is that of its top. Positive is up. Levels between
the directions of the orbit come from a cubic spline through the complex field.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.directivity.crossover import Crossover, accelerations, ways_of
from bafflelens.directivity.far_field_data import is_solved
from bafflelens.directivity.polars import decibels, orbit, window_amplitude
from bafflelens.directivity.source_sums import summed

if TYPE_CHECKING:
    import xarray as xr

LOBE_EDGE_DB: Final = -3.0
NULL_DB: Final = -10.0
SAME_TOP_DB: Final = 3.0
MAIN_LOBE_DEG: Final = 60.0
REGION_OCTAVES: Final = 0.5

_STEP_DEG: Final = 0.1
_FRONT_DEG: Final = 90.0


@dataclass(frozen=True, kw_only=True)
class Lobe:
    """The main vertical lobe at one frequency; angles in degrees, positive up.

    Attributes
    ----------
    frequency_hz : float
        Where, in Hz.
    tilt_deg : float
        Its direction; see the module's docstring. NaN if the frequency failed.
    top_deg : float
        Where it is loudest.
    lower_deg, upper_deg : float
        Where it is 3 dB down; NaN if nowhere within +-90 degrees.
    null_below_deg, null_above_deg : float
        The nearest minima on both sides that are 10 dB down or more; NaN if there is none.
    side_lobe_db : float
        Loudest direction beyond such a minimum, within +-90 degrees, re the main lobe's top;
        NaN where there is no such minimum.
    """

    frequency_hz: float
    tilt_deg: float
    top_deg: float
    lower_deg: float
    upper_deg: float
    null_below_deg: float
    null_above_deg: float
    side_lobe_db: float


@dataclass(frozen=True, kw_only=True)
class Handover:
    """Where one way hands over to the next in front.

    Attributes
    ----------
    frequency_hz : float
        Where both have the same listening-window level, in Hz.
    lower, upper : str
        The way below and the way above that frequency.
    """

    frequency_hz: float
    lower: str
    upper: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Meeting:
    """Where the two highest ways of a loudspeaker meet, and all of its ways by themselves.

    Attributes
    ----------
    frequency_hz : float
        Where they hand over, in Hz.
    way_levels_db : dict of str to (n_frequencies,) array
        Listening-window level of each way, in dB re 1 Pa.m.
    """

    frequency_hz: float
    way_levels_db: dict[str, FloatArray]


def vertical_lobes(dataset: xr.Dataset) -> tuple[Lobe, ...]:
    """Return the main vertical lobe at every frequency.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    """
    field = orbit(dataset, "vertical")
    front = np.abs(field["angle"].values) <= _FRONT_DEG
    angle = field["angle"].values[front]
    return tuple(
        _lobe(float(frequency), angle, row[front])
        for frequency, row in zip(field["frequency"].values, field.values, strict=True)
    )


def tilts_deg(dataset: xr.Dataset) -> FloatArray:
    """Return the tilt of the main vertical lobe, (n_frequencies,), in degrees."""
    return np.array([lobe.tilt_deg for lobe in vertical_lobes(dataset)])


def tilt_at(dataset: xr.Dataset, frequency_hz: float) -> float:
    """Return the tilt at a frequency between the solved ones, in degrees; NaN outside."""
    solved = is_solved(dataset)
    frequency = dataset["frequency"].values[solved]
    if not frequency.size or not frequency[0] <= frequency_hz <= frequency[-1]:
        return float("nan")
    return float(np.interp(np.log(frequency_hz), np.log(frequency), tilts_deg(dataset)[solved]))


def way_levels_db(
    dataset: xr.Dataset, crossover: Crossover, strengths: ComplexArray | None = None
) -> dict[str, FloatArray]:
    """Return the listening-window level of each way by itself, in dB re 1 Pa.m.

    Parameters
    ----------
    dataset, crossover, strengths
        As in `bafflelens.directivity.crossover.accelerations`.

    Returns
    -------
    dict of str to (n_frequencies,) array
        By the name of the way; NaN where it is not known.
    """
    ways = ways_of(dataset, crossover)
    transfer = accelerations(dataset, crossover, strengths)
    found = {}
    for name in dict.fromkeys(way.name for way in ways):
        members = np.array([[way.name == name] for way in ways])
        alone = summed(dataset, np.where(members, transfer, 0.0))
        found[name] = decibels(window_amplitude(alone))
    return found


def handovers(
    dataset: xr.Dataset, crossover: Crossover, strengths: ComplexArray | None = None
) -> tuple[Handover, ...]:
    """Return where the ways of a loudspeaker hand over to each other, in rising order.

    Parameters
    ----------
    dataset, crossover, strengths
        As in `bafflelens.directivity.crossover.accelerations`.

    Returns
    -------
    tuple of Handover
        Where the loudest way changes, within the solved band; empty with one way.
    """
    fronts = way_levels_db(dataset, crossover, strengths)
    names, levels = list(fronts), np.array(list(fronts.values()))
    known = is_solved(dataset) & np.isfinite(levels).all(axis=0)
    frequency, level = np.log(dataset["frequency"].values[known]), levels[:, known]
    found = []
    for number in range(frequency.size - 1):
        lower, upper = (int(np.argmax(level[:, number + step])) for step in (0, 1))
        if lower == upper:
            continue
        before, after = level[upper, number : number + 2] - level[lower, number : number + 2]
        at = frequency[number] - before / (after - before) * np.diff(frequency)[number]
        found.append(
            Handover(frequency_hz=float(np.exp(at)), lower=names[lower], upper=names[upper])
        )
    return tuple(found)


def find_meeting(
    dataset: xr.Dataset, crossover: Crossover, strengths: ComplexArray | None = None
) -> Meeting | None:
    """Return where the two highest ways meet; None where there is no such place.

    Parameters
    ----------
    dataset, crossover, strengths
        As in `bafflelens.directivity.crossover.accelerations`.
    """
    found = handovers(dataset, crossover, strengths)
    if not found:
        return None
    return Meeting(
        frequency_hz=found[-1].frequency_hz,
        way_levels_db=way_levels_db(dataset, crossover, strengths),
    )


def region_of(frequency_hz: float) -> tuple[float, float]:
    """Return the crossover region in Hz: half an octave to both sides."""
    return frequency_hz * 2**-REGION_OCTAVES, frequency_hz * 2**REGION_OCTAVES


def _lobe(frequency_hz: float, angle_deg: FloatArray, field: ComplexArray) -> Lobe:
    nothing = float("nan")
    if not np.isfinite(field).all():
        return Lobe(
            frequency_hz=frequency_hz,
            tilt_deg=nothing,
            top_deg=nothing,
            lower_deg=nothing,
            upper_deg=nothing,
            null_below_deg=nothing,
            null_above_deg=nothing,
            side_lobe_db=nothing,
        )
    steps = round((angle_deg[-1] - angle_deg[0]) / _STEP_DEG)
    angle = np.linspace(angle_deg[0], angle_deg[-1], steps + 1)
    from scipy.interpolate import CubicSpline  # slow to load

    amplitude = np.abs(CubicSpline(angle_deg, field)(angle))
    level = 20 * np.log10(np.maximum(amplitude, 1e-30))
    allowed = np.abs(angle) <= MAIN_LOBE_DEG
    top = _top(angle[allowed], level[allowed]) + int(np.argmax(allowed))
    level = level - level[top]
    upper, null_above, lobe_above = _flank(angle[top:], level[top:])
    lower, null_below, lobe_below = _flank(angle[top::-1], level[top::-1])
    tilt = float(angle[top])
    if np.isfinite(lower) and np.isfinite(upper):
        middle = 0.5 * (np.sin(np.radians(lower)) + np.sin(np.radians(upper)))
        tilt = float(np.degrees(np.arcsin(middle)))
    return Lobe(
        frequency_hz=frequency_hz,
        tilt_deg=tilt,
        top_deg=float(angle[top]),
        lower_deg=lower,
        upper_deg=upper,
        null_below_deg=null_below,
        null_above_deg=null_above,
        side_lobe_db=float(np.fmax(lobe_above, lobe_below)),
    )


def _top(angle: FloatArray, level: FloatArray) -> int:
    """Return the number of the highest point of the main lobe."""
    padded = np.concatenate(([-np.inf], level, [-np.inf]))
    is_top = (level >= padded[:-2]) & (level >= padded[2:]) & (level >= level.max() - SAME_TOP_DB)
    tops = np.flatnonzero(is_top)
    return int(tops[np.argmin(np.abs(angle[tops]))])


def _flank(angle: FloatArray, level: FloatArray) -> tuple[float, float, float]:
    """Return where a flank is 3 dB down, its nearest deep minimum, and the level beyond it."""
    fallen = np.flatnonzero(level <= LOBE_EDGE_DB)
    edge = float("nan")
    if fallen.size:
        outer = int(fallen[0])
        share = (level[outer - 1] - LOBE_EDGE_DB) / (level[outer - 1] - level[outer])
        edge = float(angle[outer - 1] + share * (angle[outer] - angle[outer - 1]))
    is_minimum = (level[1:-1] <= level[:-2]) & (level[1:-1] < level[2:]) & (level[1:-1] <= NULL_DB)
    deep = np.flatnonzero(is_minimum)
    if not deep.size:
        return edge, float("nan"), float("nan")
    null = int(deep[0]) + 1
    return edge, float(angle[null]), float(level[null:].max())
