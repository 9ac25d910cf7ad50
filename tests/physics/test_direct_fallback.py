# SPDX-License-Identifier: GPL-3.0-or-later
"""The linear solver: iteration, direct solve in its place, and errors where both fail.

The cyclic shift is the classical matrix on which GMRES makes no progress before as many steps as
there are unknowns (N. M. Nachtigal, S. C. Reddy, L. N. Trefethen, SIAM J. Matrix Anal. Appl. 13
(1992) 778); an iteration that cannot converge thus stands for one that does not.
"""

import bodies
import numpy as np
import pytest
import radiating

from bafflelens.base.errors import SolveError
from bafflelens.bem import linear_solver
from bafflelens.bem.linear_solver import LinearSystem, solve_linear_system

SIZE = 300


def system(matrix, full=True):
    def multiply(vectors):
        return vectors @ matrix.T

    return LinearSystem(
        size=len(matrix), multiply=multiply, full_matrix=lambda: matrix if full else None
    )


def shift():
    return np.roll(np.eye(SIZE, dtype=complex), 1, axis=0)


@pytest.fixture
def sides():
    random = np.random.default_rng(2)
    unit = np.zeros((2, SIZE), dtype=complex)
    unit[0, 0] = 1
    unit[1] = random.normal(size=SIZE) + 1j * random.normal(size=SIZE)
    return unit


def test_iteration(sides):
    random = np.random.default_rng(3)
    matrix = np.eye(SIZE) + 0.02 * random.normal(size=(SIZE, SIZE)) * (1 + 1j)
    outcome = solve_linear_system(system(matrix), sides, tolerance=1e-8)
    assert 0 < outcome.iterations < 100
    assert outcome.residual < 2e-8
    assert outcome.remarks == ()
    np.testing.assert_allclose(outcome.solutions, np.linalg.solve(matrix, sides.T).T, atol=1e-6)


def test_no_progress_means_a_direct_solve_and_a_remark(sides):
    outcome = solve_linear_system(system(shift()), sides, tolerance=1e-6)
    assert outcome.iterations == 0
    assert outcome.residual < 1e-12
    assert outcome.remarks == ("solved directly: the iteration did not converge in 200 steps",)
    np.testing.assert_allclose(outcome.solutions, np.roll(sides, -1, axis=1), atol=1e-12)


def test_too_large_for_a_direct_solve(sides):
    with pytest.raises(SolveError, match="in 200 steps, and 300 unknowns are too many"):
        solve_linear_system(system(shift(), full=False), sides, tolerance=1e-6)


@pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning")
def test_matrix_that_is_not_finite(sides):
    matrix = shift()
    matrix[3, 4] = np.nan
    with pytest.raises(SolveError, match="the system matrix is not finite"):
        solve_linear_system(system(matrix), sides, tolerance=1e-6)


@pytest.mark.filterwarnings("ignore:Diagonal number:scipy.linalg.LinAlgWarning")
def test_singular_matrix(sides):
    matrix = shift()
    matrix[3] = 0
    with pytest.raises(SolveError, match="matrix is singular"):
        solve_linear_system(system(matrix), sides, tolerance=1e-6)


def test_guess_in_whose_span_the_solution_lies(sides):
    """Neighbouring frequencies: the best combination of guesses needs no iteration."""
    random = np.random.default_rng(3)
    matrix = np.eye(SIZE) + 0.02 * random.normal(size=(SIZE, SIZE)) * (1 + 1j)
    exact = np.linalg.solve(matrix, sides.T).T
    guesses = np.array([exact[0] + 2j * exact[1], exact[0] - exact[1], random.normal(size=SIZE)])
    outcome = solve_linear_system(system(matrix), sides, tolerance=1e-6, guesses=guesses)
    assert outcome.iterations == 0
    useless = random.normal(size=(2, SIZE)) + 0j
    without = solve_linear_system(system(matrix), sides, tolerance=1e-6)
    with_useless = solve_linear_system(system(matrix), sides, tolerance=1e-6, guesses=useless)
    assert with_useless.iterations <= without.iterations + 1


def test_source_at_rest_gives_silence():
    mesh = bodies.box((0.3, 0.4, 0.4), (2, 2, 2))
    velocity = np.stack([np.zeros(mesh.n_triangles), np.ones(mesh.n_triangles)])
    solution = radiating.solved(mesh, velocity, 3.0)
    assert not solution.surface_pressure[0].any()
    assert solution.surface_pressure[1].any()


def test_whole_solve_by_the_fallback(monkeypatch):
    """A problem on which the iteration is cut short gives the same pressure, and says how."""
    mesh = bodies.icosphere(4)
    velocity = mesh.normals[:, 0]
    iterated = radiating.solved(mesh, velocity, 4.0, tolerance=1e-6)
    assert iterated.iterations > 0
    assert iterated.remarks == ()
    monkeypatch.setattr(linear_solver, "MOST_ITERATIONS", 1)
    direct = radiating.solved(mesh, velocity, 4.0, tolerance=1e-6)
    assert direct.iterations == 0
    assert direct.remarks == ("solved directly: the iteration did not converge in 1 steps",)
    error = radiating.relative_error(direct.surface_pressure, iterated.surface_pressure)
    assert error < 1e-4
    with pytest.raises(SolveError, match="320 unknowns are too many for the direct solve"):
        radiating.solved(mesh, velocity, 4.0, tolerance=1e-6, direct_unknowns=100)


def test_matrix_that_is_singular_but_for_rounding(sides):
    random = np.random.default_rng(4)
    matrix = random.normal(size=(SIZE, SIZE)) + 0j
    matrix[7] = matrix[8]
    with pytest.raises(SolveError, match="direct solve"):
        solve_linear_system(system(matrix), sides, tolerance=1e-6)
