# SPDX-License-Identifier: GPL-3.0-or-later
r"""Quieter towards floor and ceiling than another shape, third-octave by third-octave.

A target's weight fades towards the end of its band, so a shape that follows the score alone may
grow louder there than the plain baffle. Here the level towards each bounce is compared with that
of the other shape in every third-octave of a band, and what it is louder by is made a cost:

.. math:: P = c \sum_{b, j} h(\overline{L_b - B_b}^{(j)} + m)

with levels L and B re the listening window, means over the j-th third-octave, a margin m, and h
the positive part, softened. It is a penalty that is exact once c is more than what the score
gains by a decibel in a third-octave: then no third-octave stays louder if any way leads down.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import FloatArray
from bafflelens.base.octaves import THIRD_OCTAVE, octave_shares
from bafflelens.directivity.far_field_data import is_solved
from bafflelens.scoring.adjoint import Traced, from_left, positive, total
from bafflelens.scoring.criteria import towards_bounce_db
from bafflelens.scoring.target import Target
from bafflelens.scoring.traced_levels import TracedFields, bounce_level

COST: Final = 0.3
"""What a decibel too much in one third-octave of one bounce costs, in dB of the score."""

MARGIN_DB: Final = 0.5
"""So much quieter it is to be: what a draft may err by, and more than it mostly does."""

_SOFTNESS_DB: Final = 1.0
_LEAST_SHARE: Final = 1 / 24  # of an octave: less is no third-octave of its own
_MIDDLE_HZ: Final = 1000.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Quieter:
    """What the level towards floor and ceiling is to stay below.

    Attributes
    ----------
    frequency_hz : (n,) array
        Where it is known.
    level_db : (2, n) array
        Level of the other shape towards floor and ceiling, re its listening window.
    band_hz : (from, to)
        In which band.
    """

    frequency_hz: FloatArray
    level_db: FloatArray
    band_hz: tuple[float, float]

    def at(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the levels (2, n_frequencies) at others, straight over the logarithm."""
        place, known = np.log(frequency_hz), np.log(self.frequency_hz)
        return np.stack([np.interp(place, known, level) for level in self.level_db])


def quieter_than(other: xr.Dataset, target: Target, band_hz: tuple[float, float]) -> Quieter:
    """Return what stays below the levels of a shape as it plays, in a band in Hz."""
    solved = is_solved(other)
    return Quieter(
        frequency_hz=other.variables["frequency"].values[solved],
        level_db=_levels_db(other, target)[:, solved],
        band_hz=band_hz,
    )


def third_octave_means(
    frequency_hz: FloatArray, band_hz: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Return the third-octaves of a band, around 1 kHz, and the means over them.

    Parameters
    ----------
    frequency_hz : (n_frequencies,) array
        Frequencies, rising.
    band_hz : (from, to)
        The band; the first and the last third-octave are cut to it.

    Returns
    -------
    (n_thirds,) array
        Their centres in Hz, before they are cut.
    (n_thirds, n_frequencies) array
        The share of each frequency in the mean.
    """
    first, last = (3 * np.log2(edge / _MIDDLE_HZ) for edge in band_hz)
    centres, means = [], []
    for number in range(round(first), round(last) + 1):
        middle = _MIDDLE_HZ * 2 ** (number * THIRD_OCTAVE)
        low = max(middle / 2 ** (THIRD_OCTAVE / 2), band_hz[0])
        high = min(middle * 2 ** (THIRD_OCTAVE / 2), band_hz[1])
        if high <= low:
            continue
        share = octave_shares(frequency_hz, (low, high))
        if share.sum() >= _LEAST_SHARE:
            centres.append(middle)
            means.append(share / share.sum())
    return np.array(centres), np.array(means).reshape(len(centres), len(frequency_hz))


def above_db(dataset: xr.Dataset, target: Target, quieter: Quieter) -> FloatArray:
    """Return levels towards floor and ceiling re the other shape's, (2, n_thirds), in dB."""
    solved = is_solved(dataset)
    frequency = dataset.variables["frequency"].values[solved]
    means = third_octave_means(frequency, quieter.band_hz)[1]
    difference = _levels_db(dataset, target)[:, solved] - quieter.at(frequency)
    return np.asarray(difference @ means.T)


def louder_by(heard: TracedFields, target: Target, quieter: Quieter) -> Traced:
    """Return the cost of what is louder than the other shape: see the head of the module."""
    means = third_octave_means(heard.frequency_hz, quieter.band_hz)[1]
    others = quieter.at(heard.frequency_hz)
    costs = []
    for limit, other in zip((target.floor, target.ceiling), others, strict=True):
        level = bounce_level(heard, limit, target.seat_azimuth_deg)
        above = from_left(means, level - other) + MARGIN_DB
        each = positive(above, _SOFTNESS_DB)
        costs.append(from_left(np.full((1, len(means)), COST), each)[0])
    return total(costs)


def _levels_db(dataset: xr.Dataset, target: Target) -> FloatArray:
    bounces = (target.floor, target.ceiling)
    return np.stack([towards_bounce_db(dataset, b, target.seat_azimuth_deg) for b in bounces])
