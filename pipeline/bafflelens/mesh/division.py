# SPDX-License-Identifier: GPL-3.0-or-later
"""A mesh made finer where its edges are longer than asked; what it describes stays as it is."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.base.errors import MeshingError, invalid
from bafflelens.mesh.mesh import Mesh

MOST_TRIANGLES: Final = 400_000
_TOO_LONG: Final = 4 / 3  # halves of such an edge are as far below the size as it is above
_MOST_ROUNDS: Final = 40


def divided(mesh: Mesh, size_at: Callable[[FloatArray], FloatArray]) -> Mesh:
    """Return a mesh whose edges are at most four thirds of a size, by halving edges.

    Edges are halved on both sides at once, so that the surface stays closed; the longest edge of
    a triangle is always among those halved, so that no angle falls below half the smallest one
    (the four triangles of longest edges: M.-C. Rivara, Int. J. Numer. Meth. Engng 20 (1984) 745,
    citation from memory).

    Parameters
    ----------
    mesh : Mesh
        Flat triangles.
    size_at : callable
        (n, 3) points in m to the edge length wanted there, (n,) in m.

    Raises
    ------
    MeshingError
        If that takes more than `MOST_TRIANGLES`.
    """
    for _ in range(_MOST_ROUNDS):
        edges, of_triangle = _edges(mesh.triangles)
        ends = mesh.vertices[edges]
        length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
        is_halved = length > _TOO_LONG * size_at(ends.mean(axis=1))
        if not is_halved.any():
            return mesh
        longest = np.take_along_axis(
            of_triangle, np.argmax(length[of_triangle], axis=1)[:, np.newaxis], axis=1
        )[:, 0]
        _close(is_halved, of_triangle, longest)
        mesh = _halved(mesh, edges, of_triangle, longest, is_halved)
        if mesh.n_triangles > MOST_TRIANGLES:
            break
    rule = f"one that needs at most {MOST_TRIANGLES} triangles at the highest frequency"
    raise MeshingError(invalid("mesh", f"{mesh.n_triangles} triangles", rule))


def _edges(triangles: IntArray) -> tuple[IntArray, IntArray]:
    """Return the edges (n, 2), and those of each triangle: opposite to corner 0, 1 and 2."""
    pairs = np.sort(triangles[:, [[1, 2], [2, 0], [0, 1]]], axis=2)
    edges, number = np.unique(pairs.reshape(-1, 2), axis=0, return_inverse=True)
    return edges, number.reshape(-1, 3)


def _close(is_halved: NDArray[np.bool_], of_triangle: IntArray, longest: IntArray) -> None:
    """Mark the longest edge of every triangle that has a marked edge, until nothing changes."""
    while True:
        touched = is_halved[of_triangle].any(axis=1) & ~is_halved[longest]
        if not touched.any():
            return
        is_halved[longest[touched]] = True


def _halved(
    mesh: Mesh,
    edges: IntArray,
    of_triangle: IntArray,
    longest: IntArray,
    is_halved: NDArray[np.bool_],
) -> Mesh:
    """Return the mesh with edges halved, two to four triangles in place of each that has one."""
    middle = np.full(len(edges), -1)
    middle[is_halved] = np.arange(int(is_halved.sum())) + len(mesh.vertices)
    vertices = np.concatenate((mesh.vertices, mesh.vertices[edges[is_halved]].mean(axis=1)))
    whole = ~is_halved[longest]
    split = np.flatnonzero(~whole)
    # Turned so that the longest edge is opposite to the first corner.
    first = np.argmax(of_triangle[split] == longest[split, np.newaxis], axis=1)
    turn = (first[:, np.newaxis] + np.arange(3)) % 3
    a, b, c = np.take_along_axis(mesh.triangles[split], turn, axis=1).T
    on_a, on_b, on_c = middle[np.take_along_axis(of_triangle[split], turn, axis=1)].T
    parts = [
        *_half(a, b, on_a, on_c),
        *_half(c, a, on_a, on_b),
    ]
    triangles = [mesh.triangles[whole], *(corners for corners, _ in parts)]
    surface = [mesh.surface[whole], *(mesh.surface[split[of]] for _, of in parts)]
    return Mesh(vertices, np.concatenate(triangles), np.concatenate(surface))


def _half(
    start: IntArray, end: IntArray, tip: IntArray, middle: IntArray
) -> tuple[tuple[IntArray, IntArray], ...]:
    """Return the half of each triangle with an outer edge, whole or halved once more.

    Parameters
    ----------
    start, end, tip : (n,) integer array
        Corners of the half, in its sense; the outer edge runs from start to end.
    middle : (n,) integer array
        Vertex in the middle of the outer edge, -1 where that is not halved.
    """
    every = np.arange(len(start))
    is_whole = middle < 0
    kept, cut = every[is_whole], every[~is_whole]
    return (
        (np.stack((start[kept], end[kept], tip[kept]), axis=1), kept),
        (np.stack((start[cut], middle[cut], tip[cut]), axis=1), cut),
        (np.stack((middle[cut], end[cut], tip[cut]), axis=1), cut),
    )
