# SPDX-License-Identifier: GPL-3.0-or-later
"""A body that moves and may absorb, as the radiation problem that it is at a frequency."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bafflelens.base.medium import Air
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.mesh.absorbers import Absorber, surface_admittance
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion, normal_velocity


@dataclass(frozen=True, kw_only=True, eq=False)
class MovingBody:
    """What a shape is besides its mesh.

    Attributes
    ----------
    air : Air
        The medium.
    symmetry : tuple of {"x", "y", "z"}
        Mirror planes of its meshes.
    motions : tuple of SourceMotion
        How it moves.
    absorbers : mapping of str to Absorber
        What covers its surfaces, by name.
    """

    air: Air
    symmetry: tuple[str, ...]
    motions: tuple[SourceMotion, ...]
    absorbers: Mapping[str, Absorber]

    def problem(self, mesh: Mesh, frequency_hz: float) -> HelmholtzProblem:
        """Return what is solved on one of its meshes at a frequency."""
        return HelmholtzProblem(
            mesh=mesh,
            frequency_hz=frequency_hz,
            air=self.air,
            normal_velocity=normal_velocity(mesh, self.motions, frequency_hz),
            symmetry=self.symmetry,
            admittance=surface_admittance(mesh, self.absorbers, frequency_hz, self.air),
        )
