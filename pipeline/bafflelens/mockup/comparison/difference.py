# SPDX-License-Identifier: GPL-3.0-or-later
"""Measured and simulated levels of an orbit side by side, and what is between them.

Both sides are smoothed alike: power, over the same fraction of an octave. A difference has two
parts. The *response* part is the same at all angles, the mean over the front of the orbit: it
holds the driver's own response, which the simulation knows only where the job has measured it.
The *directivity* part is the rest, and it is what a shape is judged by.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import stdtrit

from bafflelens.base.conventions import BoolArray, FloatArray
from bafflelens.mockup.comparison.fitting import Fit
from bafflelens.mockup.comparison.observed import Observed
from bafflelens.mockup.comparison.odd_angles import OddAngle, find_odd_angles
from bafflelens.mockup.comparison.simulated import Simulated

FRONT_DEG: Final = 30.0
LOWEST_DB: Final = -25.0
"""Nothing that the simulation has below this level re its loudest angle is compared.

Small causes move a null far. What was measured has no say in it: a dead microphone is quiet, too.
"""
_LEVEL_BLOCKS: Final = 4
_LEAST_OF_A_BAND: Final = 0.7  # share of the points of a band that must be usable


@dataclass(frozen=True, kw_only=True, eq=False)
class OrbitDifference:
    """One orbit, measured and simulated.

    Attributes
    ----------
    plane : {"horizontal", "vertical"}
        Which orbit.
    fit : Fit
        What was found of its set-up.
    angle_deg : (n_angles,) array
        Rising, with the sign put right and the offset of the angles as fitted.
    frequency_hz : (n_frequencies,) array
        Centres of the bands, in Hz.
    measured_db, simulated_db : (n_frequencies, n_angles) array
        Smoothed levels re the response of each; NaN where they are not comparable.
    difference_db : (n_frequencies, n_angles) array
        Measured minus simulated: the directivity part.
    response_db : (n_frequencies,) array
        Measured minus simulated response, the mean level in front, the overall level left out.
    level_db, level_uncertainty_db : float
        That overall level, and half its range of 95 %, from what four parts of the band differ by.
    on_axis_db : (2, n_frequencies) array
        Measured and simulated level of the angle nearest to the axis, less overall level.
    spread_db : (n_frequencies, n_angles) array or None
        Repeatability, one standard deviation in dB.
    is_quiet : (n_frequencies, n_angles) bool array
        Where nothing was compared: the simulated level is too low, or noise or gate forbid it.
    interpolation_db : (n_frequencies,) array
        What interpolating the simulation over frequency may be off by, in dB.
    odd_angles : tuple of OddAngle
        Angles that are unlike their neighbours. They are compared, also where noise hides them,
        but have no part in the response.
    """

    plane: str
    fit: Fit
    angle_deg: FloatArray
    frequency_hz: FloatArray
    measured_db: FloatArray
    simulated_db: FloatArray
    difference_db: FloatArray
    response_db: FloatArray
    level_db: float
    level_uncertainty_db: float
    on_axis_db: FloatArray
    spread_db: FloatArray | None
    is_quiet: BoolArray
    interpolation_db: FloatArray
    odd_angles: tuple[OddAngle, ...] = ()


def difference_of(
    observed: Observed,
    fit: Fit,
    simulated: Simulated,
    *,
    bands_hz: FloatArray,
    fraction: float,
) -> OrbitDifference:
    """Return the difference of an orbit at bands.

    Parameters
    ----------
    observed : Observed
        The measurement.
    fit : Fit
        What was found of its set-up, with which `simulated` was computed.
    simulated : Simulated
        The simulation at the measured frequencies.
    bands_hz : (n_bands,) array
        Centres of the bands, in Hz.
    fraction : float
        Width of the smoothing in octaves.
    """
    inside = np.isin(observed.frequency_hz, simulated.frequency_hz)
    known = np.isfinite(observed.level_db[inside])
    averages = smoothing(simulated.frequency_hz, bands_hz, fraction)
    usable = observed.is_usable[inside] & known
    levels, is_band = _smoothed(observed.level_db[inside], simulated.level_db, averages, usable)
    whole = 10 * np.log10(np.maximum(averages @ 10 ** (simulated.level_db / 10), 1e-60))
    is_expected = whole > whole.max(axis=1, keepdims=True) + LOWEST_DB
    raw, is_known = _smoothed(observed.level_db[inside], simulated.level_db, averages, known)
    odd = find_odd_angles(
        observed.plane,
        observed.angle_deg,
        np.where(is_known, raw[0] - raw[1], np.nan),
        is_band,
        is_expected,
    )
    is_odd = np.isin(observed.angle_deg, [one.angle_deg for one in odd])
    # What an odd angle lacks is at least what its noise lacks: it counts, or nobody would see it.
    levels = [np.where(is_odd, one, other) for one, other in zip(raw, levels, strict=True)]
    is_band = np.where(is_odd, is_known, is_band)
    compared = is_band & is_expected
    levels = [np.where(is_band, level, np.nan) for level in levels]

    sign = -1.0 if fit.deviation.is_mirrored else 1.0
    angle = sign * observed.angle_deg + fit.deviation.angle_deg
    order = np.argsort(angle)
    difference = levels[0] - levels[1]
    front = np.abs(angle) <= FRONT_DEG
    if not front.any():
        front = np.abs(angle) <= np.abs(angle).min() + FRONT_DEG
    if (front & ~is_odd).any():
        front &= ~is_odd
    response = _mean(np.where(compared, difference, np.nan)[:, front])
    level = float(np.nanmean(response)) if np.isfinite(response).any() else 0.0
    zero = [_mean(values[:, front]) for values in levels]
    nearest = int(np.argmin(np.abs(angle)))
    spread = None
    if observed.spread_db is not None:
        spread = (averages @ np.nan_to_num(observed.spread_db[inside]))[:, order]
    return OrbitDifference(
        plane=observed.plane,
        fit=fit,
        angle_deg=angle[order],
        frequency_hz=bands_hz,
        measured_db=(levels[0] - zero[0][:, np.newaxis])[:, order],
        simulated_db=(levels[1] - zero[1][:, np.newaxis])[:, order],
        difference_db=np.where(compared, difference - response[:, np.newaxis], np.nan)[:, order],
        response_db=response - level,
        level_db=level,
        level_uncertainty_db=_level_uncertainty_db(response),
        on_axis_db=np.stack((levels[0][:, nearest] - level, levels[1][:, nearest])),
        spread_db=spread,
        is_quiet=~compared[:, order],
        interpolation_db=np.interp(bands_hz, simulated.frequency_hz, simulated.error_db),
        odd_angles=odd,
    )


def _smoothed(
    measured_db: FloatArray, simulated_db: FloatArray, averages: FloatArray, usable: BoolArray
) -> tuple[list[FloatArray], BoolArray]:
    """Return both levels over the usable frequencies of each band, and where it has enough."""
    share = averages @ usable
    is_band = (averages.sum(axis=1) > 0)[:, np.newaxis] & (share >= _LEAST_OF_A_BAND)
    powers = (averages @ np.where(usable, 10 ** (db / 10), 0.0)
              for db in (measured_db, simulated_db))  # fmt: skip
    with np.errstate(divide="ignore", invalid="ignore"):
        return [10 * np.log10(power / share) for power in powers], is_band


def _level_uncertainty_db(response_db: FloatArray) -> float:
    """Return half the range of 95 % of the mean over frequency; neighbours go wrong together."""
    known = response_db[np.isfinite(response_db)]
    if known.size < _LEVEL_BLOCKS:
        return float("nan")
    means = [part.mean() for part in np.array_split(known, _LEVEL_BLOCKS)]
    quantile = float(stdtrit(_LEVEL_BLOCKS - 1, 0.975))
    return quantile * float(np.std(means, ddof=1)) / float(np.sqrt(_LEVEL_BLOCKS))


def smoothing(frequency_hz: FloatArray, bands_hz: FloatArray, fraction: float) -> FloatArray:
    """Return the weights with which a band averages over frequencies, (n_bands, n_frequencies).

    Equal weights over the logarithm of frequency; a band that is narrower than the steps takes
    the two frequencies beside its centre. A band that is not wholly covered has none.
    """
    log = np.log2(np.asarray(frequency_hz, dtype=float))
    edges = np.concatenate((log[:1], (log[1:] + log[:-1]) / 2, log[-1:]))
    centre = np.log2(np.asarray(bands_hz, dtype=float))[:, np.newaxis]
    low, high = centre - fraction / 2, centre + fraction / 2
    overlap = np.minimum(high, edges[1:]) - np.maximum(low, edges[:-1])
    weights = np.maximum(overlap, 0.0)
    few = (weights > 0).sum(axis=1) < 2
    upper = np.clip(np.searchsorted(log, centre[:, 0]), 1, log.size - 1)
    share = np.clip((centre[:, 0] - log[upper - 1]) / (log[upper] - log[upper - 1]), 0, 1)
    rows = np.flatnonzero(few)
    weights[rows] = 0
    weights[rows, upper[rows] - 1] = 1 - share[rows]
    weights[rows, upper[rows]] = share[rows]
    slack = 1e-6
    outside = (centre[:, 0] < log[0] - slack) | (centre[:, 0] > log[-1] + slack)
    weights[outside] = 0
    total = weights.sum(axis=1, keepdims=True)
    return np.asarray(weights / np.where(total > 0, total, 1))


def _mean(values: FloatArray) -> FloatArray:
    """Return the mean over the last axis of what is finite; NaN where nothing is."""
    finite = np.isfinite(values)
    count = finite.sum(axis=-1)
    total = np.where(finite, values, 0.0).sum(axis=-1)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))
