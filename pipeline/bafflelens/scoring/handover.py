# SPDX-License-Identifier: GPL-3.0-or-later
"""How well two ways sum where they hand over, whatever band a job scores.

An octave around the handover is judged on the reference axis, over the listening window, and by
the tilt of the vertical lobe and the lobes beside it. A score whose band begins above it would not
see a hole there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import FloatArray
from bafflelens.directivity.far_field_data import is_solved
from bafflelens.directivity.lobe import region_of, vertical_lobes
from bafflelens.directivity.polars import on_axis, window_amplitude
from bafflelens.scoring.target import Target

DEEPEST_DIP_DB: Final = 1.0
"""A crossover with a deeper one is not called best (common practice, no source)."""

LOUDEST_SIDE_LOBE_DB: Final = -3.0
"""Nor one with a louder vertical side lobe, re the main one (common practice, no source)."""

_WINDOW_DEG: Final = 10.0  # of the listening window upwards (ANSI/CTA-2034-A section 5.2)
_BESIDE_OCTAVES: Final = 1.0
_SILENT: Final = 1e-12


@dataclass(frozen=True, kw_only=True)
class HandoverQuality:
    """What a sum does in the octave around its handover; NaN where nothing is solved.

    Attributes
    ----------
    frequency_hz : float
        Middle of the octave.
    axis_dip_db, window_dip_db : float
        How far the level falls below the straight line, over the logarithm of frequency, between
        the means of the half octaves beside: on the reference axis, and over the listening window.
    tilt_deg : float
        The vertical lobe's tilt of largest amount, positive up.
    tilt_limit_deg : float
        How far the seat's heights reach from the axis.
    side_lobe_db : float
        The loudest vertical side lobe, beyond a null, re the main lobe; NaN where there is none.
    """

    frequency_hz: float
    axis_dip_db: float
    window_dip_db: float
    tilt_deg: float
    tilt_limit_deg: float
    side_lobe_db: float

    @property
    def flaws(self) -> tuple[str, ...]:
        """What keeps this from being called best, one phrase each."""
        found = []
        for what, dip_db in (("on axis", self.axis_dip_db), ("in the window", self.window_dip_db)):
            if not dip_db <= DEEPEST_DIP_DB:
                found.append(f"a dip of {dip_db:.1f} dB {what}")
        if not abs(self.tilt_deg) <= self.tilt_limit_deg:
            limit = f"the seat's heights reach {self.tilt_limit_deg:.0f}"
            found.append(f"a lobe tilted by {self.tilt_deg:+.0f} degrees, where {limit}")
        if self.side_lobe_db > LOUDEST_SIDE_LOBE_DB:
            found.append(
                f"a side lobe up or down at {self.side_lobe_db:+.1f} dB re the main one, where "
                f"{LOUDEST_SIDE_LOBE_DB:g} dB are allowed"
            )
        return tuple(found)


def seat_reach_deg(target: Target) -> float:
    """Return how far from the axis the heights of the seat reach that a target asks for."""
    return max((abs(limit.angle_deg) for limit in target.seat), default=_WINDOW_DEG)


def handover_quality(
    dataset: xr.Dataset, frequency_hz: float, tilt_limit_deg: float
) -> HandoverQuality:
    """Return how well a sum does in the octave around a frequency.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source, the sum of all ways.
    frequency_hz : float
        Where they hand over.
    tilt_limit_deg : float
        How far the seat's heights reach from the axis, in degrees (`seat_reach_deg`).
    """
    low, high = region_of(frequency_hz)
    frequency = dataset["frequency"].values
    inside = is_solved(dataset) & (frequency >= low) & (frequency <= high)
    lobes = [lobe for lobe, used in zip(vertical_lobes(dataset), inside, strict=True) if used]
    tilts = np.array([lobe.tilt_deg for lobe in lobes if np.isfinite(lobe.tilt_deg)])
    beside = np.array([lobe.side_lobe_db for lobe in lobes if np.isfinite(lobe.side_lobe_db)])
    return HandoverQuality(
        frequency_hz=frequency_hz,
        axis_dip_db=_dip_db(dataset, np.abs(on_axis(dataset)), frequency_hz),
        window_dip_db=_dip_db(dataset, window_amplitude(dataset), frequency_hz),
        tilt_deg=float(tilts[np.argmax(np.abs(tilts))]) if tilts.size else math.nan,
        tilt_limit_deg=tilt_limit_deg,
        side_lobe_db=float(beside.max()) if beside.size else math.nan,
    )


def _dip_db(dataset: xr.Dataset, amplitude: FloatArray, frequency_hz: float) -> float:
    """Return how far a level falls below the line between what is beside the handover."""
    solved = is_solved(dataset)
    octaves = np.log2(dataset["frequency"].values[solved] / frequency_hz)
    level_db = 20 * np.log10(np.maximum(amplitude[solved], _SILENT))
    inside = np.abs(octaves) <= 0.5
    if not inside.any():
        return math.nan
    means = [
        (float(octaves[beside].mean()), float(level_db[beside].mean()))
        for sign in (-1, 1)
        if (beside := (sign * octaves > 0.5) & (sign * octaves <= _BESIDE_OCTAVES)).any()
    ]
    if not means:
        means = [(0.0, float(level_db[inside].max()))]
    places, levels = np.array(means).T
    line_db = np.interp(octaves[inside], places, levels)
    return float(np.max(line_db - level_db[inside]))
