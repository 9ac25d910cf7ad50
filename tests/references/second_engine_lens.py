# SPDX-License-Identifier: GPL-3.0-or-later
"""A coarse mesh of the vertical lens and what bempp-cl says of it at 1 kHz.

bempp-cl (T. Betcke and M. W. Scroggs, J. Open Source Softw. 6 (2021) 2879): Galerkin, linear
elements, its own singular quadrature, the classical coupling, the whole mesh instead of a mirrored
half. Written by `tests/benchmarks/second_engine_lens.py`, which takes minutes to compile it.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import radiating

from bafflelens.base.conventions import ComplexArray, FloatArray, direction_vectors
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import normal_velocity
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

PATH = Path(__file__).with_suffix(".npz")
SCRIPT = Path(__file__).parents[2] / "geometries" / "vertical_lens.py"
FREQUENCY = 1000.0


def orbits() -> tuple[FloatArray, FloatArray]:
    """Angles from the axis in degrees and unit vectors of both orbits, every 10 degrees."""
    angle = np.arange(-180.0, 180.0, 10.0)
    still = np.zeros(angle.size)
    horizontal = direction_vectors(angle, still)
    turn = np.radians(angle)
    vertical = np.stack([np.cos(turn), still, np.sin(turn)], axis=1)
    return np.tile(np.abs(angle), 2), np.concatenate([horizontal, vertical])


def problem(mesh: Mesh) -> HelmholtzProblem:
    """The lens with its dome moving, on a mesh."""
    shape = load_shape(SCRIPT)
    values = {parameter.key: parameter.default for parameter in shape.parameters}
    return HelmholtzProblem(
        mesh=mesh,
        frequency_hz=FREQUENCY,
        air=radiating.AIR,
        normal_velocity=normal_velocity(mesh, source_motions(shape, values), FREQUENCY),
        symmetry=shape.symmetry,
    )


def solved_by_bempp() -> tuple[Mesh, ComplexArray, float]:
    """Its mesh, far field on the orbits in Pa.m and power in W."""
    with np.load(PATH) as data:
        mesh = Mesh(data["vertices"], data["triangles"].astype(np.int64), data["surface"])
        return mesh, data["far_field"], float(data["power"])
