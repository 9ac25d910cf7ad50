# SPDX-License-Identifier: GPL-3.0-or-later
"""Both engines on the mesh of a real lens.

The second engine is bempp-cl (T. Betcke and M. W. Scroggs, J. Open Source Softw. 6 (2021) 2879):
Galerkin, linear elements, its own singular quadrature, the classical coupling, the whole mesh
instead of a mirrored half. It shares the mesh and the boundary condition, nothing else.

The mesh is as coarse as the library can afford in a test (about 2000 triangles; most of the time
is its compilation), 6 to 17 elements a wavelength at 1 kHz. Against a mesh seven times as fine
either engine is then within 0.1 dB in front, and 0.2 dB off where the cabinet shades 10 to 20 dB;
the errors have opposite signs.
"""

from pathlib import Path

import numpy as np
import pytest
import radiating

from bafflelens.base.conventions import direction_vectors
from bafflelens.bem.engines import solve
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.mesh.quality import MeshSize
from bafflelens.mesh.source_motion import normal_velocity
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

SCRIPT = Path(__file__).parents[2] / "geometries" / "vertical_lens.py"
FREQUENCY = 1000.0
SIZE = MeshSize(
    source_size_m=0.02,
    growth=3.0,
    growth_distance_m=0.2,
    largest_m=0.06,
    curvature_elements=4,
)


def orbits():
    """Angles from the axis in degrees and unit vectors of both orbits, every 10 degrees."""
    angle = np.arange(-180.0, 180.0, 10.0)
    still = np.zeros(angle.size)
    horizontal = direction_vectors(angle, still)
    turn = np.radians(angle)
    vertical = np.stack([np.cos(turn), still, np.sin(turn)], axis=1)
    return np.tile(np.abs(angle), 2), np.concatenate([horizontal, vertical])


@pytest.mark.slow
def test_engines_agree_on_a_lens():
    shape = load_shape(SCRIPT)
    values = {parameter.key: parameter.default for parameter in shape.parameters}
    (mesh,) = mesh_shape(shape, values, [SIZE], time_limit_s=60)
    problem = HelmholtzProblem(
        mesh=mesh,
        frequency_hz=FREQUENCY,
        air=radiating.AIR,
        normal_velocity=normal_velocity(mesh, source_motions(shape, values), FREQUENCY),
        symmetry=shape.symmetry,
    )
    angle, directions = orbits()
    own, second = (solve(problem, engine) for engine in ("direct", "bempp"))
    assert (own.engine, second.engine) == ("direct", "bempp")
    level, other = (radiating.level(s.far_field(directions)[0]) for s in (own, second))
    difference = np.abs(level - other)
    loud = other > other.max() - 20
    assert difference[loud & (angle <= 60)].max() < 0.2
    assert difference[loud].max() < 0.5
    power = own.cross_power()[0, 0].real
    assert second.cross_power()[0, 0].real == pytest.approx(power, rel=0.05)
