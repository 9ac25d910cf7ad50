# SPDX-License-Identifier: GPL-3.0-or-later
"""Impulse responses in WAV files."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from scipy.io import wavfile

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import InputError, invalid

_FEWEST_SAMPLES: Final = 32


@dataclass(frozen=True, eq=False)
class Recording:
    """What a WAV file holds.

    Attributes
    ----------
    path : Path
        The file.
    rate_hz : float
        Samples a second.
    samples : (n_channels, n_samples) array
        Re full scale.
    """

    path: Path
    rate_hz: float
    samples: FloatArray


def read_recording(path: Path) -> Recording:
    """Read a WAV file of integers or floats.

    Raises
    ------
    InputError
        If it cannot be read, was cut short, or holds no signal.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", wavfile.WavFileWarning)
            # Programs keep remarks of their own in further chunks.
            warnings.filterwarnings("ignore", r"Chunk \(non-data\)", wavfile.WavFileWarning)
            rate, data = wavfile.read(path)
    except OSError as error:
        rule = f"a file that can be read ({error.strerror or error})"
        raise InputError(invalid("recording", path, rule)) from error
    except wavfile.WavFileWarning as error:
        rule = "a whole WAV file: it ends before its own header says, and seems to be cut short"
        raise InputError(invalid("recording", path, rule)) from error
    except Exception as error:  # whatever a damaged header leads the reader to
        rule = f"a whole WAV file ({error})"
        raise InputError(invalid("recording", path, rule)) from error
    samples = np.atleast_2d(data.T).astype(float)
    if data.dtype.kind == "u":
        samples = samples / 128 - 1
    elif data.dtype.kind == "i":
        samples = samples / 2.0 ** (8 * data.dtype.itemsize - 1)
    if samples.shape[1] < _FEWEST_SAMPLES:
        rule = f"one with at least {_FEWEST_SAMPLES} samples; it has {samples.shape[1]}"
        raise InputError(invalid("recording", path, rule))
    if not np.isfinite(samples).all():
        raise InputError(invalid("recording", path, "one with finite numbers only"))
    silent = [i + 1 for i, channel in enumerate(samples) if not channel.any()]
    if silent:
        rule = f"one with a signal in every channel; channel {silent[0]} has none"
        raise InputError(invalid("recording", path, rule))
    return Recording(path=path, rate_hz=float(rate), samples=samples)


def require_alike(recordings: list[Recording]) -> None:
    """Refuse recordings whose sampling rate, length or channels are not those of most.

    Raises
    ------
    InputError
        One line for each that differs.
    """
    faults = []
    for what, unit, values in (
        ("sampling rate", " Hz", [recording.rate_hz for recording in recordings]),
        ("number of channels", "", [float(len(r.samples)) for r in recordings]),
        ("length", " samples", [float(r.samples.shape[1]) for r in recordings]),
    ):
        kinds, counts = np.unique(values, return_counts=True)
        usual = float(kinds[::-1][np.argmax(counts[::-1])])
        for recording, value in zip(recordings, values, strict=True):
            if value == usual:
                continue
            rule = f"{usual:g}{unit}, as in the other files"
            if what == "length" and value < usual:
                rule += ": it seems to be cut short"
            faults.append(f"{recording.path}: {invalid(what, f'{value:g}{unit}', rule)}")
    if faults:
        raise InputError(faults)
