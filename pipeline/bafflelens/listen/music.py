# SPDX-License-Identifier: GPL-3.0-or-later
"""What is played: a user's stereo file, or a short invented test signal."""

from __future__ import annotations

from math import gcd
from pathlib import Path
from typing import Final

import numpy as np
import soundfile
from scipy.signal import butter, lfilter, resample_poly, sosfilt

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.listen.spectra import RATE_HZ

RATES_HZ: Final = (44_100, 48_000, 88_200, 96_000)
SHORTEST_S: Final = 1.0
LONGEST_S: Final = 600.0
INVENTED: Final = "invented test signal: clicks, filtered noise, plucked strings"

_PLUCKED_HZ: Final = (196.0, 246.94, 293.66, 392.0, 293.66, 493.88)


def read_music(path: Path) -> FloatArray:
    """Return a stereo file at 48 kHz, (2, n_samples).

    Raises
    ------
    InputError
        If it is no audio, has other than two channels, another rate, or is empty or too long.
    """
    if not path.is_file():
        raise InputError(invalid("music", path, "an audio file that is there"))
    try:
        with soundfile.SoundFile(path) as file:
            channels, rate, frames = file.channels, file.samplerate, file.frames
            _check(path, channels, rate, frames)
            signal = file.read(dtype="float64", always_2d=True).T
    except soundfile.LibsndfileError as error:
        rule = f"an audio file (WAV, FLAC, OGG, MP3) that can be read ({error.error_string})"
        raise InputError(invalid("music", path, rule)) from error
    if not np.isfinite(signal).all() or not np.abs(signal).max() > 0:
        raise InputError(invalid("music", path, "one with finite numbers that is not silent"))
    if rate == RATE_HZ:
        return np.asarray(signal)
    common = gcd(RATE_HZ, rate)
    return np.asarray(resample_poly(signal, RATE_HZ // common, rate // common, axis=-1))


def _check(path: Path, channels: int, rate: int, frames: int) -> None:
    if channels != 2:
        rule = "two: a stereo file"
        msg = f"{path}: {invalid('number of channels', channels, rule)}"
        raise InputError(msg)
    if rate not in RATES_HZ:
        rule = "one of " + ", ".join(f"{value}" for value in RATES_HZ)
        msg = f"{path}: {invalid('sampling rate in Hz', rate, rule)}"
        raise InputError(msg)
    if not SHORTEST_S <= frames / rate <= LONGEST_S:
        rule = f"from {SHORTEST_S:g} to {LONGEST_S:g}"
        msg = f"{path}: {invalid('length in s', f'{frames / rate:.2g}', rule)}"
        raise InputError(msg)


def invented_music(seconds: float = 12.0, seed: int = 7) -> FloatArray:
    """Return an invented test signal, (2, n_samples): nobody's music, the same every time.

    A third each: clicks that wander from left to right, bursts of noise in octaves, plucked
    strings (K. Karplus and A. Strong, Computer Music Journal 7 (1983) 43-55).
    """
    generator = np.random.default_rng(seed)
    third = int(RATE_HZ * seconds / 3)
    return np.concatenate(
        [
            _clicks(third),
            _bursts(third, generator),
            _strings(third, generator),
        ],
        axis=1,
    )


def _clicks(length: int) -> FloatArray:
    found = np.zeros((2, length))
    starts = np.arange(RATE_HZ // 8, length - RATE_HZ // 8, RATE_HZ // 4)
    for number, start in enumerate(starts):
        share = number / max(len(starts) - 1, 1)
        found[:, start] = 0.9 * np.cos(np.pi / 2 * np.array([share, 1 - share]))
    sections = butter(2, [200, 16_000], "bandpass", fs=RATE_HZ, output="sos")
    return np.asarray(sosfilt(sections, found, axis=-1))


def _bursts(length: int, generator: np.random.Generator) -> FloatArray:
    found = np.zeros((2, length))
    octaves_hz = (250, 500, 1000, 2000, 4000, 8000)
    each = length // len(octaves_hz)
    ramp = np.minimum(1, np.arange(each) / (0.02 * RATE_HZ))
    shape = np.minimum(ramp, ramp[::-1]) * (np.arange(each) < 0.7 * each)
    for number, centre in enumerate(octaves_hz):
        edges = [centre / np.sqrt(2), centre * np.sqrt(2)]
        sections = butter(2, edges, "bandpass", fs=RATE_HZ, output="sos")
        noise = sosfilt(sections, generator.standard_normal((2, each)), axis=-1)
        part = slice(number * each, (number + 1) * each)
        found[:, part] = 0.12 * shape * noise / noise.std()
    return found


def _strings(length: int, generator: np.random.Generator) -> FloatArray:
    found = np.zeros((2, length))
    step = length // len(_PLUCKED_HZ)
    for number, frequency in enumerate(_PLUCKED_HZ):
        start = number * step
        string = _plucked(frequency, length - start, generator)
        share = number / (len(_PLUCKED_HZ) - 1)
        found[0, start:] += 0.3 * np.cos(np.pi / 2 * share) * string
        found[1, start:] += 0.3 * np.sin(np.pi / 2 * share) * string
    return found


def _plucked(frequency_hz: float, length: int, generator: np.random.Generator) -> FloatArray:
    period = round(RATE_HZ / frequency_hz)
    pluck = np.zeros(length)
    count = min(period, length)
    pluck[:count] = generator.uniform(-1, 1, count)
    loop = np.zeros(period + 2)
    loop[0], loop[period], loop[period + 1] = 1, -0.498, -0.498
    string = lfilter([1.0], loop, pluck)
    return np.asarray(string / np.abs(string).max())


def band_noise(seconds: float = 5.0, band_hz: tuple[float, float] = (500.0, 2000.0)) -> FloatArray:
    """Return pink noise in a band, the same in both channels, (2, n_samples)."""
    length = int(RATE_HZ * seconds)
    spectrum = np.fft.rfft(np.random.default_rng(3).standard_normal(length))
    frequency = np.fft.rfftfreq(length, 1 / RATE_HZ)
    inside = (frequency >= band_hz[0]) & (frequency <= band_hz[1])
    pink = np.where(inside, spectrum / np.sqrt(np.maximum(frequency, 1.0)), 0)
    noise = np.fft.irfft(pink, n=length)
    return np.tile(0.1 * noise / noise.std(), (2, 1))
