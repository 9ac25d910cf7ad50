# SPDX-License-Identifier: GPL-3.0-or-later
"""A reflection in a measurement: a ripple over frequency of one delay at all angles."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.mockup.comparison.cause import Cause, OrbitFacts, share_explained
from bafflelens.mockup.comparison.difference import difference_of
from bafflelens.mockup.comparison.observed import Observed
from bafflelens.mockup.comparison.simulated import Simulated

_SHORTEST_DELAY_S: Final = 1.5e-3  # twice around a body of 0.25 m
_LONGEST_DELAY_S: Final = 12e-3
_COMB_TOP_HZ: Final = 6000.0
_COMB_PEAK: Final = 8.0  # over the median of all delays
_LEAST_RIPPLE_DB: Final = 0.1


def find_reflection(observed: Observed, simulated: Simulated) -> tuple[float, float] | None:
    """Return delay in s and ripple in dB of a reflection that all angles share; None without one.

    Parameters
    ----------
    observed, simulated : Observed, Simulated
        An orbit, measured and simulated.
    """
    comb = _comb(observed, simulated)
    if comb is None:
        return None
    delay, spectrum = comb
    peak = int(np.argmax(spectrum))
    ripple_db = float(np.sqrt(2 * spectrum[peak]))
    if spectrum[peak] < _COMB_PEAK * np.median(spectrum) or ripple_db < _LEAST_RIPPLE_DB:
        return None
    return float(delay[peak]), ripple_db


def reflection(
    orbits: Sequence[OrbitFacts], left: list[FloatArray], fraction: float
) -> tuple[Cause | None, list[FloatArray]]:
    """Take away the ripple of a reflection, where there is one."""
    seen = [found for o in orbits if (found := find_reflection(o.observed, o.simulated))]
    if not seen:
        return None, left
    delay_s, ripple_db = max(seen, key=lambda found: found[1])
    after = []
    for orbit, values in zip(orbits, left, strict=True):
        calm = difference_of(
            orbit.observed.without_ripple(delay_s),
            orbit.difference.fit,
            orbit.simulated,
            bands_hz=orbit.difference.frequency_hz,
            fraction=fraction,
        )
        change = orbit.difference.difference_db - calm.difference_db
        after.append(np.where(np.isfinite(change), values - change, np.nan))
    before = [np.where(np.isfinite(rest), values, np.nan)
              for values, rest in zip(left, after, strict=True)]  # fmt: skip
    cause = Cause(
        name="reflection",
        share=share_explained(before, after),
        text=(
            f"A ripple of ±{ripple_db:.1f} dB over frequency, with a delay of "
            f"{1e3 * delay_s:.2f} ms at all angles: a reflection whose way is "
            f"{delay_s * 343:.2f} m longer, inside the gate."
        ),
        check=(
            "Floor, ceiling, stand and turntable within that way; a shorter gate, an absorber on "
            "the floor half-way, or more height."
        ),
        from_hz=float(orbits[0].difference.frequency_hz[0]),
        to_hz=_COMB_TOP_HZ,
        value=ripple_db,
        delay_s=delay_s,
    )
    return cause, after


def _residual(observed: Observed, simulated: Simulated) -> tuple[FloatArray, FloatArray]:
    """Return the measured frequencies up to the comb's top, and the raw difference there."""
    inside = np.isin(observed.frequency_hz, simulated.frequency_hz)
    usable = observed.is_usable[inside] & np.isfinite(observed.level_db[inside])
    level = observed.level_db[inside]
    loudest = np.where(usable, level, -np.inf).max(axis=1, keepdims=True)
    usable &= level > loudest - 20
    difference = np.where(usable, level - simulated.level_db, np.nan)
    low = simulated.frequency_hz <= _COMB_TOP_HZ
    return simulated.frequency_hz[low], difference[low]


def _comb(observed: Observed, simulated: Simulated) -> tuple[FloatArray, FloatArray] | None:
    """Return delays and the mean power of the ripple at each, over the angles; None if untold."""
    frequency, difference = _residual(observed, simulated)
    if frequency.size < 32:
        return None
    step = float(np.median(np.diff(frequency)))
    longest = min(_LONGEST_DELAY_S, observed.gate_s or np.inf, 1 / (2 * step))
    if longest < 2 * _SHORTEST_DELAY_S:
        return None
    grid = np.arange(frequency[0], frequency[-1], 1 / (4 * _LONGEST_DELAY_S))
    delay = np.arange(_SHORTEST_DELAY_S, _LONGEST_DELAY_S, 1 / (4 * (grid[-1] - grid[0])))
    window = np.hanning(grid.size)
    window /= window.sum()
    curves = []
    for column in difference.T:
        known = np.isfinite(column)
        if known.sum() < 0.8 * known.size:
            continue
        series = np.interp(grid, frequency[known], column[known])
        curves.append(series - _trend(series, grid))
    if not curves:
        return None
    waves = np.exp(2j * np.pi * np.outer(delay, grid)) * window
    power = 2 * np.abs(waves @ np.array(curves, dtype=complex).T) ** 2
    mean = np.mean(power, axis=1)
    return delay, np.where(delay <= longest, mean, np.median(mean))


def _trend(series: FloatArray, grid: FloatArray) -> FloatArray:
    """Return what is slower than the shortest delay: a running mean over its spacing."""
    width = max(3, int(1 / _SHORTEST_DELAY_S / (grid[1] - grid[0])) | 1)
    kernel = np.hanning(width + 2)[1:-1]
    weight = np.convolve(np.ones(series.size), kernel, "same")
    return np.asarray(np.convolve(series, kernel, "same") / weight)
