# SPDX-License-Identifier: GPL-3.0-or-later
"""The iterative solution for several right-hand sides at once, in one common space.

Reading the matrix is what a product costs: a block of vectors takes little longer than one. And
right-hand sides that come from the same small part of the body have solutions that are alike:
what is found for one helps all.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from bafflelens.base.conventions import ComplexArray
from bafflelens.bem.iteration import Iterated, Space

_SMALL = 1e-8
"""A direction of which this share is new, or less, is not worth a product."""


def iterate_together(
    multiply: Callable[[ComplexArray], ComplexArray],
    sides: ComplexArray,
    guesses: ComplexArray | None,
    tolerance: float,
    most: int,
    known: Sequence[Space] = (),
) -> Iterated:
    """Solve for all right-hand sides in one space that grows by all residuals at each step.

    The block form of the generalised conjugate residual method: S. C. Eisenstat, H. C. Elman and
    M. H. Schultz, SIAM J. Numer. Anal. 20 (1983) 345 (citation from memory). Each residual is
    the smallest that the common space allows.

    Parameters
    ----------
    multiply : callable
        (n_vectors, size) array to the matrix times each row.
    sides : (n_right_hand_sides, size) array
        Right-hand sides; a row of zeros has the solution zero.
    guesses : (n_guesses, size) array or None
        Vectors that the space begins with.
    tolerance : float
        Residual to reach, relative to the right-hand side.
    most : int
        Steps after which it gives up.
    known : sequence of Space
        Spaces that were searched for right-hand sides like these: they cost no product.
    """
    solutions = np.zeros_like(sides)
    residuals = sides.copy()
    goals = tolerance * np.linalg.norm(sides, axis=1)
    vectors = np.empty((0, sides.shape[1]), dtype=complex)
    images = vectors.copy()
    if known:
        new = np.concatenate([space.vectors for space in known])
        image = np.concatenate([space.images for space in known])
        vectors, images = _without_known(new, image, vectors, images)
        shares = residuals @ images.conj().T
        solutions += shares @ vectors
        residuals -= shares @ images
    new = vectors[:0] if guesses is None else _orthonormal(guesses)
    step = 0
    while True:
        if len(new):
            image = multiply(new)
            new, image = _without_known(new, image, vectors, images)
            shares = residuals @ image.conj().T
            solutions += shares @ new
            residuals -= shares @ image
            vectors, images = np.concatenate([vectors, new]), np.concatenate([images, image])
        left = np.linalg.norm(residuals, axis=1)
        if not np.all(np.isfinite(left)):
            return Iterated(solutions=np.zeros_like(sides), iterations=step, is_converged=False)
        open_sides = left > goals
        if not open_sides.any():
            return Iterated(solutions=solutions, iterations=step, is_converged=True)
        new = _orthonormal(residuals[open_sides])
        if step == most or (step and not len(image)):
            return Iterated(solutions=solutions, iterations=step, is_converged=False)
        step += 1


def _orthonormal(rows: ComplexArray) -> ComplexArray:
    """Return an orthonormal basis of the span of rows; those that add nothing are left out."""
    length = np.linalg.norm(rows, axis=1, keepdims=True)
    rows = rows[length[:, 0] > 0] / length[length[:, 0] > 0]
    left, sizes, _ = np.linalg.svd(rows @ rows.conj().T)
    kept = sizes > _SMALL * max(sizes[:1], default=0.0)
    return np.asarray((left[:, kept] / np.sqrt(sizes[kept])).conj().T @ rows)


def _without_known(
    new: ComplexArray, image: ComplexArray, vectors: ComplexArray, images: ComplexArray
) -> tuple[ComplexArray, ComplexArray]:
    """Return new vectors whose images are orthonormal, to those of before as well."""
    for _ in range(2):
        shares = image @ images.conj().T
        image = image - shares @ images
        new = new - shares @ vectors
    size = np.linalg.norm(image)
    gram = image @ image.conj().T
    left, sizes, _ = np.linalg.svd(gram)
    kept = sizes > (_SMALL * size) ** 2
    turn = (left[:, kept] / np.sqrt(sizes[kept])).conj().T
    return np.asarray(turn @ new), np.asarray(turn @ image)
