# SPDX-License-Identifier: GPL-3.0-or-later
"""What radiates in a comparison: pressure at any microphone, where it was solved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from scipy.spatial import cKDTree

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.bem.discretisation import mirror_signs
from bafflelens.bem.surface_pressure import SurfacePressure


class Radiator(Protocol):
    """A source whose field is known at any point outside."""

    @property
    def frequencies_hz(self) -> FloatArray:
        """Frequencies at which it is known, rising, in Hz, in the air of the measurement."""

    @property
    def sound_speed(self) -> float:
        """Speed of sound in that air, in m/s."""

    def at(self, points: FloatArray, numbers: IntArray) -> tuple[ComplexArray, ComplexArray]:
        """Return pressure, (n_numbers, n_points), and gradient, (n_numbers, n_points, 3).

        `numbers` says which of the frequencies; times are exp(-i omega t).
        """

    def shortest_way_m(self, points: FloatArray) -> FloatArray:
        """Return how far each point is from the nearest moving part, (n_points,)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class SurfaceRadiator:
    """A candidate, by the pressure on its surface.

    In other air the same wavenumbers belong to other frequencies, while the level only changes by
    a factor: so the frequencies of a run are scaled with the speed of sound.

    Attributes
    ----------
    bands : tuple of SurfacePressure
        All of the same sources.
    strengths : (n_sources, n_frequencies) complex array
        Acceleration of each source in m/s^2, at the solved frequencies in rising order.
    sound_speed : float
        Of the air in which it radiates, in m/s.
    """

    bands: tuple[SurfacePressure, ...]
    strengths: ComplexArray
    sound_speed: float

    @property
    def solved_hz(self) -> FloatArray:
        """Frequencies at which it was solved, rising, in Hz."""
        return np.sort(np.concatenate([band.frequencies_hz for band in self.bands]))

    @property
    def frequencies_hz(self) -> FloatArray:
        """The same in the air of the measurement, in Hz."""
        return self.solved_hz * self.sound_speed / self.bands[0].sound_speed

    def at(self, points: FloatArray, numbers: IntArray) -> tuple[ComplexArray, ComplexArray]:
        """Return pressure and gradient; see `Radiator`."""
        wanted = self.solved_hz[numbers]
        pressure = np.zeros((len(numbers), len(points)), dtype=complex)
        gradient = np.zeros((len(numbers), len(points), 3), dtype=complex)
        for band in self.bands:
            for number, frequency in enumerate(band.frequencies_hz):
                for place in np.flatnonzero(wanted == frequency):
                    strength = self.strengths[:, numbers[place]]
                    found = band.at_microphones(number, points, strength)
                    pressure[place], gradient[place] = found
        return pressure, gradient

    def shortest_way_m(self, points: FloatArray) -> FloatArray:
        """Return how far each point is from the nearest moving part; see `Radiator`."""
        band = self.bands[0]  # the coarsest mesh does
        driven = np.abs(self.strengths).max(axis=1) > 0
        moving = np.abs(band.gradient[driven]).max(axis=(0, 1)) > 0
        if not moving.any():
            return np.asarray(np.linalg.norm(points, axis=1))
        places = band.mesh.centroids[moving]
        images = [places * signs for signs in mirror_signs(band.symmetry)]
        way, _ = cKDTree(np.concatenate(images)).query(points)
        return np.asarray(way)

    def in_air(self, sound_speed: float) -> SurfaceRadiator:
        """Return the same in air of another speed of sound."""
        return replace(self, sound_speed=sound_speed)


def surface_radiator(
    bands: Sequence[SurfacePressure], strengths: ComplexArray, sound_speed: float
) -> SurfaceRadiator:
    """Return what radiates with accelerations of its sources; `strengths` over sorted frequencies.

    Frequencies at which a strength is not known are left out.
    """
    order = np.sort(np.concatenate([band.frequencies_hz for band in bands]))
    known = np.asarray(np.isfinite(strengths).all(axis=0))
    kept = []
    for band in bands:
        stays = known[np.searchsorted(order, band.frequencies_hz)]
        if stays.any():
            kept.append(
                replace(
                    band,
                    frequencies_hz=band.frequencies_hz[stays],
                    pressure=band.pressure[:, stays],
                    gradient=band.gradient[:, stays],
                )
            )
    return SurfaceRadiator(
        bands=tuple(kept), strengths=strengths[:, known], sound_speed=sound_speed
    )
