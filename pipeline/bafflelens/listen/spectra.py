# SPDX-License-Identifier: GPL-3.0-or-later
"""Spectra on the bins of one block, for exp(+j omega t), as Fourier transforms have them."""

from __future__ import annotations

from typing import Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray

RATE_HZ: Final = 48_000
"""Sampling rate of all that is rendered, in Hz."""
BLOCK: Final = 2048
"""Samples of one arrival's response: 43 ms, so bins are 23 Hz apart."""

_FLOOR_DB: Final = -120.0  # of the largest magnitude; an exact null has no logarithm


def bins_hz(block: int = BLOCK) -> FloatArray:
    """Return the frequencies of the bins, (block / 2 + 1,), in Hz."""
    return np.asarray(np.fft.rfftfreq(block, 1 / RATE_HZ))


def minimum_phase(magnitude: FloatArray) -> ComplexArray:
    """Return the causal spectrum of least delay that has a magnitude.

    Parameters
    ----------
    magnitude : (..., n_bins) array
        At the bins of a block of 2 (n_bins - 1) samples.

    Returns
    -------
    (..., n_bins) complex array
        For exp(+j omega t).

    Notes
    -----
    Phase and logarithm of the magnitude are a Hilbert pair: the cepstrum is folded onto positive
    times (Oppenheim and Schafer, Discrete-Time Signal Processing, "Homomorphic signal
    processing"; cited from memory).
    """
    largest = magnitude.max(axis=-1, keepdims=True)
    least = np.maximum(largest * 10 ** (_FLOOR_DB / 20), np.finfo(float).tiny)
    return np.asarray(np.exp(log_minimum_phase(np.log(np.maximum(magnitude, least)))))


def log_minimum_phase(log_magnitude: FloatArray) -> ComplexArray:
    """Return the complex logarithm of `minimum_phase` from the logarithm of the magnitude.

    It is linear: what goes through several surfaces has the sum of their logarithms.
    """
    n_bins = log_magnitude.shape[-1]
    block = 2 * (n_bins - 1)
    cepstrum = np.fft.irfft(log_magnitude, n=block, axis=-1)
    fold = np.zeros(block)
    fold[[0, block // 2]] = 1
    fold[1 : block // 2] = 2
    return np.asarray(np.fft.rfft(cepstrum * fold, axis=-1))


def delayed(spectrum: ComplexArray, samples: FloatArray) -> ComplexArray:
    """Return spectra (..., n_bins) that come later by samples (...,), whole or not."""
    n_bins = spectrum.shape[-1]
    turn = np.pi * np.arange(n_bins) / (n_bins - 1)
    return np.asarray(spectrum * np.exp(-1j * np.asarray(samples)[..., np.newaxis] * turn))


def octave_curve(
    octaves_hz: FloatArray, values: FloatArray, frequency_hz: FloatArray
) -> FloatArray:
    """Return octave-band values over log frequency, the ends held, (n_frequencies,)."""
    position = np.log(np.maximum(frequency_hz, 1.0))
    return np.asarray(np.interp(position, np.log(octaves_hz), values))
