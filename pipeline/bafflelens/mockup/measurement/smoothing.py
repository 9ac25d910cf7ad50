# SPDX-License-Identifier: GPL-3.0-or-later
"""Fractional-octave smoothing of power, the same for measurement and simulation."""

from __future__ import annotations

import numpy as np

from bafflelens.base.conventions import BoolArray, ComplexArray, FloatArray


def smoothed_power(
    frequencies_hz: FloatArray,
    pressure: ComplexArray | FloatArray,
    fraction: float,
    *,
    valid: BoolArray | None = None,
) -> FloatArray:
    """Return the mean square over 1/fraction octave around each frequency.

    The mean runs over the logarithm of the frequency. Between given frequencies the power is
    taken as straight, so that neither the spacing nor where the window's ends fall matters; at
    the ends of the band the window is what is left of it. Powers are smoothed, not complex
    pressures, which would lose level where the phase turns (common practice, no source).

    Parameters
    ----------
    frequencies_hz : (n_frequencies,) array
        Rising.
    pressure : (..., n_frequencies) array
        Pressure or its magnitude; finite where valid.
    fraction : float
        3 for third-octaves; 0 for none.
    valid : (..., n_frequencies) array, optional
        Values to use; the others count neither in the mean nor in its width. Where none of a
        window is valid the result is NaN.

    Returns
    -------
    (..., n_frequencies) array
        Smoothed squared magnitudes.
    """
    power = np.abs(pressure) ** 2
    weight = np.ones(power.shape) if valid is None else np.broadcast_to(valid, power.shape) * 1.0
    if fraction <= 0 or len(frequencies_hz) < 2:
        return np.where(weight > 0, power, np.nan)
    position = np.log2(np.asarray(frequencies_hz, dtype=float))
    half = 0.5 / fraction
    matrix = _window_weights(position, half)
    total = weight @ matrix.T
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (np.where(weight > 0, power, 0.0) * weight) @ matrix.T / total
    return np.asarray(np.where(total > 1e-12, mean, np.nan))


def _window_weights(position: FloatArray, half: float) -> FloatArray:
    """Return (n, n) weights whose product with a curve is its integral over each window.

    The integral of the straight pieces between points, from max(first, p - half) to
    min(last, p + half), is linear in the values at the points.
    """
    n = len(position)
    weights = np.zeros((n, n))
    low = np.maximum(position - half, position[0])[:, np.newaxis]
    high = np.minimum(position + half, position[-1])[:, np.newaxis]
    left, right = position[:-1], position[1:]
    a, b = np.maximum(left, low), np.minimum(right, high)
    inside = np.maximum(b - a, 0.0)
    share = ((a + b) / 2 - left) / (right - left)  # of the right point, at the piece's middle
    weights[:, :-1] += inside * (1 - share)
    weights[:, 1:] += inside * share
    return np.where(np.abs(weights) > 1e-15, weights, 0.0)
