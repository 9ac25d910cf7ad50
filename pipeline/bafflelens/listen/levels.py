# SPDX-License-Identifier: GPL-3.0-or-later
"""Versions made equally loud, with nothing clipped."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.listen.loudness import loudness_lufs, true_peak_db

WANTED_LUFS: Final = -23.0
"""EBU R 128's level of programme; leaves room for peaks."""
HIGHEST_PEAK_DB: Final = -1.0


@dataclass(frozen=True, kw_only=True)
class Level:
    """How loud a version is as written.

    Attributes
    ----------
    gain_db : float
        By how much it was changed.
    loudness_lufs, peak_db : float
        After that; the peak is one between samples, re full scale.
    noise_db : float
        Loudness of pink noise from 500 Hz to 2 kHz played alike, re the mean of all versions:
        how much another way of matching would have changed.
    """

    gain_db: float
    loudness_lufs: float
    peak_db: float
    noise_db: float


def matched(
    signals: Sequence[FloatArray], noises: Sequence[FloatArray]
) -> tuple[tuple[float, ...], tuple[Level, ...]]:
    """Return the gain of each version, as a factor, and its level after that.

    Parameters
    ----------
    signals : sequence of (2, n_samples) array
        Each version of the music at the ears.
    noises : sequence of (2, n_samples) array
        Each version of a band of noise.

    Raises
    ------
    InputError
        If one is too quiet throughout to have a loudness.
    """
    loudness = np.array([loudness_lufs(signal) for signal in signals])
    if not np.isfinite(loudness).all():
        rule = "longer than 0.4 s and louder than -70 LUFS at the seat"
        raise InputError(invalid("music", "too quiet or too short", rule))
    peaks = np.array([true_peak_db(signal) for signal in signals])
    wanted = min(WANTED_LUFS, float(np.min(HIGHEST_PEAK_DB - peaks + loudness)))
    gains = wanted - loudness
    noise = np.array([loudness_lufs(signal) for signal in noises]) + gains
    levels = tuple(
        Level(
            gain_db=float(gain),
            loudness_lufs=float(loud + gain),
            peak_db=float(peak + gain),
            noise_db=float(band - noise.mean()),
        )
        for gain, loud, peak, band in zip(gains, loudness, peaks, noise, strict=True)
    )
    return tuple(float(10 ** (gain / 20)) for gain in gains), levels
