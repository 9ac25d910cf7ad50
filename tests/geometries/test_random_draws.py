# SPDX-License-Identifier: GPL-3.0-or-later
"""A few random draws of every shape: each gives a sound mesh, and its power arrives far away.

``tests/benchmarks/random_shapes.py`` makes hundreds of them.
"""

import random

import pytest

from bafflelens.base.medium import Air
from bafflelens.bem.engines import solve
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.bem.sweep import power_balance
from bafflelens.mesh.source_motion import normal_velocity
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import check_parameters, load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

from .conftest import GEOMETRIES, TIME_LIMIT_S, size
from .draws import draw_values

SCRIPTS = sorted(GEOMETRIES.glob("*.py"))
SOLVED = {"arc_lens", "two_way", "waveguide"}
FREQUENCY_HZ = 600.0


@pytest.mark.parametrize("script", SCRIPTS, ids=[path.stem for path in SCRIPTS])
def test_a_random_draw_is_sound(script):
    """Closed, outward, nowhere crossing itself (`mesh_shape`), at most 0.1 % slivers."""
    shape, draw = load_shape(script), random.Random(7)
    for _ in range(300):
        values = draw_values(shape, draw)
        if not check_parameters(shape, values):
            break
    else:
        pytest.fail("none of 300 draws keeps the rules")
    meshes = mesh_shape(shape, values, [size(30), size(10)], TIME_LIMIT_S)
    for mesh in meshes:
        few = (mesh.smallest_angles_deg < 10).sum()
        assert few <= max(1, 1e-3 * mesh.n_triangles)
    if script.stem in SOLVED:
        velocity = normal_velocity(meshes[0], source_motions(shape, values), FREQUENCY_HZ)
        problem = HelmholtzProblem(
            mesh=meshes[0],
            frequency_hz=FREQUENCY_HZ,
            air=Air(),
            normal_velocity=velocity.sum(axis=0, keepdims=True),
            symmetry=shape.symmetry,
        )
        assert power_balance(solve(problem)) == pytest.approx(1.0, abs=0.02)
