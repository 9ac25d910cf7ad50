# SPDX-License-Identifier: GPL-3.0-or-later
"""A head between its measured directions: magnitudes and arrival times, each interpolated alone.

Impulse responses that are simply averaged cancel where their arrivals are not in step. So each
is taken apart into a magnitude, which with its minimum phase is what an ear hears in place, and
the time at which it arrives.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial import ConvexHull

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray, direction_vectors
from bafflelens.listen.head_file import HeadResponses
from bafflelens.listen.spectra import BLOCK, RATE_HZ, bins_hz, delayed, minimum_phase

_ONSET_FINENESS: Final = 8  # steps a sample
_LOWEST_HZ: Final = 200.0  # below, a head hardly changes a field, and small rooms blur its measure
_TIMED_HZ: Final = 3000.0  # the phase below it is what tells the time
_JUDGED_HZ: Final = (200.0, 12_000.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class ListenerHead:
    """A head whose diffuse-field response is taken out.

    Attributes
    ----------
    name : str
        Where it comes from.
    vectors : (n_directions, 3) array
        Measured directions.
    magnitude : (n_directions, 2, n_bins) array
        Left and right ear, re the mean power of both over all directions.
    delay_samples : (n_directions, 2) array
        When the sound arrives, re the middle of the head.
    triangles : (n_triangles, 3) int array
        Measured directions that are neighbours.
    weight : (n_directions,) array
        Share of the sphere that each stands for; the sum is 1.
    """

    name: str
    vectors: FloatArray
    magnitude: FloatArray
    delay_samples: FloatArray
    triangles: IntArray
    weight: FloatArray

    def between(
        self, azimuth_deg: FloatArray, elevation_deg: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return magnitude (n, 2, n_bins) and delay (n, 2) in samples in any directions."""
        wanted = direction_vectors(np.asarray(azimuth_deg), np.asarray(elevation_deg))
        numbers, shares = _barycentric(self.vectors, self.triangles, wanted)
        magnitude = np.einsum("nt,nteb->neb", shares, self.magnitude[numbers])
        delay = np.einsum("nt,nte->ne", shares, self.delay_samples[numbers])
        return magnitude, delay

    def at(self, azimuth_deg: FloatArray, elevation_deg: FloatArray) -> ComplexArray:
        """Return the transfer functions in any directions, (n, 2, n_bins)."""
        magnitude, delay = self.between(azimuth_deg, elevation_deg)
        return delayed(minimum_phase(magnitude), delay)

    def diffuse(self) -> ComplexArray:
        """Return the covariance of both ears in a diffuse field, (n_bins, 2, 2)."""
        field = delayed(minimum_phase(self.magnitude), self.delay_samples)
        return np.asarray(np.einsum("d,deb,dfb->bef", self.weight, field, field.conj()))


@dataclass(frozen=True, kw_only=True)
class DirectionError:
    """What interpolation between directions is off by, each left out in turn.

    Attributes
    ----------
    level_db : float
        Root mean square of the third-octave levels of both ears, 200 Hz to 12 kHz.
    time_us : float
        Root mean square of the difference between the ears, in microseconds.
    n_directions : int
        How many were left out.
    """

    level_db: float
    time_us: float
    n_directions: int


def head_of(responses: HeadResponses) -> ListenerHead:
    """Return a head from measured responses.

    The mean power of both ears over all directions is divided out. So what a pair of
    headphones does that is itself equalised for the diffuse field is not done twice, and nor is
    what the loudspeaker of the measurement did.
    """
    vectors = direction_vectors(responses.azimuth_deg, responses.elevation_deg)
    _, kept = np.unique(np.round(vectors, 6), axis=0, return_index=True)
    kept = np.sort(kept)
    vectors, impulses = vectors[kept], responses.responses[kept]
    spectrum = np.fft.rfft(impulses[..., :BLOCK], n=BLOCK, axis=-1)
    hull = ConvexHull(vectors)
    weight = _shares_of_the_sphere(vectors, hull.simplices)
    magnitude = np.abs(spectrum)
    power = np.einsum("d,deb->b", weight, magnitude**2) / 2
    magnitude = magnitude / np.sqrt(np.maximum(power, power.max() * 1e-9))
    low = int(np.searchsorted(bins_hz(), _LOWEST_HZ))
    magnitude[..., :low] = magnitude[..., low : low + 1]
    delay = _arrivals(spectrum, minimum_phase(np.abs(spectrum)))
    return ListenerHead(
        name=responses.name,
        vectors=vectors,
        magnitude=magnitude,
        delay_samples=delay - delay.mean(),
        triangles=hull.simplices.astype(np.int64),
        weight=weight,
    )


def left_out(head: ListenerHead, every: int = 7) -> DirectionError:
    """Leave measured directions out, one at a time, and tell them from their neighbours.

    The lowest ring and what is below has no neighbours on one side and is not judged.
    """
    lowest = head.vectors[:, 2].min()
    chosen = np.flatnonzero(head.vectors[:, 2] > lowest + 1e-3)[::every]
    bands = _third_octaves(head.magnitude.shape[-1])
    levels, times = [], []
    for number in chosen:
        triangles = _around(head, int(number))
        numbers, shares = _barycentric(head.vectors, triangles, head.vectors[[number]])
        guess = np.einsum("t,teb->eb", shares[0], head.magnitude[numbers[0]])
        true = head.magnitude[number]
        levels.append(10 * np.log10((guess**2 @ bands) / (true**2 @ bands)))
        delay = shares[0] @ head.delay_samples[numbers[0]] - head.delay_samples[number]
        times.append(1e6 * (delay[0] - delay[1]) / RATE_HZ)
    return DirectionError(
        level_db=float(np.sqrt(np.mean(np.square(levels)))),
        time_us=float(np.sqrt(np.mean(np.square(times)))),
        n_directions=len(chosen),
    )


def _around(head: ListenerHead, number: int) -> IntArray:
    """Return triangles over the hole that a direction leaves, from its neighbours."""
    near = np.unique(head.triangles[(head.triangles == number).any(axis=1)])
    near = near[near != number]
    # Seen from above the direction, neighbours are in the plane: any triangle of three of them
    # that holds it will do, the smallest first.
    centre = head.vectors[number]
    found = []
    for a in range(len(near)):
        for b in range(a + 1, len(near)):
            for c in range(b + 1, len(near)):
                corners = head.vectors[near[[a, b, c]]]
                if abs(np.linalg.det(corners)) < 1e-9:
                    continue
                share = np.linalg.solve(corners.T, centre)
                if share.min() >= -1e-9:
                    size = np.linalg.norm(corners - centre, axis=1).max()
                    found.append((size, near[[a, b, c]]))
    if not found:  # the direction is outside all of them: the nearest three
        order = np.argsort(np.linalg.norm(head.vectors[near] - centre, axis=1))
        return np.asarray(near[order[:3]][np.newaxis], dtype=np.int64)
    return np.asarray(min(found, key=lambda item: item[0])[1])[np.newaxis].astype(np.int64)


def _barycentric(
    vectors: FloatArray,
    triangles: IntArray,
    wanted: FloatArray,
) -> tuple[IntArray, FloatArray]:
    """Return the corners (n, 3) of the triangle that each direction meets, and their shares."""
    corners = vectors[triangles]  # (n_triangles, 3 corners, 3)
    inverse = np.linalg.inv(np.transpose(corners, (0, 2, 1)))
    shares = np.einsum("tij,nj->nti", inverse, wanted)
    best = np.argmax(shares.min(axis=2), axis=1)
    chosen = np.maximum(shares[np.arange(len(wanted)), best], 0.0)
    return triangles[best], chosen / chosen.sum(axis=1, keepdims=True)


def _shares_of_the_sphere(vectors: FloatArray, triangles: IntArray) -> FloatArray:
    """Return the share of the sphere of each direction: a third of the triangles around it."""
    a, b, c = (vectors[triangles[:, corner]] for corner in range(3))
    # A. van Oosterom and J. Strackee, IEEE Trans. Biomed. Eng. 30 (1983) 125-126.
    triple = np.abs(np.einsum("td,td->t", a, np.cross(b, c)))
    below = 1 + np.sum(a * b, axis=1) + np.sum(b * c, axis=1) + np.sum(c * a, axis=1)
    angle = 2 * np.arctan2(triple, below)
    share = np.zeros(len(vectors))
    for corner in range(3):
        np.add.at(share, triangles[:, corner], angle / 3)
    return np.asarray(share / share.sum())


def _arrivals(spectrum: ComplexArray, least: ComplexArray) -> FloatArray:
    """Return by how many samples responses (..., n_bins) come after their minimum phase.

    The peak of the cross-correlation of both, below `_TIMED_HZ`: J. Nam, M. A. Kolar and
    J. S. Abel, Audio Engineering Society convention paper 7612 (2008; from memory).
    """
    low = bins_hz() < _TIMED_HZ
    cross = np.where(low, spectrum * least.conj(), 0)
    size = BLOCK * _ONSET_FINENESS
    correlation = np.fft.irfft(cross, n=size, axis=-1)
    peak = np.argmax(correlation, axis=-1)
    return np.asarray(np.where(peak > size // 2, peak - size, peak) / _ONSET_FINENESS)


def _third_octaves(n_bins: int) -> FloatArray:
    """Return which bins lie in which third-octave, (n_bins, n_bands)."""
    frequency = bins_hz(2 * (n_bins - 1))
    low, high = _JUDGED_HZ
    count = int(np.floor(3 * np.log2(high / low)))
    edges = low * 2 ** (np.arange(count + 1) / 3)
    above = frequency[:, np.newaxis]
    return ((above >= edges[:-1]) & (above < edges[1:])).astype(float)
