# SPDX-License-Identifier: GPL-3.0-or-later
"""The iterative solution for several right-hand sides at once, in one common space.

Reading the matrix is what a product costs: a block of vectors takes little longer than one. And
right-hand sides that come from the same small part of the body have solutions that are alike:
what is found for one helps all.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from bafflelens.bem.iteration import Array, Iterated, Product, Space, on_host

_SMALL = 1e-8
"""A direction of which this share is new, or less, is not worth a product."""
_ROUNDED = 1e5
"""Nor one of so many units of the last place: its image would be off by a ten-thousandth."""


def iterate_together(
    multiply: Product,
    sides: Array,
    guesses: Array | None,
    tolerance: float,
    most: int,
    known: Sequence[Space] = (),
    library: Any = np,
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
    library : module
        That of the arrays, with the names of numpy; small matrices are always on the host.
    """
    solutions = library.zeros_like(sides)
    residuals = sides.copy()
    goals = tolerance * on_host(library.linalg.norm(sides, axis=1))
    vectors = library.empty((0, sides.shape[1]), dtype=sides.dtype)
    images = vectors.copy()
    if known:
        new = library.concatenate([space.vectors for space in known])
        image = library.concatenate([space.images for space in known])
        vectors, images = _without_known(new, image, vectors, images, library)
        shares = residuals @ images.conj().T
        solutions += shares @ vectors
        residuals -= shares @ images
    new = vectors[:0] if guesses is None else _orthonormal(guesses, library)
    step = 0
    while True:
        if len(new):
            image = multiply(library.ascontiguousarray(new))
            new, image = _without_known(new, image, vectors, images, library)
            shares = residuals @ image.conj().T
            solutions += shares @ new
            residuals -= shares @ image
            vectors = library.concatenate([vectors, new])
            images = library.concatenate([images, image])
        left = on_host(library.linalg.norm(residuals, axis=1))
        if not np.all(np.isfinite(left)):
            return Iterated(
                solutions=library.zeros_like(sides), iterations=step, is_converged=False
            )
        open_sides = left > goals
        if not open_sides.any():
            return Iterated(solutions=solutions, iterations=step, is_converged=True)
        new = _orthonormal(residuals[library.asarray(open_sides)], library)
        if step == most or (step and not len(image)):
            return Iterated(solutions=solutions, iterations=step, is_converged=False)
        step += 1


def _orthonormal(rows: Array, library: Any) -> Array:
    """Return an orthonormal basis of the span of rows; those that add nothing are left out."""
    length = library.linalg.norm(rows, axis=1)
    used = library.asarray(on_host(length) > 0)
    rows = rows[used] / length[used][:, np.newaxis]
    gram = on_host(rows @ rows.conj().T)
    least = max(_SMALL, float(10 * np.finfo(rows.dtype).eps)) * np.abs(gram).max(initial=0.0)
    return _turn(gram, least, library) @ rows


def _without_known(
    new: Array, image: Array, vectors: Array, images: Array, library: Any
) -> tuple[Array, Array]:
    """Return new vectors whose images are orthonormal, to those of before as well.

    What is known all but for rounding goes: made large again it would be rounding alone.
    """
    size = float(library.linalg.norm(image))
    for _ in range(2 if len(images) else 0):
        shares = image @ images.conj().T
        image = image - shares @ images
        new = new - shares @ vectors
    least = max(_SMALL, float(_ROUNDED * np.finfo(image.dtype).eps))
    turn = _turn(on_host(image @ image.conj().T), (least * size) ** 2, library)
    return turn @ new, turn @ image


def _turn(gram: Any, least: float, library: Any) -> Array:
    """Return what makes rows orthonormal; directions of no more than a power go.

    Parameters
    ----------
    gram : (n, n) array on the host
        Products of the rows with each other.
    least : float
        The power.
    library : module
        That of the rows.
    """
    left, sizes, _ = np.linalg.svd(gram)
    kept = sizes > least
    return library.asarray((left[:, kept] / np.sqrt(sizes[kept])).conj().T, dtype=gram.dtype)
