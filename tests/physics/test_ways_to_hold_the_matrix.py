# SPDX-License-Identifier: GPL-3.0-or-later
"""However the matrix is held, packed, in full or in blocks, the answer is the same.

No outside value: the three are one equation, so that they check each other. What differs is
rounding: 16-bit steps a row (packed), single precision (full), double precision; and what blocks
of low rank leave out: see test_low_rank_blocks.py.
"""

import bodies
import numpy as np
import pytest
import radiating

from bafflelens.bem import layers
from bafflelens.bem.burton_miller import assemble
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.layers import AtFrequency
from bafflelens.bem.linear_solver import solve_linear_system
from bafflelens.bem.system_matrix import Storage, Workspace

K = 12.0


@pytest.fixture(scope="module", params=[(), ("y",), ("y", "z")], ids=["full", "half", "quarter"])
def case(request):
    symmetry = request.param
    mesh = bodies.box((0.3, 0.5, 0.4), (4, 6, 4), symmetry)
    x, y, z = mesh.centroids.T
    piston = (x > 0.149) & (np.abs(y) < 0.13) & (np.abs(z) < 0.11)
    velocity = np.stack([piston, np.abs(mesh.normals[:, 1]) * np.cos(9 * x)])
    double = radiating.solved(mesh, velocity, K, symmetry, double_precision=True, tolerance=1e-8)
    return mesh, velocity, symmetry, double


@pytest.mark.parametrize("storage", list(Storage))
def test_against_double_precision(case, storage):
    mesh, velocity, symmetry, double = case
    solution = radiating.solved(mesh, velocity, K, symmetry, storage=storage, tolerance=1e-5)
    assert 0 < solution.iterations < 60
    error = radiating.relative_error(solution.surface_pressure, double.surface_pressure)
    assert error < 1e-4
    directions = radiating.around(np.linspace(0, np.pi, 19))
    far = double.far_field(directions)
    assert np.abs(solution.far_field(directions) - far).max() < 1e-4 * np.abs(far).max()


@pytest.mark.parametrize("guesses", [0, 2])
@pytest.mark.parametrize("storage", list(Storage))
def test_the_residual_that_is_told_is_what_the_solution_leaves(case, storage, guesses):
    """It follows from products that were taken on the way, without one for itself."""
    mesh, velocity, symmetry, _ = case
    at = AtFrequency(discretise(mesh, symmetry), K)
    system = assemble(at, EngineSettings(storage=storage, tolerance=1e-4), Workspace())
    sides = layers.single_layers(at, at.everywhere, velocity.astype(complex))
    spanned = np.random.default_rng(1).standard_normal((guesses, system.size)) + sides[0]
    found = solve_linear_system(system, sides, tolerance=1e-3, guesses=spanned.astype(complex))
    left = np.linalg.norm(system.multiply(found.solutions) - sides, axis=1)
    residual = (left / np.linalg.norm(sides, axis=1)).max()
    assert found.residual == pytest.approx(residual, rel=0.01)
    assert 1e-5 < residual <= 1e-3


@pytest.mark.parametrize("storage", list(Storage))
def test_transpose(case, storage):
    mesh, _, symmetry, _ = case
    at = AtFrequency(discretise(mesh, symmetry), K)
    settings = EngineSettings(storage=storage, tolerance=1e-5)
    as_it_is = assemble(at, settings, Workspace())
    transposed = assemble(at, settings, Workspace(), is_transposed=True)
    left, right = np.random.default_rng(2).standard_normal((2, 5, mesh.n_triangles))
    expected = left @ as_it_is.multiply(right.astype(complex)).T
    together = transposed.multiply(left.astype(complex))
    one_by_one = np.concatenate([transposed.multiply(row[None].astype(complex)) for row in left])
    for found in (together, one_by_one):
        assert np.abs(found @ right.T - expected).max() < 1e-5 * np.abs(expected).max()
