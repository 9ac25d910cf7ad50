# SPDX-License-Identifier: GPL-3.0-or-later
"""Which lines of a solid are hidden when it is seen along an axis.

The front-facing triangles are drawn into a grid of heights towards the viewer. A point is hidden
where that surface lies above it in its own cell and in all cells around: so a line on a steep
wall, or on the outline, is not hidden by the very surface that it lies on.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from bafflelens.base.conventions import BoolArray, FloatArray
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.sides import paired_sides

_CELL_M: Final = 0.5e-3
_MOST_CELLS: Final = 1_500_000
_CLEARANCE_M: Final = 0.3e-3  # more than the chords of a mesh for printing
_EDGE_ON: Final = 1e-6
_ON_ANOTHER: Final = 0.8  # steps: lines that are nearer are one on another
_CROSSES: Final = 4  # steps, for which a line that only crosses another may be as near


@dataclass(frozen=True, kw_only=True)
class View:
    """How a solid is seen: unit vectors to the right and up on the page, towards the viewer."""

    right: tuple[float, float, float]
    up: tuple[float, float, float]

    @property
    def toward(self) -> FloatArray:
        """Towards the viewer."""
        return np.cross(self.right, self.up)

    def on_page(self, points: FloatArray) -> FloatArray:
        """Return where points are on the page, (n, 2)."""
        return np.asarray(points @ np.column_stack((self.right, self.up)))


FRONT: Final = View(right=(0.0, 1.0, 0.0), up=(0.0, 0.0, 1.0))
FROM_RIGHT: Final = View(right=(1.0, 0.0, 0.0), up=(0.0, 0.0, 1.0))


@dataclass(frozen=True, kw_only=True, eq=False)
class Heights:
    """The surface that is seen: its height towards the viewer, over a grid.

    Attributes
    ----------
    view : View
        How it is seen.
    corner_m : (2,) array
        Where the first cell begins on the page.
    cell_m : float
        Size of a cell.
    height_m : (n_up, n_right) array
        Minus infinity where there is nothing.
    """

    view: View
    corner_m: FloatArray
    cell_m: float
    height_m: FloatArray

    @cached_property
    def lowest_m(self) -> FloatArray:
        """The lowest height of each cell and those around it, (n_up, n_right)."""
        found = self.height_m
        for _ in range(2):  # along each axis; there is nothing beyond the outermost cells
            beside = np.pad(found, ((1, 1), (0, 0)), mode="edge")
            found = np.minimum(np.minimum(beside[:-2], beside[2:]), found).T
        return np.ascontiguousarray(found)

    def hides(self, points: FloatArray) -> BoolArray:
        """Return which points, (n, 3), are hidden."""
        place = np.floor((self.view.on_page(points) - self.corner_m) / self.cell_m).astype(int)
        height = points @ self.view.toward
        rows, columns = self.lowest_m.shape
        row, column = np.clip(place[:, 1], 0, rows - 1), np.clip(place[:, 0], 0, columns - 1)
        return np.asarray(self.lowest_m[row, column] > height + _CLEARANCE_M)


def heights_of(mesh: Mesh, view: View) -> Heights:
    """Return the heights of a closed mesh as it is seen."""
    page = view.on_page(mesh.vertices)
    low, high = page.min(axis=0), page.max(axis=0)
    cell = max(_CELL_M, float(np.sqrt(np.prod(high - low) / _MOST_CELLS)))
    corner = low - 2.5 * cell
    columns, rows = (int(n) for n in np.ceil((high - low) / cell) + 6)
    found = np.full((rows, columns), -np.inf)
    facing = np.flatnonzero(mesh.normals @ view.toward > 1e-9)
    at = (page - corner) / cell - 0.5  # so that cells' middles are whole numbers
    height = mesh.vertices @ view.toward
    _draw(found, at[mesh.triangles[facing]], height[mesh.triangles[facing]])
    return Heights(view=view, corner_m=corner, cell_m=cell, height_m=found)


@njit(cache=True)
def _draw(found, corners, heights):  # type: ignore[no-untyped-def]
    """Raise the cells whose middles lie in a triangle to its height, for every triangle."""
    for number in range(len(corners)):
        ax, ay = corners[number, 0]
        ux, uy = corners[number, 1, 0] - ax, corners[number, 1, 1] - ay
        vx, vy = corners[number, 2, 0] - ax, corners[number, 2, 1] - ay
        size = ux * vy - uy * vx
        if abs(size) < 1e-12:
            continue
        base = heights[number, 0]
        one, two = heights[number, 1] - base, heights[number, 2] - base
        for row in range(
            int(np.ceil(ay + min(0.0, uy, vy))), int(np.floor(ay + max(0.0, uy, vy))) + 1
        ):
            for column in range(
                int(np.ceil(ax + min(0.0, ux, vx))), int(np.floor(ax + max(0.0, ux, vx))) + 1
            ):
                x, y = column - ax, row - ay
                share_1 = (x * vy - y * vx) / size
                share_2 = (y * ux - x * uy) / size
                if share_1 < -1e-9 or share_2 < -1e-9 or share_1 + share_2 > 1 + 1e-9:
                    continue
                level = base + share_1 * one + share_2 * two
                found[row, column] = max(found[row, column], level)


def runs(points: FloatArray, heights: Heights, step_m: float) -> Iterator[tuple[FloatArray, bool]]:
    """Yield a line in pieces that are all seen or all hidden.

    Parameters
    ----------
    points : (n, 3) array
        Along the line.
    heights : Heights
        The surface.
    step_m : float
        How closely it is looked at.

    Yields
    ------
    (n, 3) array, bool
        A piece, and whether it is hidden.
    """
    fine = finely(points, step_m)
    hidden = heights.hides((fine[1:] + fine[:-1]) / 2)
    start = 0
    for number in range(1, len(hidden) + 1):
        if number == len(hidden) or hidden[number] != hidden[start]:
            yield fine[start : number + 1], bool(hidden[start])
            start = number


def finely(points: FloatArray, step_m: float) -> FloatArray:
    """Return a line with more points, none farther than a step from the next."""
    steps = np.diff(points, axis=0)
    counts = np.maximum(np.ceil(np.linalg.norm(steps, axis=1) / step_m), 1).astype(int)
    piece = np.repeat(np.arange(len(steps)), counts)
    number = np.arange(1, len(piece) + 1) - (np.cumsum(counts) - counts)[piece]
    share = number / counts[piece]
    return np.concatenate((points[:1], points[piece] + steps[piece] * share[:, np.newaxis]))


def uncovered(
    hidden: Sequence[FloatArray], seen: Sequence[FloatArray], step: float
) -> list[FloatArray]:
    """Return what of hidden lines is drawn: where lines are drawn one on another, one of them.

    What is seen comes before what is hidden (ISO 128-2, from memory), and of two hidden lines one
    is enough: dashes in each other's gaps would look like a line that is seen.

    Parameters
    ----------
    hidden, seen : sequence of (n, 2) array
        Lines on the page, with points about a step apart.
    step : float
        That step, in their unit.
    """
    ordered = sorted(hidden, key=len, reverse=True)
    lines = [*seen, *ordered]
    if not ordered:
        return []
    owner = np.repeat(np.arange(len(lines)), [len(line) for line in lines])
    along = np.concatenate([_lengths(line) for line in lines])
    tree = cKDTree(np.concatenate(lines))
    found = []
    for number, line in enumerate(ordered, start=len(seen)):
        # Outlines of round holes may run around them more than once.
        before = _lengths(line)[:-1] - _CROSSES * step
        near = tree.query_ball_point((line[1:] + line[:-1]) / 2, _ON_ANOTHER * step)
        covered = np.zeros(len(near), dtype=bool)
        for place, others in enumerate(near):
            earlier = (owner[others] == number) & (along[others] < before[place])
            covered[place] = bool((earlier | (owner[others] < number)).any())
        for first, last in _stretches(covered):
            covered[first:last] &= last - first >= _CROSSES
        found += [line[a : b + 1] for a, b in _stretches(covered) if not covered[a]]
    return found


def _lengths(line: FloatArray) -> FloatArray:
    """Return how far each point of a line is along it."""
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    return np.concatenate(([0.0], np.cumsum(steps)))


def _stretches(values: BoolArray) -> list[tuple[int, int]]:
    """Return first and last plus one of each stretch of equal values."""
    ends = (np.flatnonzero(values[1:] != values[:-1]) + 1).tolist()
    return list(pairwise([0, *ends, len(values)]))


def outlines(mesh: Mesh, view: View) -> list[FloatArray]:
    """Return the lines at which curved faces turn away from the viewer, each (n, 3)."""
    facing = mesh.normals @ view.toward
    start, end, one, two = paired_sides(mesh.triangles, len(mesh.vertices))
    # A side that runs along the line of sight counts as turned away.
    turn = (facing[one // 3] > _EDGE_ON) != (facing[two // 3] > _EDGE_ON)
    # An edge that bends is drawn as one already.
    smooth = np.einsum("ij,ij->i", mesh.normals[one // 3], mesh.normals[two // 3]) > 0.9
    chosen = one[turn & smooth]
    return [mesh.vertices[line] for line in _joined(start[chosen], end[chosen])]


def _joined(start: NDArray[np.int64], end: NDArray[np.int64]) -> list[list[int]]:
    """Return segments joined to lines, as numbers of vertices."""
    beside: dict[int, list[int]] = {}
    for a, b in zip(start.tolist(), end.tolist(), strict=True):
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    lines = []
    while beside:
        # A line begins where only one segment ends, a ring anywhere.
        first = next((v for v, others in beside.items() if len(others) == 1), next(iter(beside)))
        line = [first]
        while beside.get(line[-1]):
            here = line[-1]
            there = beside[here].pop()
            beside[there].remove(here)
            for vertex in (here, there):
                if not beside[vertex]:
                    del beside[vertex]
            line.append(there)
        lines.append(line)
    return lines
