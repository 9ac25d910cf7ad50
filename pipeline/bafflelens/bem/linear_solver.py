# SPDX-License-Identifier: GPL-3.0-or-later
"""The linear system: iteration first, a direct solve where it does not converge."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from bafflelens.base.conventions import ComplexArray
from bafflelens.base.errors import SolveError
from bafflelens.bem.block_iteration import iterate_together
from bafflelens.bem.iteration import Space, Start, best_start, iterate
from bafflelens.bem.low_rank import LowRankMatrix

MOST_ITERATIONS = 200
# The rounding of single precision on a large, well-conditioned system stays well below.
LARGEST_DIRECT_RESIDUAL = 1e-3
# Of a mixture, profiles are the smaller part: they need not be as exact as the rigid motion.
FOLLOWERS_TOLERANCE = 4.0


@dataclass(frozen=True, kw_only=True)
class LinearSystem:
    """A square complex system.

    Attributes
    ----------
    size : int
        Number of unknowns.
    multiply : callable
        (n_vectors, size) complex array to the matrix times each row, the same shape.
    full_matrix : callable
        Returns the matrix itself for a direct solve, (size, size), or None where it is too large.
    nbytes : int
        Memory that it holds, in bytes; 0 where nobody asks.
    blocks : LowRankMatrix or None
        The far part of the matrix, where it is held in blocks.
    """

    size: int
    multiply: Callable[[ComplexArray], ComplexArray]
    full_matrix: Callable[[], NDArray[np.complexfloating[Any, Any]] | None]
    nbytes: int = 0
    blocks: LowRankMatrix | None = None


@dataclass(frozen=True, kw_only=True)
class LinearSolution:
    """Solutions of a `LinearSystem`.

    Attributes
    ----------
    solutions : (n_right_hand_sides, size) complex array
        One row a right-hand side.
    iterations : int
        Largest number of iterations; 0 where the direct solve was used.
    residual : float
        Largest relative residual.
    remarks : tuple of str
        Whether and why the direct solve stepped in.
    spaces : tuple of Space
        What was searched: it helps right-hand sides like these.
    start_residual : float
        Largest relative residual of the first guess; 1 where there was none.
    """

    solutions: ComplexArray
    iterations: int
    residual: float
    remarks: tuple[str, ...]
    spaces: tuple[Space, ...] = ()
    start_residual: float = 1.0


def solve_linear_system(
    system: LinearSystem,
    right_hand_sides: ComplexArray,
    *,
    tolerance: float,
    guesses: ComplexArray | None = None,
    first: ComplexArray | None = None,
) -> LinearSolution:
    """Solve for every right-hand side by GMRES, or directly where that does not converge.

    Parameters
    ----------
    system : LinearSystem
        The system.
    right_hand_sides : (n_right_hand_sides, size) complex array
        Right-hand sides.
    tolerance : float
        Relative residual to reach.
    guesses : (n_guesses, size) complex array, optional
        Vectors whose span holds a good first guess; the best combination is found by least
        squares on the residual, so a useless guess does no harm.
    first : (n_right_hand_sides, size) complex array, optional
        First guesses as they are, instead.

    Raises
    ------
    SolveError
        If no finite solution is found.
    """
    if first is None:
        start = best_start(system.multiply, right_hand_sides, guesses, np)
    else:
        start = Start(solutions=first, residuals=right_hand_sides - system.multiply(first))
    outcome = iterate(system.multiply, right_hand_sides, start, tolerance, MOST_ITERATIONS, np)
    if not outcome.is_converged:
        return _solve_directly(system, right_hand_sides, outcome.iterations)
    if not np.all(np.isfinite(outcome.solutions)):
        msg = "the linear system gave a solution that is not finite"
        raise SolveError(msg)
    return LinearSolution(
        solutions=outcome.solutions,
        iterations=outcome.iterations,
        residual=outcome.residual,
        remarks=(),
        spaces=outcome.spaces,
        start_residual=_largest(start.residuals, right_hand_sides),
    )


def solve_together(
    system: LinearSystem,
    right_hand_sides: ComplexArray,
    *,
    tolerance: float,
    guesses: ComplexArray | None = None,
    known: Sequence[Space] = (),
) -> ComplexArray:
    """Solve for right-hand sides whose solutions are alike, all in one space.

    Parameters
    ----------
    system : LinearSystem
        The system.
    right_hand_sides : (n_right_hand_sides, size) complex array
        Right-hand sides.
    tolerance : float
        Relative residual to reach.
    guesses : (n_guesses, size) complex array, optional
        Vectors whose span probably holds much of the solutions.
    known : sequence of Space
        What was searched for others like these.

    Returns
    -------
    (n_right_hand_sides, size) complex array
        Solutions.

    Raises
    ------
    SolveError
        If no finite solution is found.
    """
    outcome = iterate_together(
        system.multiply, right_hand_sides, guesses, tolerance, MOST_ITERATIONS, known
    )
    if outcome.is_converged:
        return np.asarray(outcome.solutions)
    return _solve_directly(system, right_hand_sides, outcome.iterations).solutions


def _solve_directly(
    system: LinearSystem, right_hand_sides: ComplexArray, iterations: int
) -> LinearSolution:
    """Return the solution by LU factors of the stored matrix."""
    matrix = system.full_matrix()
    if matrix is None:
        msg = (
            f"the iteration did not converge in {iterations} steps, and {system.size} unknowns "
            "are too many for the direct solve"
        )
        raise SolveError(msg)
    if not np.all(np.isfinite(matrix)):
        msg = "the system matrix is not finite"
        raise SolveError(msg)
    with warnings.catch_warnings():
        # A singular matrix is found out by the residual below.
        warnings.simplefilter("ignore", linalg.LinAlgWarning)
        solutions = linalg.lu_solve(linalg.lu_factor(matrix), right_hand_sides.T).T
    residual = _relative_residual(system, solutions, right_hand_sides)
    if not residual <= LARGEST_DIRECT_RESIDUAL:
        msg = (
            f"the direct solve left a relative residual of {residual:.1e}, above "
            f"{LARGEST_DIRECT_RESIDUAL:.0e}: the matrix is singular"
        )
        raise SolveError(msg)
    remark = f"solved directly: the iteration did not converge in {iterations} steps"
    return LinearSolution(
        solutions=np.asarray(solutions, dtype=complex),
        iterations=0,
        residual=residual,
        remarks=(remark,),
    )


def _relative_residual(
    system: LinearSystem, solutions: ComplexArray, right_hand_sides: ComplexArray
) -> float:
    """Return the largest relative residual over the right-hand sides."""
    return _largest(system.multiply(solutions) - right_hand_sides, right_hand_sides)


def _largest(residuals: ComplexArray, right_hand_sides: ComplexArray) -> float:
    """Return the largest of residuals relative to their right-hand sides."""
    norms = np.maximum(np.linalg.norm(right_hand_sides, axis=1), np.finfo(float).tiny)
    return float(np.max(np.linalg.norm(residuals, axis=1) / norms))
