# SPDX-License-Identifier: GPL-3.0-or-later
"""What a solved band leaves on the surface: from it follows the pressure at any microphone.

A far field says nothing of a microphone one or two metres away: for a baffle of 0.2 x 0.4 m the
difference is 1 dB at 1 m, and the sphere grid of a run (5 degrees) resolves spherical waves only
up to an order of 36, that is 8 kHz for such a body. The pressure on the surface has neither limit.
Kept with half-precision numbers it takes four bytes a triangle, source and frequency.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import IO, Any, Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.archives import arrays_of
from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import StoreError, invalid
from bafflelens.bem.discretisation import mirror_signs
from bafflelens.bem.microphones import pressure_and_gradient
from bafflelens.mesh.mesh import Mesh

_HALF_RANGE: Final = 1024.0  # largest number after scaling; half precision ends at 65,504


@dataclass(frozen=True, kw_only=True, eq=False)
class SurfacePressure:
    """Pressure and its normal derivative on the mesh of one band.

    Attributes
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Its mirror planes.
    sound_speed : float
        Of the air in which it was solved, in m/s.
    frequencies_hz : (n_frequencies,) array
        Those that were solved, in Hz.
    pressure : (n_sources, n_frequencies, n_triangles) complex array
        In Pa for 1 m/s^2 of each source; single precision.
    gradient : (n_sources, n_frequencies, n_triangles) complex array
        dp/dn in Pa/m.
    """

    mesh: Mesh
    symmetry: tuple[str, ...]
    sound_speed: float
    frequencies_hz: FloatArray
    pressure: NDArray[np.complex64]
    gradient: NDArray[np.complex64]

    def at_microphones(
        self, number: int, points: FloatArray, strengths: ComplexArray
    ) -> tuple[ComplexArray, ComplexArray]:
        """Return pressure and its gradient at points, of all sources together.

        Parameters
        ----------
        number : int
            Number of the frequency.
        points : (n_points, 3) array
            Coordinates in m, well away from the body.
        strengths : (n_sources,) complex array
            Acceleration of each source in m/s^2.

        Returns
        -------
        pressure : (n_points,) complex array
            In Pa.
        gradient : (n_points, 3) complex array
            With the position of the point, in Pa/m.

        Raises
        ------
        InputError
            If a point is too near to the body.
        """
        return pressure_and_gradient(
            self.mesh,
            mirror_signs(self.symmetry),
            2 * np.pi * self.frequencies_hz[number] / self.sound_speed,
            strengths @ self.pressure[:, number],
            strengths @ self.gradient[:, number],
            points,
        )

    def at_frequency(self, frequency_hz: float) -> SurfacePressure | None:
        """Return the same at one of its frequencies only; None if that was not solved."""
        here = self.frequencies_hz == frequency_hz
        if not here.any():
            return None
        return replace(
            self,
            frequencies_hz=self.frequencies_hz[here],
            pressure=self.pressure[:, here],
            gradient=self.gradient[:, here],
        )

    def arrays(self) -> dict[str, Any]:
        """Return all but the mesh, in half precision: an element is 0.05 % off at most."""
        largest = np.abs(self.pressure).max(axis=2, keepdims=True)
        scale = np.where(largest > 0, largest, 1.0) / _HALF_RANGE
        pressure = self.pressure / scale
        moving = np.flatnonzero(np.abs(self.gradient).max(axis=(0, 1)) > 0)
        return {
            "surface_symmetry": np.array(self.symmetry, dtype=str),
            "surface_sound_speed": np.array(self.sound_speed),
            "surface_frequencies_hz": self.frequencies_hz,
            "surface_scale": scale.astype(np.float32),
            "surface_pressure": np.stack((pressure.real, pressure.imag)).astype(np.float16),
            "surface_moving": moving.astype(np.int32),
            "surface_gradient": self.gradient[..., moving],
        }

    @classmethod
    def from_arrays(cls, data: Mapping[str, NDArray[Any]], mesh: Mesh) -> SurfacePressure:
        """Return what `arrays` gave, with its mesh."""
        real, imaginary = data["surface_pressure"].astype(np.float32)
        pressure = (real + 1j * imaginary) * data["surface_scale"]
        gradient = np.zeros(pressure.shape, dtype=np.complex64)
        gradient[..., data["surface_moving"]] = data["surface_gradient"]
        return cls(
            mesh=mesh,
            symmetry=tuple(str(plane) for plane in data["surface_symmetry"]),
            sound_speed=float(data["surface_sound_speed"]),
            frequencies_hz=data["surface_frequencies_hz"],
            pressure=pressure.astype(np.complex64),
            gradient=gradient,
        )

    def write(self, stream: IO[bytes]) -> None:
        """Write all to a stream."""
        names, surface = np.unique(self.mesh.surface, return_inverse=True)
        arrays: dict[str, Any] = {
            "vertices": self.mesh.vertices.astype(np.float32),
            "triangles": self.mesh.triangles.astype(np.int32),
            "surface": surface.astype(np.int16),
            "surface_names": names,
        }
        np.savez(stream, **arrays, **self.arrays())

    @classmethod
    def read(cls, stream: IO[bytes], name: Any) -> SurfacePressure:
        """Read what `write` has written.

        Raises
        ------
        StoreError
            If it is damaged; `name` says which file that is.
        """
        rule = "a surface pressure saved by bafflelens"
        data = arrays_of(stream.read(), name, "result file", rule, StoreError)
        try:
            surface = data["surface_names"][data["surface"]]
            mesh = Mesh(
                data["vertices"].astype(float), data["triangles"].astype(np.int64), surface
            )
            return cls.from_arrays(data, mesh)
        except (ValueError, KeyError, IndexError) as error:
            raise StoreError(invalid("result file", name, f"{rule} ({error})")) from error


def joined_surfaces(parts: Sequence[SurfacePressure]) -> SurfacePressure:
    """Return parts of one mesh as one, rising in frequency."""
    frequencies = np.concatenate([part.frequencies_hz for part in parts])
    rising = np.argsort(frequencies)
    return replace(
        parts[0],
        frequencies_hz=frequencies[rising],
        pressure=np.concatenate([part.pressure for part in parts], axis=1)[:, rising],
        gradient=np.concatenate([part.gradient for part in parts], axis=1)[:, rising],
    )
