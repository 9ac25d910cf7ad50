# SPDX-License-Identifier: GPL-3.0-or-later
"""The linear system: iteration first, a direct solve where it does not converge."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import linalg
from scipy.sparse.linalg import LinearOperator, gmres

from bafflelens.conventions import ComplexArray
from bafflelens.errors import SolveError

MOST_ITERATIONS = 200
# The rounding of single precision on a large, well-conditioned system stays well below.
LARGEST_DIRECT_RESIDUAL = 1e-3


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
    """

    size: int
    multiply: Callable[[ComplexArray], ComplexArray]
    full_matrix: Callable[[], NDArray[np.complexfloating[Any, Any]] | None]


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
    """

    solutions: ComplexArray
    iterations: int
    residual: float
    remarks: tuple[str, ...]


def solve_linear_system(
    system: LinearSystem,
    right_hand_sides: ComplexArray,
    *,
    tolerance: float,
    guesses: ComplexArray | None = None,
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

    Raises
    ------
    SolveError
        If no finite solution is found.
    """
    starts = _best_combinations(system, right_hand_sides, guesses)
    solutions = np.empty_like(right_hand_sides)
    most = 0
    for n, (side, start) in enumerate(zip(right_hand_sides, starts, strict=True)):
        solution, iterations, converged = _iterate(system, side, start, tolerance)
        if not converged:
            return _solve_directly(system, right_hand_sides, iterations)
        solutions[n] = solution
        most = max(most, iterations)
    residual = _relative_residual(system, solutions, right_hand_sides)
    if not np.isfinite(residual):
        msg = "the linear system gave a solution that is not finite"
        raise SolveError(msg)
    return LinearSolution(solutions=solutions, iterations=most, residual=residual, remarks=())


def _best_combinations(
    system: LinearSystem, right_hand_sides: ComplexArray, guesses: ComplexArray | None
) -> ComplexArray:
    """Return the first guesses with the smallest residual in the span of ``guesses``."""
    if guesses is None or len(guesses) == 0:
        return np.zeros_like(right_hand_sides)
    basis = np.linalg.qr(guesses.T)[0].T
    images = system.multiply(basis)
    weights = np.linalg.lstsq(images.T, right_hand_sides.T, rcond=None)[0]
    return np.asarray(weights.T @ basis)


def _iterate(
    system: LinearSystem, side: ComplexArray, start: ComplexArray, tolerance: float
) -> tuple[ComplexArray, int, bool]:
    """Return the GMRES solution, the iterations it took and whether it converged."""
    norm = np.linalg.norm(side)
    if norm == 0:
        return np.zeros_like(side), 0, True
    iterations = 0

    def count(_: float) -> None:
        nonlocal iterations
        iterations += 1

    operator = LinearOperator(
        (system.size, system.size),
        matvec=lambda x: system.multiply(x.reshape(1, -1))[0],
        dtype=complex,
    )
    solution, information = gmres(
        operator,
        side,
        x0=start if np.any(start) else None,
        rtol=tolerance,
        restart=MOST_ITERATIONS,
        maxiter=1,
        callback=count,
        callback_type="pr_norm",
    )
    return solution, iterations, information == 0 and bool(np.all(np.isfinite(solution)))


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
    left = system.multiply(solutions) - right_hand_sides
    norms = np.maximum(np.linalg.norm(right_hand_sides, axis=1), np.finfo(float).tiny)
    return float(np.max(np.linalg.norm(left, axis=1) / norms))
