# SPDX-License-Identifier: GPL-3.0-or-later
"""The Burton-Miller equation of a problem on the graphics card: its matrix and its products.

The formulas are those of `burton_miller`, `kernels` and `near_field`; gpu_kernels.cu transcribes
them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bafflelens.bem.card import BLOCKS, THREADS, WARP, CardArray, cupy, launch, single
from bafflelens.bem.card_mesh import CardFrequency, CardMesh
from bafflelens.bem.iteration import Product
from bafflelens.bem.problem import HelmholtzProblem

# Left free when the matrix is stored, for the near pairs, vectors and factors' pivots.
_SPARE_BYTES = 3e9


@dataclass(frozen=True, eq=False)
class CardSystem:
    """The system matrix of a problem, in parts.

    Attributes
    ----------
    frequency : CardFrequency
        The mesh on the card and what the far kernels need.
    near : (n_pairs,) array
        Near corrections.
    own_layer : (n_triangles, 2) array
        G of each element at its own centroid.
    absorbing : (n_triangles,) array or None
        ik times the admittance; None where all is rigid.
    """

    frequency: CardFrequency
    near: CardArray
    own_layer: CardArray
    absorbing: CardArray | None

    @classmethod
    def of(cls, on_card: CardMesh, problem: HelmholtzProblem) -> CardSystem:
        """Return the system of a problem on a mesh that was sent."""
        frequency = CardFrequency.of(on_card, problem)
        own_layer, own_dynamic = frequency.own_element()
        pairs = len(on_card.point)
        near = cupy.empty(pairs, dtype=np.complex64)
        launch(
            "near_corrections", (pairs, 1), np.int64(pairs), on_card.point, on_card.element,
            on_card.image, on_card.fine, on_card.double_layer, on_card.hypersingular,
            on_card.signs, *on_card.shape, frequency.coupling, own_dynamic,
            np.float64(frequency.wavenumber), near,
        )  # fmt: skip
        absorbing = None
        if problem.admittance is not None and np.any(problem.admittance):
            absorbing = single(1j * problem.wavenumber * np.asarray(problem.admittance))
        return cls(frequency, near, own_layer, absorbing)

    def excitation(self, gradient: CardArray) -> CardArray:
        """Return (V + (ie/k) (K' + 1/2)) times each row of ``gradient``, (n, n_triangles)."""
        frequency = self.frequency
        on_card = frequency.on_card
        moving = cupy.any(gradient != 0, axis=0)
        active = cupy.flatnonzero(moving)
        result = frequency.layers(gradient, single=True, active=active)
        result += (0.5j / frequency.wavenumber * frequency.coupling * gradient).astype(
            np.complex64
        )
        launch(
            "near_excitation", (WARP * on_card.size, 1), np.int32(on_card.size), on_card.start,
            on_card.element, on_card.image, on_card.signs, *on_card.shape, frequency.coupling,
            moving, self.own_layer, np.float64(frequency.wavenumber), np.int32(len(gradient)),
            gradient, result,
        )  # fmt: skip
        return result

    def multiply(self, vectors: CardArray) -> CardArray:
        """Return the matrix times each row of ``vectors``, formed on the fly."""
        frequency = self.frequency
        on_card = frequency.on_card
        size = np.int32(on_card.size)
        result = frequency.layers(vectors, single=False)
        launch(
            "add_near_product", (on_card.size, 1), size, on_card.start, on_card.element,
            self.near, np.int32(len(vectors)), size, vectors, result,
        )  # fmt: skip
        result -= np.float32(0.5) * vectors
        if self.absorbing is not None:
            result += self.excitation(self.absorbing * vectors)
        return result

    def product(self, *, stored: bool) -> Product:
        """Return the product with the matrix, stored or formed on the fly."""
        if not stored:
            return self.multiply
        matrix = self.matrix()
        return lambda vectors: (matrix @ vectors.T).T

    def matrix(self) -> CardArray:
        """Return the matrix, (n_triangles, n_triangles) in the order of columns."""
        frequency, absorbing = self.frequency, self.absorbing
        on_card = frequency.on_card
        size, pairs = on_card.size, len(on_card.point)
        columns = cupy.empty((size, size), dtype=np.complex64)
        far = (np.int32(size), frequency.points, on_card.normals, *frequency.images)
        splits = max(1, min(size, 65535, BLOCKS * 16 * THREADS // size))
        launch(
            "fill_double", (size, splits), *far, np.int32(size), frequency.sources,
            frequency.source_normals, *frequency.wave, columns,
        )  # fmt: skip
        launch(
            "add_near", (max(pairs, size), 1), np.int64(pairs), np.int32(size), on_card.point,
            on_card.element, self.near, np.float32(-0.5), columns,
        )  # fmt: skip
        if absorbing is not None:
            active = cupy.flatnonzero(absorbing).astype(np.int32)
            factor = cupy.ascontiguousarray(absorbing[active])
            launch(
                "add_single_columns", (size, len(active)), *far, np.int32(len(active)), active,
                frequency.sources, frequency.source_normals, factor, *frequency.wave, columns,
            )  # fmt: skip
            launch(
                "add_near_columns", (pairs, 1), np.int64(pairs), np.int32(size), on_card.point,
                on_card.element, on_card.image, on_card.signs, *on_card.shape,
                frequency.coupling, absorbing != 0, self.own_layer,
                np.float64(frequency.wavenumber), absorbing, columns,
            )  # fmt: skip
            columns[active, active] += (
                0.5j / frequency.wavenumber * frequency.coupling[active] * factor
            ).astype(np.complex64)
        return columns.T


def matrix_fits(size: int) -> bool:
    """Return whether the matrix fits into what is free, own cached blocks counted as free.

    They are given back by the library itself where it finds no block that is large enough.
    """
    free, _ = cupy.cuda.runtime.memGetInfo()
    cached = cupy.get_default_memory_pool().free_bytes()
    return bool(8.0 * size**2 + _SPARE_BYTES < free + cached)
