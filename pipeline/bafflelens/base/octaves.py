# SPDX-License-Identifier: GPL-3.0-or-later
"""Curves over frequency, octave by octave.

A frequency stands for a range of the logarithmic axis, and counts in a part of the band by what
of that range lies there. So no result depends on where the steps happen to fall.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import FloatArray

THIRD_OCTAVE: Final = 1 / 3


@dataclass(frozen=True, kw_only=True)
class OctaveValue:
    """What a curve comes to in one octave.

    Attributes
    ----------
    from_hz, to_hz : float
        The octave, or the part of it that lies in the band.
    mean_db, worst_db : float
        Mean, and mean over the worst third-octave.
    worst_hz : float
        Centre of the worst third-octave.
    weight : float
        Share in the whole: covered width in octaves times the target's weight.
    """

    from_hz: float
    to_hz: float
    mean_db: float
    worst_db: float
    worst_hz: float
    weight: float

    @property
    def value_db(self) -> float:
        """Half the mean and half the worst third-octave, in dB."""
        return 0.5 * (self.mean_db + self.worst_db)


def by_octave(
    frequency_hz: FloatArray,
    value_db: FloatArray,
    weight: FloatArray,
    band_hz: tuple[float, float],
) -> tuple[OctaveValue, ...]:
    """Return mean and worst third-octave of a curve, for each octave of a band.

    Parameters
    ----------
    frequency_hz : (n_frequencies,) array
        Frequencies in Hz, rising.
    value_db : (n_frequencies,) array
        The curve in dB; need not be finite where the weight is 0.
    weight : (n_frequencies,) array
        Weight of each frequency.
    band_hz : (from, to)
        The band in Hz. Octaves are counted from its lower end; the last may be cut short.

    Returns
    -------
    tuple of OctaveValue
        Octaves without weight are left out.
    """
    value = np.where(weight > 0, value_db, 0.0)
    least = THIRD_OCTAVE / 2 * np.max(weight, initial=0.0)
    found = []
    for octave in octave_parts(frequency_hz, band_hz):
        share = octave.shares * weight
        total = share.sum(axis=1)
        if total[0] <= 0:
            continue
        mean_db = share @ value / np.where(total > 0, total, 1.0)
        worst_db, worst_hz = mean_db[0], octave.centres_hz[0]
        # Neither a sliver at the end of the band nor a range that the target hardly asks for is
        # a third-octave of its own.
        thirds = 1 + np.flatnonzero(total[1:] >= least)
        if thirds.size:
            worst = thirds[np.argmax(mean_db[thirds])]
            worst_db, worst_hz = mean_db[worst], octave.centres_hz[worst]
        found.append(
            OctaveValue(
                from_hz=octave.from_hz,
                to_hz=octave.to_hz,
                mean_db=float(mean_db[0]),
                worst_db=float(worst_db),
                worst_hz=worst_hz,
                weight=float(total[0]),
            )
        )
    return tuple(found)


def overall_db(octaves: Sequence[OctaveValue]) -> float:
    """Return the mean of the octaves' values by their weights, in dB; NaN if there is none."""
    total = sum(octave.weight for octave in octaves)
    if not total:
        return float("nan")
    return sum(octave.value_db * octave.weight for octave in octaves) / total


def octaves_of(band_hz: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    """Return the octaves of a band, (from, to) in Hz, from its lower end; the last is cut."""
    low, high = band_hz
    count = max(1, int(np.ceil(np.log2(high / low) - 1e-9))) if high > low else 0
    return tuple((low * 2**i, min(low * 2 ** (i + 1), high)) for i in range(count))


def octave_shares(frequency_hz: FloatArray, part_hz: tuple[float, float]) -> FloatArray:
    """Return how many octaves of a part of the band each frequency stands for.

    A frequency stands for the range half way to its neighbours on a logarithmic axis; the
    first and the last reach as far outwards as inwards.
    """
    low, high = map(float, part_hz)
    return _shares(np.asarray(frequency_hz, dtype=float).tobytes(), (low, high))


@dataclass(frozen=True, kw_only=True)
class OctaveParts:
    """An octave, from and to in Hz, and its thirds.

    The first of ``shares``, (4, n_frequencies), and ``centres_hz`` is that of the whole.
    """

    from_hz: float
    to_hz: float
    shares: FloatArray
    centres_hz: tuple[float, ...]


def octave_parts(
    frequency_hz: FloatArray, band_hz: tuple[float, float]
) -> tuple[OctaveParts, ...]:
    """Return the octaves of a band with their thirds, and what each frequency counts in them."""
    low, high = map(float, band_hz)
    return _octave_parts(np.asarray(frequency_hz, dtype=float).tobytes(), (low, high))


@lru_cache(maxsize=128)
def _octave_parts(frequency_hz: bytes, band_hz: tuple[float, float]) -> tuple[OctaveParts, ...]:
    """Return the octaves of a band; all candidates of a run have the same frequencies."""
    frequency, found = np.frombuffer(frequency_hz), []
    for low, high in octaves_of(band_hz):
        edges = np.minimum(low * 2 ** (np.arange(4) * THIRD_OCTAVE), high)
        parts = [(low, high), *pairwise(edges)]
        found.append(
            OctaveParts(
                from_hz=low,
                to_hz=high,
                shares=np.stack([_shares_of(frequency, part) for part in parts]),
                centres_hz=tuple(float(np.sqrt(start * end)) for start, end in parts),
            )
        )
    return tuple(found)


@lru_cache(maxsize=1024)
def _shares(frequency_hz: bytes, part_hz: tuple[float, float]) -> FloatArray:
    """Return what `octave_shares` does; all candidates of a run have the same frequencies."""
    frequency = np.frombuffer(frequency_hz)
    found = _shares_of(frequency, part_hz)
    found.flags.writeable = False
    return found


def _shares_of(frequency_hz: FloatArray, part_hz: tuple[float, float]) -> FloatArray:
    if len(frequency_hz) < 2:
        return inside(frequency_hz, part_hz).astype(float)
    position = np.log2(frequency_hz)
    middle = (position[1:] + position[:-1]) / 2
    left = np.concatenate(([2 * position[0] - middle[0]], middle))
    right = np.concatenate((middle, [2 * position[-1] - middle[-1]]))
    low, high = np.log2(part_hz)
    return np.asarray(np.maximum(np.minimum(right, high) - np.maximum(left, low), 0.0))


def inside(frequency_hz: FloatArray, band_hz: tuple[float, float]) -> NDArray[np.bool_]:
    """Return which frequencies lie in a band, its ends included, to rounding."""
    low, high = band_hz
    return np.asarray((frequency_hz >= low * (1 - 1e-9)) & (frequency_hz <= high * (1 + 1e-9)))
