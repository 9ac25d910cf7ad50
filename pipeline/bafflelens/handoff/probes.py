# SPDX-License-Identifier: GPL-3.0-or-later
"""Points spread over triangles, so that large ones are looked at in more than one place."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import FloatArray
from bafflelens.mesh.mesh import Mesh

_MOST_PARTS: Final = 400  # of an edge


def probes(
    mesh: Mesh, numbers: NDArray[np.int64], spacing_m: float
) -> tuple[FloatArray, NDArray[np.int64]]:
    """Return points inside triangles about a spacing apart, one in each at least.

    Parameters
    ----------
    mesh : Mesh
        The surface.
    numbers : (n,) array
        Which triangles.
    spacing_m : float
        How far apart.

    Returns
    -------
    points : (n_points, 3) array
        In m: the middles of the equal parts that each triangle is cut into.
    owners : (n_points,) array
        The triangle of each.
    """
    corners = mesh.corners[numbers]
    edges = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    parts = np.clip(np.ceil(edges / spacing_m), 1, _MOST_PARTS).astype(int)
    points, owners = [np.zeros((0, 3))], [np.zeros(0, dtype=np.int64)]
    for count in np.unique(parts):
        same = parts == count
        shares = _middles(int(count))
        points.append(np.einsum("sc,tcj->tsj", shares, corners[same]).reshape(-1, 3))
        owners.append(np.repeat(numbers[same], len(shares)))
    return np.concatenate(points), np.concatenate(owners)


def _middles(count: int) -> FloatArray:
    """Return the barycentric middles of a triangle cut into count^2 equal ones."""
    found = []
    for row in range(count):
        for column in range(count - row):
            found.append((row + 1 / 3, column + 1 / 3))
            if column < count - row - 1:
                found.append((row + 2 / 3, column + 2 / 3))
    one, two = np.array(found).T / count
    return np.column_stack((one, two, 1 - one - two))
