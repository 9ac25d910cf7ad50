# SPDX-License-Identifier: GPL-3.0-or-later
"""The Burton-Miller matrix as a hierarchy of blocks, most of them of low rank."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from bafflelens.bem import cross_approximation as compiled
from bafflelens.bem.clusters import Blocks
from bafflelens.bem.near_field import NearPairs
from bafflelens.base.conventions import ComplexArray, FloatArray

# Runs of blocks, each the work of one thread. Always as many, so that sums are added in one
# order however many threads there are.
RUNS = 24


@dataclass(frozen=True, eq=False)
class Run:
    """Neighbouring blocks that one thread forms and multiplies.

    Attributes
    ----------
    blocks : (n_blocks, 5) integer array
        As in `Blocks`.
    packed, steps : arrays
        What was formed.
    ranks : (n_blocks,) integer array or None
        Number of products of each block; None where they are stored in full.
    """

    blocks: NDArray[np.int64]
    packed: NDArray[np.int16]
    steps: NDArray[np.float32]
    ranks: NDArray[np.int64] | None

    @property
    def nbytes(self) -> int:
        """Memory in bytes."""
        return self.packed.nbytes + self.steps.nbytes

    def add_product(self, vectors: NDArray[np.float32]) -> tuple[int, NDArray[np.float32]]:
        """Return the first row and the rows of the product from there on."""
        first, last = int(self.blocks[:, 0].min()), int(self.blocks[:, 1].max())
        moved = self.blocks - np.array([first, first, 0, 0, 0])
        out = np.zeros((len(vectors), 2, last - first), dtype=np.float32)
        if self.ranks is None:
            compiled.apply_dense(self.packed, self.steps, moved, vectors, out)
        else:
            compiled.apply_low_rank(self.packed, self.steps, self.ranks, moved, vectors, out)
        return first, out


@dataclass(frozen=True, eq=False)
class LowRankMatrix:
    """The far matrix of a mesh and its mirror images.

    Attributes
    ----------
    cut : Blocks
        How it is cut.
    runs : tuple of Run
        All blocks.
    """

    cut: Blocks
    runs: tuple[Run, ...]

    @property
    def nbytes(self) -> int:
        """Memory in bytes."""
        return sum(run.nbytes for run in self.runs)

    def product(self, vectors: NDArray[Any]) -> ComplexArray:
        """Return the matrix times each row of ``vectors``, (n_vectors, n_triangles) complex."""
        taken = vectors[:, self.cut.order]
        parts = np.ascontiguousarray(np.stack((taken.real, taken.imag), axis=1), np.float32)
        total = np.zeros(parts.shape, dtype=np.float32)
        for first, rows in _each(lambda run: run.add_product(parts), self.runs):
            total[:, :, first : first + rows.shape[2]] += rows
        product = np.empty(vectors.shape, dtype=complex)
        product[:, self.cut.order] = total[:, 0] + 1j * total[:, 1]
        return product


def form(
    far: tuple[NDArray[Any], ...],
    cut: Blocks,
    near_pairs: NearPairs,
    near: ComplexArray,
    tolerance: float,
    relative=False, recompress=1000, weight=None,
) -> LowRankMatrix:
    """Form all blocks.

    Parameters
    ----------
    far : tuple of arrays
        Arguments of the far kernels, in the order of the mesh.
    cut : Blocks
        How the matrix is cut.
    near_pairs : NearPairs
        Pairs of point and element that one point cannot represent.
    near : (n_pairs,) complex array
        Near corrections; where a pair is in a near block its far value is added in place.
    tolerance : float
        Error of the matrix as the root of the sum of the squares of its entries.
    """
    ordered = in_order(far, cut.order)
    blocks, dense, runs = cut.admissible, [cut.near], []
    while len(blocks):
        sizes = blocks[:, [1, 3]] - blocks[:, [0, 2]]
        tolerances = tolerance * np.sqrt(sizes.prod(axis=1)) / cut.size
        if weight is not None:
            w2 = np.concatenate(([0.0], np.cumsum(weight[cut.order] ** 2)))
            rms = np.sqrt((w2[blocks[:, 3]] - w2[blocks[:, 2]]) / sizes[:, 1])
            tolerances = tolerances / rms
        shares = _shares(sizes.sum(axis=1), RUNS)
        formed = list(
            _each(
                lambda share: compiled.form_low_rank(
                    ordered, blocks[share], tolerances[share], recompress
                ),
                shares,
            )
        )
        left = []
        for share, (packed, steps, ranks) in zip(shares, formed, strict=True):
            kept = ranks > 0
            if kept.any():
                runs.append(Run(blocks[share][kept], packed, steps, ranks[kept]))
            left.append(blocks[share][ranks < 0])
        blocks, small = _halved(np.concatenate(left))
        dense.append(small)
    runs.extend(_near_runs(ordered, np.concatenate(dense), cut, near_pairs, near))
    return LowRankMatrix(cut, tuple(runs))


def _near_runs(far, blocks, cut, near_pairs, near):
    """Form the blocks that are stored in full."""
    place = np.empty_like(cut.order)
    place[cut.order] = np.arange(cut.size)
    # A run's rows are its own: near corrections of a row are added to by one thread.
    blocks = blocks[np.argsort(blocks[:, 0], kind="stable")]
    rows, columns = (blocks[:, [1, 3]] - blocks[:, [0, 2]]).T

    def formed(share: slice) -> Run:
        these = blocks[share]
        entries = 2 * int((rows[share] * columns[share]).sum())
        packed = np.empty(entries, dtype=np.int16)
        steps = np.empty(int(rows[share].sum()), dtype=np.float32)
        compiled.form_dense(
            far,
            these,
            near_pairs.start,
            near_pairs.element,
            place,
            cut.order,
            near_pairs.image,
            near,
            packed,
            steps,
        )
        return Run(these, packed, steps, None)

    return list(_each(formed, _shares(rows * columns, RUNS)))


def _halved(blocks):
    """Return the quarters of blocks, and those that are too small for it."""
    rows, columns = (blocks[:, [1, 3]] - blocks[:, [0, 2]]).T
    is_small = np.minimum(rows, columns) < 64
    first, last, column, end, image = blocks[~is_small].T
    row_half, column_half = (first + last) // 2, (column + end) // 2
    quarters = [
        np.stack((a, b, c, d, image), axis=1)
        for a, b in ((first, row_half), (row_half, last))
        for c, d in ((column, column_half), (column_half, end))
    ]
    return np.concatenate(quarters), blocks[is_small]


def _shares(costs: NDArray[np.int64], number: int) -> list[slice]:
    """Cut a list into at most ``number`` neighbouring shares of about the same cost."""
    done = np.cumsum(costs)
    ends = np.searchsorted(done, done[-1] * np.arange(1, number + 1) / number) if len(done) else []
    ends = np.unique(np.minimum(np.asarray(ends, dtype=int) + 1, len(costs)))
    return [slice(int(a), int(b)) for a, b in zip((0, *ends[:-1]), ends, strict=True)]


def _each(function: Callable[[Any], Any], items: Sequence[Any]) -> list[Any]:
    """Return what a function makes of each item, on as many threads as the compiled loops take."""
    threads = numba.get_num_threads()
    if threads == 1:
        return [function(item) for item in items]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(function, items))


def in_order(far: tuple[NDArray[Any], ...], order: NDArray[np.int64]) -> tuple[NDArray[Any], ...]:
    """Return the arguments of the far kernels with points and sources in another order."""
    points, normals, signs, couplings, sources, source_normals, weights, moments, scalars = far
    return (
        np.ascontiguousarray(points[:, order]),
        np.ascontiguousarray(normals[:, order]),
        signs,
        couplings[order],
        np.ascontiguousarray(sources[:, order]),
        np.ascontiguousarray(source_normals[:, order]),
        weights[order],
        moments[order],
        scalars,
    )
