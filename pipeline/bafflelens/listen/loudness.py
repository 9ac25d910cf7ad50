# SPDX-License-Identifier: GPL-3.0-or-later
"""Loudness of programme after ITU-R BS.1770: K-weighting, gated mean over 400 ms blocks."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.signal import sosfilt

from bafflelens.base.conventions import FloatArray
from bafflelens.listen.spectra import RATE_HZ

# ITU-R BS.1770-4 annex 1 tables 1 and 2, for 48 kHz: a head as a sphere, and a high-pass.
_HEAD_POLES: Final = (1.0, -1.69065929318241, 0.73248077421585)
_K_WEIGHTING: Final = np.array(
    [
        (1.53512485958697, -2.69169618940638, 1.19839281085285, *_HEAD_POLES),
        (1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621),
    ]
)
_OFFSET_DB: Final = -0.691  # equation 2
_BLOCK_S: Final = 0.4
_STEPS_A_BLOCK: Final = 4  # 75 % overlap
_ABSOLUTE_GATE: Final = -70.0
_RELATIVE_GATE: Final = -10.0
_OVERSAMPLING: Final = 4


def loudness_lufs(signal: FloatArray) -> float:
    """Return the loudness of a signal of one or two channels, in LKFS (the same as LUFS).

    Parameters
    ----------
    signal : (n_channels, n_samples) array
        At 48 kHz, full scale 1; channels count alike, as left and right do.

    Returns
    -------
    float
        Minus infinity for silence, or for less than one block of 0.4 s.
    """
    weighted = sosfilt(_K_WEIGHTING, signal, axis=-1)
    step = int(RATE_HZ * _BLOCK_S / _STEPS_A_BLOCK)
    n_steps = weighted.shape[-1] // step
    if n_steps < _STEPS_A_BLOCK:
        return float("-inf")
    squares = np.sum(weighted[:, : n_steps * step] ** 2, axis=0).reshape(n_steps, step).sum(axis=1)
    running = np.concatenate(([0.0], np.cumsum(squares)))
    power = (running[_STEPS_A_BLOCK:] - running[:-_STEPS_A_BLOCK]) / (_STEPS_A_BLOCK * step)
    power = power[_level(power) > _ABSOLUTE_GATE]
    if not power.size:
        return float("-inf")
    gate = _level(np.mean(power)) + _RELATIVE_GATE
    return float(_level(np.mean(power[_level(power) > gate])))


def true_peak_db(signal: FloatArray) -> float:
    """Return the peak between samples too, four times oversampled, in dB re full scale."""
    from scipy.signal import resample_poly

    highest = np.abs(resample_poly(signal, _OVERSAMPLING, 1, axis=-1)).max()
    return float(20 * np.log10(max(highest, np.abs(signal).max(), 1e-9)))


def _level(power: FloatArray | np.floating) -> FloatArray:
    return np.asarray(_OFFSET_DB + 10 * np.log10(np.maximum(power, 1e-30)))
