# SPDX-License-Identifier: GPL-3.0-or-later
"""From impulse responses to spectra: onset, gate, noise floor, later arrivals.

A gate of the length T tells nothing below 1/T: there is less than one period in it (common
practice, no source). Spectra are for exp(+j omega t), as all that comes from recordings.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import ndimage, signal

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.mockup.measurement.smoothing import smoothed_power

LONGEST_GATE_S: Final = 0.02
_ONSET_RE_PEAK: Final = 0.1  # -20 dB, common practice, no source
_ONSET_RE_NOISE: Final = 5.0
_EARLIEST_ARRIVAL_S: Final = 1.5e-3  # a cabinet's own edges answer within about that
_ARRIVAL_RISE_S: Final = 0.35e-3
_ARRIVAL_OVER_BEFORE_DB: Final = 9.0
_ARRIVAL_OVER_NOISE_DB: Final = 12.0
_LEAST_ARRIVAL_DB: Final = -45.0
_ENVELOPE_S: Final = 0.1e-3
_FADE_SHARE: Final = 0.25
_MOST_NOISE_PARTS: Final = 16


@dataclass(frozen=True, kw_only=True)
class Gate:
    """What of a response is used, relative to its onset.

    Attributes
    ----------
    before_s : float
        Begins so long before the onset, with half a Hann window as fade.
    length_s : float
        Ends so long after the onset.
    fade_s : float
        Length of the half Hann window at the end.
    """

    before_s: float
    length_s: float
    fade_s: float

    @property
    def lowest_valid_hz(self) -> float:
        """Limit 1/T, T being the time from the onset to the end."""
        return 1 / self.length_s

    def window(self, time_s: FloatArray) -> FloatArray:
        """Return the weight at times relative to the onset."""
        rise = np.clip((time_s + self.before_s) / self.before_s, 0, 1)
        fall = np.ones_like(rise)
        if self.fade_s > 0:
            fall = np.clip((self.length_s - time_s) / self.fade_s, 0, 1)
        inside = (time_s >= -self.before_s) & (time_s <= self.length_s)
        half_windows = np.sin(np.pi / 2 * rise) ** 2 * np.sin(np.pi / 2 * fall) ** 2
        return np.asarray(np.where(inside, half_windows, 0.0))


@dataclass(frozen=True)
class LaterArrival:
    """A later arrival: how long after the direct sound, and its level re that in dB."""

    delay_s: float
    level_db: float


def gate_of(
    length_s: float | None, before_s: float, fade_s: float | None, arrival: LaterArrival | None
) -> Gate:
    """Return the gate; without a length it ends where the first later arrival begins to rise."""
    if length_s is None:
        length_s = LONGEST_GATE_S
        if arrival is not None:
            length_s = min(length_s, arrival.delay_s - _ARRIVAL_RISE_S)
    fade = _FADE_SHARE * length_s if fade_s is None else min(fade_s, length_s)
    return Gate(before_s=before_s, length_s=length_s, fade_s=fade)


def onsets_s(responses: FloatArray, rate_hz: float) -> FloatArray:
    """Return when each response first passes a tenth of its largest magnitude, in s.

    Parameters
    ----------
    responses : (..., n_samples) array
        Impulse responses.
    rate_hz : float
        Sampling rate.

    Returns
    -------
    (...) array
        Onsets, straight between samples. Where noise passes that level, the first time that
        five times its rms is passed.
    """
    size = np.abs(responses)
    peak = size.max(axis=-1, keepdims=True)
    tail = responses[..., -max(responses.shape[-1] // 5, 1) :]
    noise = np.sqrt(np.mean(tail**2, axis=-1, keepdims=True))
    threshold = np.minimum(np.maximum(_ONSET_RE_PEAK * peak, _ONSET_RE_NOISE * noise), 0.9 * peak)
    first = np.argmax(size >= threshold, axis=-1)
    before = np.maximum(first - 1, 0)
    at = np.take_along_axis(size, first[..., np.newaxis], axis=-1)[..., 0]
    earlier = np.take_along_axis(size, before[..., np.newaxis], axis=-1)[..., 0]
    rise = at - earlier
    share = np.where(rise > 0, (threshold[..., 0] - earlier) / np.where(rise > 0, rise, 1.0), 1.0)
    return np.asarray((before + np.clip(share, 0, 1) * (first > before)) / rate_hz)


def spectra(
    responses: FloatArray,
    rate_hz: float,
    onset_s: FloatArray,
    gate: Gate,
    frequencies_hz: FloatArray,
    zero_s: FloatArray | float,
) -> ComplexArray:
    """Return gated spectra at any frequencies, for exp(+j omega t).

    Parameters
    ----------
    responses : (n, n_samples) array
        Impulse responses.
    rate_hz : float
        Sampling rate.
    onset_s : (n,) array
        Where each gate is put.
    gate : Gate
        The gate.
    frequencies_hz : (n_frequencies,) array
        Frequencies in Hz.
    zero_s : (n,) array or float
        The time that phases are counted from.

    Returns
    -------
    (n, n_frequencies) array
        The Fourier sums, not divided by the sampling rate.
    """
    rows = np.arange(len(responses))
    return _spectra(responses, rows, rate_hz, onset_s, gate, frequencies_hz, zero_s)


def _spectra(
    responses: FloatArray,
    rows: IntArray,
    rate_hz: float,
    onset_s: FloatArray,
    gate: Gate,
    frequencies_hz: FloatArray,
    zero_s: FloatArray | float,
) -> ComplexArray:
    """Return the spectrum of a gate at each onset, of the response that `rows` says."""
    length = int(np.ceil((gate.before_s + gate.length_s) * rate_hz)) + 2
    start = np.floor((onset_s - gate.before_s) * rate_hz).astype(int)
    index = start[:, np.newaxis] + np.arange(length)
    there = (index >= 0) & (index < responses.shape[-1])
    taken = responses[rows[:, np.newaxis], np.clip(index, 0, responses.shape[-1] - 1)]
    gated = taken * there * gate.window(index / rate_hz - onset_s[:, np.newaxis])
    turn = 2 * np.pi / rate_hz * np.outer(np.arange(length), frequencies_hz)
    sums = gated @ np.cos(turn) - 1j * (gated @ np.sin(turn))
    moved = start / rate_hz - np.broadcast_to(np.asarray(zero_s, dtype=float), start.shape)
    return np.asarray(sums * np.exp(-2j * np.pi * np.outer(moved, frequencies_hz)))


def noise_floor(
    recordings: FloatArray,
    rate_hz: float,
    from_s: FloatArray | float,
    gate: Gate,
    frequencies_hz: FloatArray,
) -> FloatArray | None:
    """Return what the same gate finds in parts without signal, as a magnitude.

    Parameters
    ----------
    recordings : (n, n_samples) array
        Impulse responses whose tail is noise, or recordings of noise alone.
    rate_hz : float
        Sampling rate.
    from_s : (n,) array or float
        Where the noise begins.
    gate : Gate
        The gate that the signal goes through.
    frequencies_hz : (n_frequencies,) array
        Frequencies in Hz.

    Returns
    -------
    (n, n_frequencies) array or None
        Root mean square over the gates that fit, half overlapping, and over a third-octave;
        None if not even one fits.
    """
    span = gate.before_s + gate.length_s
    first = float(np.max(from_s)) + gate.before_s
    last = recordings.shape[-1] / rate_hz - gate.length_s
    if last < first:
        return None
    # The latest ones, where a room's own decay counts least.
    places = np.arange(last, first - 1e-9, -span / 2)[:_MOST_NOISE_PARTS]
    count = len(recordings)
    rows, onsets = np.tile(np.arange(count), len(places)), np.repeat(places, count)
    found = _spectra(recordings, rows, rate_hz, onsets, gate, frequencies_hz, 0.0)
    power = np.mean(np.abs(found.reshape(len(places), count, -1)) ** 2, axis=0)
    return np.asarray(np.sqrt(smoothed_power(frequencies_hz, np.sqrt(power), 3)))


def later_arrival(
    responses: FloatArray, rate_hz: float, onset_s: FloatArray, until_s: float = LONGEST_GATE_S
) -> LaterArrival | None:
    """Return the first clear arrival after the direct sound, in the mean over responses.

    An arrival is a peak of the mean envelope, later than 1.5 ms, that stands 9 dB over the
    millisecond before it and 12 dB over the noise (common practice, no source).

    Parameters
    ----------
    responses : (n, n_samples) array
        Responses with strong direct sound.
    rate_hz : float
        Sampling rate.
    onset_s : (n,) array
        Onset of each.
    until_s : float
        How long after the onset is looked.
    """
    envelope = np.abs(signal.hilbert(responses, axis=-1)) ** 2
    length = int(until_s * rate_hz)
    start = np.round(onset_s * rate_hz).astype(int)
    index = np.minimum(start[:, np.newaxis] + np.arange(length), responses.shape[-1] - 1)
    taken = np.take_along_axis(envelope, index, axis=-1)
    taken = taken / taken.max(axis=-1, keepdims=True)
    mean = ndimage.uniform_filter1d(taken.mean(axis=0), max(int(_ENVELOPE_S * rate_hz), 1))
    level = 10 * np.log10(np.maximum(mean / mean.max(), 1e-12))
    tail = envelope[:, -max(responses.shape[-1] // 10, 1) :].mean(axis=-1)
    noise = 10 * np.log10(max(float(np.mean(tail / envelope.max(axis=-1))), 1e-12))
    window = int(1e-3 * rate_hz)
    gap = int(_ARRIVAL_RISE_S * rate_hz)
    first, *_ = signal.find_peaks(level)
    for peak in first:
        if peak < _EARLIEST_ARRIVAL_S * rate_hz or level[peak] < _LEAST_ARRIVAL_DB:
            continue
        before = float(np.median(level[max(peak - gap - window, 0) : max(peak - gap, 1)]))
        if level[peak] < max(before + _ARRIVAL_OVER_BEFORE_DB, noise + _ARRIVAL_OVER_NOISE_DB):
            continue
        # The peak of this arrival, not the first ripple of its rise.
        top = peak + int(np.argmax(level[peak : peak + gap]))
        return LaterArrival(delay_s=top / rate_hz, level_db=float(level[top]))
    return None
