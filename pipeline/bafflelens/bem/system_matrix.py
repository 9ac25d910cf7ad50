# SPDX-License-Identifier: GPL-3.0-or-later
"""How the matrix of the Burton-Miller equation is held.

``far`` is the tuple of arguments of the far kernels, ``corrections`` what near pairs add to it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.bem import kernels, low_rank, near_layers, phases
from bafflelens.bem.discretisation import Discretisation
from bafflelens.bem.linear_solver import LinearSystem

# Error of the blocks of low rank over the residual at which the iteration stops. What a quality
# allows in the far field falls faster than its residual, 0.10, 0.03, 0.01 dB for 1e-3, 5e-4,
# 2e-4, and so does this error: by the power `ERROR_POWER` below the residual of a draft. Up to
# `ERROR_UNKNOWNS`; above in proportion to the unknowns: what is off is spread over more entries.
# With it the far field changes by less than a tenth of what a quality promises:
# tests/benchmarks/low_rank.py.
ERROR_OF_BLOCKS = 8.0
ERROR_RESIDUAL = 1e-3
ERROR_POWER = 1.4
ERROR_UNKNOWNS = 3_500
_SEVERAL = 4  # vectors from which on a product is done in blocks of rows
_BLOCK_ROWS = 16  # fastest of 4, 8, 16, 32 and 64
_TRANSPOSED_ROWS = 64  # of 16, 64 and 128


class Storage(Enum):
    """How the system matrix is held."""

    PACKED = "packed"
    """16-bit steps a row, 4 bytes an entry; near elements exact: the default for small systems."""

    FULL = "full"
    """Complex numbers, 8 or 16 bytes an entry: for direct solves and checks."""

    LOW_RANK = "low rank"
    """Clusters that are far apart as products of few vectors: the default for large systems."""


FarProduct = Callable[[NDArray[np.complex64]], ComplexArray]
"""(n_vectors, n_triangles) complex array to the far matrix times each row."""


@dataclass
class Workspace:
    """Memory for the matrix, kept from one frequency to the next: fresh pages cost time.

    Attributes
    ----------
    memory : array or None
        That of a matrix in one piece.
    runs : list of arrays
        That of the runs of blocks of one of low rank.
    """

    memory: NDArray[np.uint8] | None = None
    runs: list[NDArray[np.int16]] = field(default_factory=list)

    @property
    def nbytes(self) -> int:
        """Memory in bytes."""
        return sum(kept.nbytes for kept in (self.memory, *self.runs) if kept is not None)

    def array(self, shape: tuple[int, ...], dtype: type[np.generic]) -> NDArray[Any]:
        """Return an uninitialised array, in the kept memory if that is large enough."""
        needed = int(np.prod(shape)) * np.dtype(dtype).itemsize
        if self.memory is None or self.memory.nbytes < needed:
            self.memory = None  # freed before the larger one is taken
            self.memory = np.empty(needed, dtype=np.uint8)
        return self.memory[:needed].view(dtype).reshape(shape)


def full_system(
    far: tuple[NDArray[Any], ...],
    discretisation: Discretisation,
    corrections: ComplexArray,
    workspace: Workspace,
    *,
    is_transposed: bool = False,
) -> LinearSystem:
    """Return the system, or its transpose, with its matrix stored in complex numbers."""
    real = far[0].dtype.type
    dtype = np.complex128 if real is np.float64 else np.complex64
    size = discretisation.mesh.n_triangles
    near = discretisation.near
    matrix = workspace.array((size, size), dtype)
    kernels.fill_coupled_double_layer(*far, matrix.view(real))
    near_layers.add_near(near.start, near.element, corrections, -0.5, matrix)
    if is_transposed:
        matrix = matrix.T

    def multiply(vectors: ComplexArray) -> ComplexArray:
        # In the matrix's own precision: numpy would convert the matrix, not the vectors.
        return np.asarray((matrix @ vectors.T.astype(dtype)).T, dtype=complex)

    return LinearSystem(size=size, multiply=multiply, full_matrix=lambda: matrix)


def packed_product(
    far: tuple[NDArray[Any], ...],
    discretisation: Discretisation,
    corrections: ComplexArray,
    workspace: Workspace,
    *,
    is_transposed: bool = False,
) -> FarProduct:
    """Pack the far matrix, move its near entries to ``corrections``, return its product.

    Or that of its transpose.
    """
    size = discretisation.mesh.n_triangles
    near = discretisation.near
    packed = workspace.array((size, 2, size), np.int16)
    steps = np.empty(size, dtype=np.float32)
    kernels.fill_packed(*far, near.start, near.element, corrections, packed, steps)

    def product(vectors: NDArray[np.complex64]) -> ComplexArray:
        out = np.empty(vectors.shape, dtype=complex)
        apply = _apply_packed_together if len(vectors) >= _SEVERAL else kernels.apply_packed
        apply(packed, steps, phases.parts(vectors, np.float32), out)
        return out

    def transposed(vectors: NDArray[np.complex64]) -> ComplexArray:
        if len(vectors) > 1:
            return _transposed_together(packed, steps, phases.parts(vectors, np.float32))
        sums = np.zeros((kernels.RUNS, len(vectors), 2, size), dtype=np.float32)
        kernels.add_packed_transposed(packed, steps, phases.parts(vectors, np.float32), sums)
        total = sums.sum(axis=0)
        return np.asarray(total[:, 0] + 1j * total[:, 1])

    return transposed if is_transposed else product


def _apply_packed_together(
    packed: NDArray[np.int16],
    steps: NDArray[np.float32],
    vectors: NDArray[np.float32],
    out: ComplexArray,
) -> None:
    """Do what `kernels.apply_packed` does, in blocks of rows by the library's matrix product.

    Six vectors take 2.5 to 3 times as long as one, instead of 5 to 6.
    """
    size = packed.shape[0]
    columns = np.ascontiguousarray(vectors.reshape(-1, size).T)
    block = np.empty((2 * _BLOCK_ROWS, size), dtype=np.float32)
    for first in range(0, size, _BLOCK_ROWS):
        rows = packed[first : first + _BLOCK_ROWS].reshape(-1, size)
        block[: len(rows)] = rows
        # (rows, real or imaginary part of the matrix, vectors, that of the vectors)
        product = (block[: len(rows)] @ columns).reshape(-1, 2, len(vectors), 2)
        here = slice(first, first + len(product))
        scale = steps[here, np.newaxis]
        out[:, here].real = (scale * (product[:, 0, :, 0] - product[:, 1, :, 1])).T
        out[:, here].imag = (scale * (product[:, 0, :, 1] + product[:, 1, :, 0])).T


def _transposed_together(
    packed: NDArray[np.int16], steps: NDArray[np.float32], vectors: NDArray[np.float32]
) -> ComplexArray:
    """Return what `kernels.add_packed_transposed` gives, in blocks of rows, (n_vectors, n).

    Three vectors take 0.4 times as long as there.
    """
    size, n = packed.shape[0], 2 * len(vectors)
    scaled = (vectors * steps).reshape(n, size)
    block = np.empty((_TRANSPOSED_ROWS, 2 * size), dtype=np.float32)
    sums = np.zeros((n, 2 * size), dtype=np.float32)
    for first in range(0, size, _TRANSPOSED_ROWS):
        rows = packed[first : first + _TRANSPOSED_ROWS].reshape(-1, 2 * size)
        block[: len(rows)] = rows
        sums += np.ascontiguousarray(scaled[:, first : first + len(rows)]) @ block[: len(rows)]
    # (vectors, their real or imaginary part, that of the matrix, columns)
    parts = sums.reshape(-1, 2, 2, size)
    real, imaginary = parts[:, 0, 0] - parts[:, 1, 1], parts[:, 0, 1] + parts[:, 1, 0]
    return np.asarray(real + 1j * imaginary, dtype=complex)


def error_of_blocks(unknowns: int, residual: float) -> float:
    """Return the error of the matrix, the root of the sum of the squares of its entries' errors.

    Parameters
    ----------
    unknowns : int
        Size of the system.
    residual : float
        Relative residual at which the iteration stops.
    """
    below_draft = float(min(1.0, residual / ERROR_RESIDUAL) ** (ERROR_POWER - 1))
    return ERROR_OF_BLOCKS * residual * below_draft * max(1.0, unknowns / ERROR_UNKNOWNS)


def low_rank_matrix(
    far: tuple[NDArray[Any], ...],
    discretisation: Discretisation,
    corrections: ComplexArray,
    tolerance: float,
    expected: FloatArray | None,
    workspace: Workspace,
) -> low_rank.LowRankMatrix:
    """Form the far matrix in blocks, and move near entries to ``corrections``.

    ``expected`` is about how large the solution is at each element, (n_triangles,).
    """
    return low_rank.form(
        far,
        discretisation.blocks,
        discretisation.near,
        corrections,
        tolerance=error_of_blocks(far[3].size, tolerance),
        expected=expected,
        memory=workspace.runs,
    )
