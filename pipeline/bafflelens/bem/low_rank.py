# SPDX-License-Identifier: GPL-3.0-or-later
"""The Burton-Miller matrix as a hierarchy of blocks, most of them of low rank."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.base.threads import number_of_threads
from bafflelens.bem import block_products
from bafflelens.bem import cross_approximation as compiled
from bafflelens.bem.clusters import LEAF, Blocks
from bafflelens.bem.near_field import NearPairs

# Runs of blocks, each the work of one thread. Always as many, so that sums are added in one
# order however many threads there are.
RUNS = 24

Packed = NDArray[np.int16]
_NO_MEMORY: Packed = np.empty(0, dtype=np.int16)


@dataclass(frozen=True, eq=False)
class BlockRun:
    """Neighbouring blocks that one thread forms and multiplies.

    Attributes
    ----------
    blocks : (n_blocks, 5) integer array
        As in `Blocks`.
    packed, steps : arrays
        What was formed, in memory that may be the next matrix's afterwards.
    ranks : (n_blocks,) integer array or None
        Number of products of each block; None where they are stored in full.
    pivots : (n_products, 2) integer array or None
        Row and column of its block that each was laid through.
    """

    blocks: NDArray[np.int64]
    packed: NDArray[np.int16]
    steps: NDArray[np.float32]
    ranks: NDArray[np.int64] | None
    pivots: NDArray[np.int32] | None = None

    @property
    def nbytes(self) -> int:
        """Memory in bytes."""
        return self.packed.nbytes + self.steps.nbytes

    @property
    def crosses(self) -> tuple[NDArray[Any], ...]:
        """What `block_derivatives` takes of blocks of low rank."""
        assert self.ranks is not None
        assert self.pivots is not None
        return self.blocks, self.ranks, self.pivots, self.packed

    def add_product(
        self, vectors: NDArray[np.float32], *, is_transposed: bool
    ) -> tuple[int, NDArray[np.float32]]:
        """Return the first row and the rows of the product from there on.

        Of the product with the transposed blocks, if asked for.
        """
        into = slice(2, 4) if is_transposed else slice(0, 2)
        first, last = int(self.blocks[:, into].min()), int(self.blocks[:, into].max())
        moved = self.blocks.copy()
        moved[:, into] -= first
        out = np.zeros((len(vectors), 2, last - first), dtype=np.float32)
        if self.ranks is None:
            apply = (
                block_products.apply_in_full_transposed
                if is_transposed
                else block_products.apply_in_full
            )
            apply(self.packed, self.steps, moved, vectors, out)
        else:
            block_products.apply_low_rank(
                self.packed, self.steps, self.ranks, moved, is_transposed, vectors, out
            )
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
    runs: tuple[BlockRun, ...]

    @property
    def nbytes(self) -> int:
        """Memory in bytes."""
        return sum(run.nbytes for run in self.runs)

    def product(self, vectors: NDArray[Any], *, is_transposed: bool = False) -> ComplexArray:
        """Return the matrix times each row of ``vectors``, (n_vectors, n_triangles) complex.

        Or its transpose, if asked for.
        """
        taken = vectors[:, self.cut.order]
        parts = np.ascontiguousarray(np.stack((taken.real, taken.imag), axis=1), np.float32)
        total = np.zeros(parts.shape, dtype=np.float32)
        add = partial(BlockRun.add_product, vectors=parts, is_transposed=is_transposed)
        for first, rows in each(add, self.runs):
            total[:, :, first : first + rows.shape[2]] += rows
        product = np.empty(vectors.shape, dtype=complex)
        product[:, self.cut.order] = total[:, 0] + 1j * total[:, 1]
        return product


def form(
    far: tuple[NDArray[Any], ...],
    cut: Blocks,
    near_pairs: NearPairs,
    near: ComplexArray,
    *,
    tolerance: float,
    expected: FloatArray | None = None,
    memory: list[Packed] | None = None,
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
        Near corrections; where a pair is in a block stored in full its far value is added in
        place.
    tolerance : float
        Error of the matrix as the root of the sum of the squares of its entries, spread evenly.
    expected : (n_triangles,) array, optional
        About how large what is multiplied is at each element; the root of the mean of the
        squares is 1. Columns may be the less exact the smaller it is.
    memory : list of int16 arrays, optional
        That of a matrix that nobody needs any more, taken for this one: fresh pages cost a fifth
        of the time. Holds this one's afterwards.
    """
    ordered = in_order(far, cut.order)
    blocks, in_full = cut.admissible, [cut.near]
    runs: list[BlockRun] = []
    kept = [] if memory is None else memory
    spare, taken = iter(tuple(kept)), list[Packed]()
    entries = cut.size**2 * len(far[2])  # of all mirror images
    while len(blocks):
        sizes = np.stack(_sizes(blocks), axis=1)
        tolerances = _shares_of_error(tolerance, sizes, entries)
        if expected is not None:
            tolerances /= _means(expected[cut.order], blocks)
        shares = [(share, next(spare, _NO_MEMORY)) for share in _shares(sizes.sum(axis=1))]
        formed = each(partial(_low_rank_run, ordered, blocks, tolerances), shares)
        runs.extend(run for run, *_ in formed if len(run.blocks))
        taken.extend(packed for *_, packed in formed)
        blocks, small = _halved(np.concatenate([others for _, others, _ in formed]))
        in_full.append(small)
    near_blocks = np.concatenate(in_full)
    near_blocks = near_blocks[np.argsort(near_blocks[:, 0], kind="stable")]
    place = np.empty_like(cut.order)
    place[cut.order] = np.arange(cut.size)
    full_run = partial(_full_run, ordered, near_blocks, cut.order, place, near_pairs, near)
    rows, columns = _sizes(near_blocks)
    shares = [(share, next(spare, _NO_MEMORY)) for share in _shares(rows * columns)]
    for run, packed in each(full_run, shares):
        runs.append(run)
        taken.append(packed)
    kept[:] = taken
    return LowRankMatrix(cut, tuple(runs))


def form_run(
    far: tuple[NDArray[Any], ...], blocks: NDArray[np.int64], tolerance: float
) -> tuple[BlockRun, NDArray[np.int64]]:
    """Return blocks formed by crosses, and those where low rank does not pay.

    Parameters
    ----------
    far : tuple of arrays
        From `in_order`.
    blocks, tolerance
        As for `form`, some blocks of a matrix of that error.
    """
    entries = (far[0].shape[1] - compiled.LANES) ** 2 * len(far[2])
    tolerances = _shares_of_error(tolerance, np.stack(_sizes(blocks), axis=1), entries)
    run, left, _ = _low_rank_run(far, blocks, tolerances, (slice(None), _NO_MEMORY))
    return run, left


def _low_rank_run(
    far: tuple[NDArray[Any], ...],
    blocks: NDArray[np.int64],
    tolerances: FloatArray,
    share_and_memory: tuple[slice, Packed],
) -> tuple[BlockRun, NDArray[np.int64], Packed]:
    """Return a share of the blocks, formed, those where low rank does not pay, and the memory."""
    share, memory = share_and_memory
    mine = blocks[share]
    memory, end, steps, ranks, pivots = compiled.form_low_rank(
        far, mine, tolerances[share], memory
    )
    run = BlockRun(mine[ranks > 0], memory[:end], steps, ranks[ranks > 0], pivots)
    return run, mine[ranks < 0], memory


def _full_run(
    far: tuple[NDArray[Any], ...],
    blocks: NDArray[np.int64],
    order: IntArray,
    place: IntArray,
    near_pairs: NearPairs,
    near: ComplexArray,
    share_and_memory: tuple[slice, Packed],
) -> tuple[BlockRun, Packed]:
    """Return a share of the blocks that are stored in full, and their memory."""
    share, memory = share_and_memory
    mine = blocks[share]
    rows, columns = _sizes(mine)
    needed = 2 * int((rows * columns).sum())
    memory = memory if memory.size >= needed else np.empty(needed, dtype=np.int16)
    packed = memory[:needed]
    steps = np.empty(int(rows.sum()), dtype=np.float32)
    pairs = (near_pairs.start, near_pairs.element, near_pairs.image)
    compiled.form_in_full(far, mine, order, place, pairs, near, packed, steps)
    return BlockRun(mine, packed, steps, None), memory


def _sizes(blocks: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the numbers of rows and columns of blocks."""
    return blocks[:, 1] - blocks[:, 0], blocks[:, 3] - blocks[:, 2]


def _shares_of_error(tolerance: float, sizes: NDArray[np.int64], entries: int) -> FloatArray:
    """Return what may be left of blocks, spread evenly over all entries of a matrix."""
    return np.asarray(tolerance * np.sqrt(sizes.prod(axis=1) / entries))


def _means(values: FloatArray, blocks: NDArray[np.int64]) -> FloatArray:
    """Return the root of the mean of the squares of ``values`` over the columns of blocks."""
    sums = np.concatenate(([0.0], np.cumsum(values**2)))
    squares = (sums[blocks[:, 3]] - sums[blocks[:, 2]]) / (blocks[:, 3] - blocks[:, 2])
    return np.asarray(np.sqrt(squares))


def _halved(blocks: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the quarters of blocks, and the blocks that are too small for it."""
    is_small = np.minimum(*_sizes(blocks)) < LEAF
    first, last, column, end, image = blocks[~is_small].T
    row_half, column_half = (first + last) // 2, (column + end) // 2
    quarters = [
        np.stack((a, b, c, d, image), axis=1)
        for a, b in ((first, row_half), (row_half, last))
        for c, d in ((column, column_half), (column_half, end))
    ]
    return np.concatenate(quarters), blocks[is_small]


def _shares(costs: NDArray[np.int64]) -> list[slice]:
    """Cut a list into neighbouring shares of about the same cost, `RUNS` at most."""
    done = np.cumsum(costs)
    wanted = done[-1] * np.arange(1, RUNS) / RUNS
    ends = np.unique(np.append(np.searchsorted(done, wanted), len(costs)))
    ends = ends[ends > 0]
    return [slice(int(a), int(b)) for a, b in zip((0, *ends[:-1]), ends, strict=True)]


def each(function: Callable[[Any], Any], items: Sequence[Any]) -> list[Any]:
    """Return what a function makes of each item, on as many threads as the compiled loops take."""
    threads = number_of_threads()
    if threads == 1:
        return [function(item) for item in items]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(function, items))


def in_order(far: tuple[NDArray[Any], ...], order: NDArray[np.int64]) -> tuple[NDArray[Any], ...]:
    """Return the arguments of the far kernels in another order, as loops over vectors take them.

    Parameters
    ----------
    far : tuple of arrays
        As `kernels.apply_coupled_double_layer` takes them, with as many points as elements.
    order : (n,) integer array
        The element at each place.

    Returns
    -------
    points : (7, more than n) array
        Field points, normals and couplings; nothing behind the last.
    elements : (8, more than n) array
        Sources, normals, weights and moments; nothing behind the last.
    signs, scalars : arrays
        As they are.
    """
    points, normals, signs, couplings, sources, source_normals, weights, moments, scalars = far
    size = len(order)
    seen_from = np.zeros((7, size + compiled.LANES), dtype=points.dtype)
    elements = np.zeros((8, size + compiled.LANES), dtype=points.dtype)
    seen_from[:3, :size], seen_from[3:6, :size] = points[:, order], normals[:, order]
    seen_from[6, :size] = couplings[order]
    elements[:3, :size], elements[3:6, :size] = sources[:, order], source_normals[:, order]
    elements[6, :size], elements[7, :size] = weights[order], moments[order]
    return seen_from, elements, signs, scalars
