# SPDX-License-Identifier: GPL-3.0-or-later
"""The iterative solution of a linear system, on the processor or on a card.

The arrays are those of a library with the names of numpy, which is handed in; small matrices are
always on the host. Compared with a general GMRES no product with the matrix, which is what costs,
is spent on what is known already: the residual of the first guess and of the result.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

Array = Any
"""An array of the library that is handed in."""
Product = Callable[[Array], Array]
"""(n_vectors, size) array to the matrix times each row."""

# What Gram-Schmidt leaves of a vector; of less it goes over it again.
_SMALL_REST = 0.01


@dataclass(frozen=True, kw_only=True)
class Space:
    """Vectors whose products with the matrix are known.

    Attributes
    ----------
    vectors, images : (n_vectors, size) array
        The vectors, and the matrix times each.
    """

    vectors: Array
    images: Array


@dataclass(frozen=True, kw_only=True)
class Start:
    """First guesses.

    Attributes
    ----------
    solutions : (n_right_hand_sides, size) array
        The guesses.
    residuals : (n_right_hand_sides, size) array
        What each leaves of its right-hand side.
    space : Space or None
        Where they were looked for; None without guesses.
    """

    solutions: Array
    residuals: Array
    space: Space | None = None


@dataclass(frozen=True, kw_only=True)
class Iterated:
    """What came of an iteration.

    Attributes
    ----------
    solutions : (n_right_hand_sides, size) array
        The solutions; where it did not converge, what it had before that one.
    iterations : int
        The largest number of steps.
    is_converged : bool
        Whether all are as good as asked.
    spaces : tuple of Space
        What was searched, one a right-hand side that took steps: they help others like it.
        Only the first guesses' on a card.
    residual : float
        Largest residual relative to its right-hand side, by the products that were taken; NaN
        where it did not converge.
    """

    solutions: Array
    iterations: int
    is_converged: bool
    spaces: tuple[Space, ...] = ()
    residual: float = np.nan


def best_start(multiply: Product, sides: Array, guesses: Array | None, library: Any) -> Start:
    """Return the first guesses with the smallest residual in the span of ``guesses``.

    Parameters
    ----------
    multiply : callable
        The matrix.
    sides : (n_right_hand_sides, size) array
        Right-hand sides.
    guesses : (n_guesses, size) array or None
        Vectors whose span probably holds much of the solutions; a useless one does no harm.
    library : module
        That of the arrays.
    """
    if guesses is None or len(guesses) == 0:
        return Start(solutions=library.zeros_like(sides), residuals=sides.copy())
    basis = library.linalg.qr(guesses.T)[0]
    images = multiply(library.ascontiguousarray(basis.T)).T
    orthogonal, triangle = library.linalg.qr(images)
    shares = orthogonal.conj().T @ sides.T
    weights = np.linalg.lstsq(on_host(triangle), on_host(shares), rcond=None)[0]
    weights = library.asarray(weights, dtype=sides.dtype)
    return Start(
        solutions=library.ascontiguousarray((basis @ weights).T),
        residuals=sides - (images @ weights).T,
        space=Space(vectors=basis.T, images=images.T),
    )


def iterate(
    multiply: Product, sides: Array, start: Start, tolerance: float, most: int, library: Any
) -> Iterated:
    """Solve by GMRES without restarts, one right-hand side after the other.

    Y. Saad and M. H. Schultz, SIAM J. Sci. Stat. Comput. 7 (1986) 856: Arnoldi's basis by
    classical Gram-Schmidt, with a second pass where the first leaves little (W. Kahan's rule,
    "twice is enough": B. N. Parlett, The Symmetric Eigenvalue Problem (1980) 6.9; citations from
    memory).

    Parameters
    ----------
    multiply : callable
        The matrix.
    sides : (n_right_hand_sides, size) array
        Right-hand sides.
    start : Start
        From `best_start`.
    tolerance : float
        Residual to reach, relative to the right-hand side.
    most : int
        Steps after which it gives up.
    library : module
        That of the arrays.
    """
    solutions = start.solutions.copy()
    largest, residual_left = 0, 0.0
    spaces = [] if start.space is None else [start.space]
    for n, (side, residual) in enumerate(zip(sides, start.residuals, strict=True)):
        size = float(library.linalg.norm(side))
        goal = tolerance * size
        change, steps, left, space = _change(multiply, residual, goal, most, library)
        largest = max(largest, steps)
        residual_left = max(residual_left, left / max(size, np.finfo(float).tiny))
        if not left <= goal:
            return Iterated(solutions=solutions, iterations=largest, is_converged=False)
        if space is not None:
            solutions[n] += change
            if library is np:  # on a card the memory is dear
                spaces.append(space)
    return Iterated(
        solutions=solutions,
        iterations=largest,
        is_converged=True,
        spaces=tuple(spaces),
        residual=residual_left,
    )


def _change(
    multiply: Product, residual: Array, goal: float, most: int, library: Any
) -> tuple[Array, int, float, Space | None]:
    """Return what takes a residual away, the steps it took, what is left, and the space."""
    scale = float(library.linalg.norm(residual))
    if scale <= goal:
        return residual, 0, scale, None
    basis = library.empty((most + 1, residual.size), dtype=residual.dtype)
    basis[0] = residual / scale
    hessenberg = np.zeros((most + 1, most), dtype=complex)
    target = np.zeros(most + 1, dtype=complex)
    target[0] = scale
    step, left, weights, rows = 0, scale, target[:0], 1
    while step < most and left > goal:
        step += 1
        vector = multiply(basis[step - 1 : step])[0]
        vector, column = _orthogonal(vector, basis[:step], library)
        size, length = float(np.linalg.norm(column)), float(column[-1].real)
        if length < _SMALL_REST * size:  # rounding may be much of what is left
            vector, more = _orthogonal(vector, basis[:step], library)
            length = float(more[-1].real)
            column[:-1], column[-1] = column[:-1] + more[:-1], length
        if not np.isfinite(length):
            return residual, step, np.nan, None
        hessenberg[: step + 1, step - 1] = column
        small = hessenberg[: step + 1, :step]
        weights, *_ = np.linalg.lstsq(small, target[: step + 1], rcond=None)
        left = float(np.linalg.norm(small @ weights - target[: step + 1]))
        if length <= np.finfo(residual.dtype).eps * scale:
            break  # the basis is complete: what is left stays
        basis[step] = vector / length
        rows = step + 1
    change = library.asarray(weights, dtype=residual.dtype) @ basis[:step]
    known = library.asarray(hessenberg[:rows, :step].T, dtype=residual.dtype)
    space = Space(vectors=basis[:step], images=known @ basis[:rows])
    return change, step, left, space


def _orthogonal(vector: Array, basis: Array, library: Any) -> tuple[Array, Any]:
    """Return a vector less its shares in a basis; on the host the shares, and how long it is."""
    shares = (basis @ vector.conj()).conj()
    vector = vector - shares @ basis
    # brought to the host together: each time a card is waited for costs as much as a kernel
    found = on_host(library.append(shares, library.vdot(vector, vector)))
    found[-1] = np.sqrt(found[-1].real)
    return vector, found


def on_host(values: Array) -> Any:
    """Return numbers in the memory of the host."""
    return values.get() if hasattr(values, "get") else values
