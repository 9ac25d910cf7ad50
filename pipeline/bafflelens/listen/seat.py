# SPDX-License-Identifier: GPL-3.0-or-later
"""What lies between a loudspeaker and two ears: the same for every shape, so made once.

Early sound comes from images (`bafflelens.listen.room`), late sound decays as in a diffuse
field. One takes over from the other a stated time after the direct sound.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.base.medium import Air
from bafflelens.listen.head import ListenerHead
from bafflelens.listen.room import OCTAVES_HZ, Enclosure, Images, images_of
from bafflelens.listen.spectra import (
    RATE_HZ,
    bins_hz,
    delayed,
    log_minimum_phase,
    octave_curve,
)

BASE: Final = 96
"""Samples before the direct sound: what a response holds that is earlier is not causal."""

_OVERLAP_S: Final = 0.01  # over which late sound takes over
_LONGEST_S: Final = 3.0
_SEED: Final = 1  # the same noise for every shape


@dataclass(frozen=True, kw_only=True, eq=False)
class Seat:
    """Ways from a pair of loudspeakers to the ears of the seat.

    Attributes
    ----------
    images : Images
        Of the left loudspeaker; those of the right are their mirror images.
    sound_speed : float
        In m/s.
    air_path : (n_images, n_bins) complex array
        What spreading, surfaces and air do to each, its fraction of a sample of delay included.
    head : (n_loudspeakers, n_images, 2, n_bins) complex array
        What the head does to each.
    start : (n_images,) int array
        Sample at which each begins; the direct sound begins at `BASE`.
    late : (n_loudspeakers, 2, n_samples) array
        Late sound at both ears for a loudspeaker with unit mean square over the sphere.
    decay_s : (n_octaves,) array
        Reverberation time in the octaves of `bafflelens.listen.room.OCTAVES_HZ`.
    """

    images: Images
    sound_speed: float
    air_path: ComplexArray
    head: ComplexArray
    start: IntArray
    late: FloatArray
    decay_s: FloatArray


def seat_in(
    enclosure: Enclosure, air: Air, head: ListenerHead, *, images_s: float, loudspeakers: int = 2
) -> Seat:
    """Return the ways from the loudspeakers to the ears.

    Parameters
    ----------
    enclosure : Enclosure
        The room.
    air : Air
        Sets delays and what high frequencies lose on the way.
    head : Head
        Looks straight at the wall behind the loudspeakers.
    images_s : float
        How long after the direct sound images are replaced by late sound, in s.
    loudspeakers : int
        1 or 2.
    """
    speed = air.sound_speed
    direct_m = float(np.linalg.norm(enclosure.ear_m - enclosure.tweeter_m))
    images = images_of(enclosure, direct_m + speed * (images_s + _OVERLAP_S / 2))
    position = BASE + (images.length_m - direct_m) / speed * RATE_HZ
    start = np.floor(position).astype(int)
    fade = _fade_in((images.length_m - direct_m) / speed, images_s)
    amplitude = np.sqrt(1 - fade**2) / images.length_m
    path = _path_spectra(enclosure, air, images) * amplitude[:, np.newaxis]
    azimuth, elevation = images.head_azimuth_deg, images.head_elevation_deg
    sides = (azimuth, -azimuth)[:loudspeakers]
    covariance = head.diffuse()
    return Seat(
        images=images,
        sound_speed=speed,
        air_path=delayed(path, position - start),
        head=np.stack([head.at(side, elevation).astype(np.complex64) for side in sides]),
        start=start,
        late=np.stack(
            [
                _late(enclosure, air, covariance, direct_m / speed, images_s, number)
                for number in range(loudspeakers)
            ]
        ),
        decay_s=decay_s(enclosure, air),
    )


def decay_s(enclosure: Enclosure, air: Air) -> FloatArray:
    """Return the reverberation time in each octave, in s: 24 ln(10) V / (c A), after Sabine."""
    area = enclosure.absorption_area_m2(np.array(OCTAVES_HZ), air)
    return np.asarray(24 * np.log(10) * enclosure.volume_m3 / (air.sound_speed * area))


def _fade_in(after_direct_s: FloatArray, images_s: float) -> FloatArray:
    """Return how much of the amplitude is late sound's, so that powers add up to one."""
    share = np.clip((after_direct_s - images_s) / _OVERLAP_S + 0.5, 0, 1)
    return np.asarray(np.sin(np.pi / 2 * share))


def _path_spectra(enclosure: Enclosure, air: Air, images: Images) -> ComplexArray:
    """Return what surfaces and air do, with the least delay that such a loss has."""
    frequency = bins_hz()
    reflected = 0.5 * np.log1p(-enclosure.absorption_at(frequency))
    a_metre = -air.absorption(frequency) / (20 * np.log10(np.e))
    logarithms = log_minimum_phase(np.concatenate((reflected, a_metre[np.newaxis])))
    return np.asarray(
        np.exp(images.hits @ logarithms[:-1] + images.length_m[:, np.newaxis] * logarithms[-1])
    )


def _late(
    enclosure: Enclosure,
    air: Air,
    covariance: ComplexArray,
    flight_s: float,
    images_s: float,
    number: int,
) -> FloatArray:
    r"""Return late sound at both ears, (2, n_samples).

    Notes
    -----
    A source of sound power W that stops at time 0 leaves the diffuse mean square pressure
    :math:`4 \rho c W / A \; e^{-c A t / (4 V)}` (Sabine; H. Kuttruff, Room Acoustics, chapter 5,
    from memory); an impulse leaves minus its slope. With Q the mean square of the far field over
    the sphere, :math:`\rho c W = 4 \pi Q`, that is
    :math:`4 \pi Q c / V \; e^{-c A t / (4 V)}`. Both ears together get it from everywhere: their
    covariance is that of the head.
    """
    frequency_hz, decay = np.array(OCTAVES_HZ), decay_s(enclosure, air)
    length = int(RATE_HZ * min(_LONGEST_S, images_s + 1.2 * decay.max() + 0.1))
    noise = np.random.default_rng((_SEED, number)).standard_normal((2, length))
    spectrum = np.fft.rfft(noise, axis=-1)
    bins = np.asarray(np.fft.rfftfreq(length, 1 / RATE_HZ), dtype=float)
    spectrum = (_root(covariance, bins) * spectrum).sum(axis=1)
    time = (np.arange(length) - BASE) / RATE_HZ
    emitted = time + flight_s
    found = np.zeros((2, length))
    for share, reverberation in zip(_bands(frequency_hz, bins), decay, strict=True):
        part = np.fft.irfft(spectrum * share, n=length, axis=-1)
        found += part * 10 ** (-3 * emitted / reverberation)
    density = 4 * np.pi * air.sound_speed / enclosure.volume_m3 / RATE_HZ
    return np.asarray(found * _fade_in(time, images_s) * np.sqrt(density))


def _root(covariance: ComplexArray, bins: FloatArray) -> ComplexArray:
    """Return the square root of the ears' covariance on other bins, (2, 2, n_bins)."""
    values, vectors = np.linalg.eigh(covariance)
    root = np.einsum("bij,bj,bkj->bik", vectors, np.sqrt(np.maximum(values, 0)), vectors.conj())
    own = bins_hz()
    return np.array(
        [
            [
                np.interp(bins, own, root[:, i, j].real)
                + 1j * np.interp(bins, own, root[:, i, j].imag)
                for j in range(2)
            ]
            for i in range(2)
        ]
    )


def _bands(octaves_hz: FloatArray, bins: FloatArray) -> FloatArray:
    """Return how bins are shared out between octaves, (n_octaves, n_bins); the sum is 1."""
    unit = np.eye(len(octaves_hz))
    return np.stack([octave_curve(octaves_hz, row, bins) for row in unit])
