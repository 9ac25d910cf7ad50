# SPDX-License-Identifier: GPL-3.0-or-later
"""The shipped shapes with their defaults, for the benchmarks."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from bafflelens.base.conventions import FloatArray, direction_vectors
from bafflelens.base.medium import Air
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.mesh.source_motion import SourceMotion, normal_velocity
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions
from bafflelens.shapes.meshing.parameters import Shape

GEOMETRIES = Path(__file__).parents[2] / "geometries"
TIME_LIMIT_S = 300.0


def shipped(name: str) -> tuple[Shape, tuple[SourceMotion, ...]]:
    """Return a shape of ``geometries/`` and its sources."""
    shape = load_shape(GEOMETRIES / f"{name}.py")
    return shape, source_motions(shape, shape.defaults)


def meshes(shape: Shape, sizes: list[MeshSize], values: dict[str, float]) -> tuple[Mesh, ...]:
    """Mesh a shape at several sizes."""
    return mesh_shape(shape, {**shape.defaults, **values}, sizes, TIME_LIMIT_S)


def radiation(
    shape: Shape, motions: tuple[SourceMotion, ...], mesh: Mesh, frequency_hz: float, air: Air
) -> HelmholtzProblem:
    """Return the problem of a shape on a mesh, each source with 1 m/s^2."""
    return HelmholtzProblem(
        mesh=mesh,
        frequency_hz=frequency_hz,
        air=air,
        normal_velocity=normal_velocity(mesh, motions, frequency_hz),
        symmetry=shape.symmetry,
    )


def front_directions() -> FloatArray:
    """Return both orbits within 60 degrees of the axis, every 2.5 degrees."""
    angle = np.arange(-60, 61, 2.5)
    return np.concatenate(
        (direction_vectors(angle, 0 * angle), direction_vectors(0 * angle, angle))
    )
