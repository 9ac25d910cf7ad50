# SPDX-License-Identifier: GPL-3.0-or-later
"""The nominal surface laid onto a scan: how far each of its places has to move.

Every scanned point says how far the clay stands off the nominal surface at its foot. A smooth
height over each smooth part of the surface is fitted to that, in the sense of least squares:

    sum over points   area * (height at the foot - distance)^2
    + smoothing       l^4 * integral of (Laplacian of the height)^2

so that noise averages out and details larger than some l stay (one of wavelength 2 pi l comes out
half as high). Holes are bridged by the same smoothness; where nothing was seen far and wide, and
on the driver, the height is zero. Parts that meet in a sharp edge have heights of their own, and
the edge moves to where their moved planes meet: it stays sharp. After each round the feet are
sought again on the moved surface.

Laplacians are the usual ones of linear elements (cotangents of the angles).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix, diags
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree

from bafflelens.base.closest_point import area_of, closest, searchable, shares
from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.base.progress import Advance
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.sides import paired_sides
from bafflelens.mockup.scan.repair import Scan
from bafflelens.shapes.meshing.mesh_morph import SurfaceDeviation, require_upright

_SMOOTHING_M: Final = (0.003, 0.015)  # least and greatest l
_SPACING: Final = 0.8  # l over the distance of the scanned points
FARTHEST_BRIDGED_M: Final = 0.03  # beyond this from anything seen the nominal shape is taken
_SHARP_DEG: Final = 35.0
_SEEN_M: Final = 0.006
_ROUNDS: Final = 4
_SAME_WAY: Final = 0.5  # cosine between a scanned point's normal and that of its foot
_DRIVER_HOLD: Final = 1e3
_SLIDE_M: Final = 0.04  # how far from a moved edge the surface slides with it


@dataclass(frozen=True)
class _Parts:
    """The nominal surface, cut open along its sharp edges.

    ``corner`` is to the cut surface what ``triangles`` is to the whole: (n_triangles, 3) numbers
    of vertices, each belonging to one smooth part. ``vertex`` leads back to the whole.
    """

    corner: IntArray
    vertex: IntArray
    normal: FloatArray
    area: FloatArray
    held: NDArray[np.bool_]


def fit(scan: Scan, nominal: Mesh, moving: Sequence[str], advance: Advance) -> SurfaceDeviation:
    """Lay a nominal surface onto a scan that lies in the reference frame.

    Parameters
    ----------
    scan : Scan
        The scan, registered.
    nominal : Mesh
        A fine mesh of the nominal shape, both halves.
    moving : sequence of str
        Surfaces of the driver: they stay where they are, whatever the scan shows there.
    advance : Advance
        Told of progress; the whole is 1.

    Raises
    ------
    MeshingError
        If the clay differs too much from the nominal shape for that.
    """
    parts = _cut_open(nominal, moving)
    scan = scan.divided(_SEEN_M)
    points, normals, areas = scan.vertices, scan.vertex_normals, scan.vertex_areas
    height = np.zeros(len(parts.vertex))
    moved = nominal
    displacement = np.zeros_like(nominal.vertices)
    on_driver = np.isin(nominal.surface, list(moving))
    near_data, smoothing = np.zeros(0), csr_matrix((0, 0))
    for number in range(_ROUNDS):
        surface = searchable(moved.vertices, moved.triangles)
        reach = FARTHEST_BRIDGED_M if number == 0 else 0.01
        feet = closest(surface, points, normals, least_cosine=_SAME_WAY, farthest_m=reach)
        used = np.isfinite(feet.distance) & ~on_driver[feet.owner]
        owner = feet.owner[used]
        share = shares(moved.vertices, moved.triangles[owner], feet.points[used])
        rows = _rows(parts.corner[owner], share, len(parts.vertex))
        along = (rows @ parts.normal * feet.normals[used]).sum(axis=1)
        off = ((points[used] - feet.points[used]) * feet.normals[used]).sum(axis=1)
        target = rows @ height + off / np.maximum(along, 0.5)
        if number == 0:
            near_data, spacing = _data_around(
                nominal, parts, feet.points[used], feet.normals[used]
            )
            smoothing = _smoothing(nominal, parts, spacing)
        weight = areas[used] * (1.0 if number == 0 else _biweight(off))
        height = _solved(parts, smoothing, rows, weight, target, near_data)
        displacement = _displacement(nominal, parts, height)
        moved = Mesh(nominal.vertices + displacement, nominal.triangles, nominal.surface)
        advance(1 / _ROUNDS)
    require_upright(nominal, moved)
    return SurfaceDeviation(
        nominal=nominal,
        displacement=displacement,
        height=height[parts.corner].mean(axis=1),
        seen=(near_data[parts.corner].max(axis=1) < _SEEN_M) & ~on_driver,
    )


def distances(scan: Scan, clay: Mesh, moving: Sequence[str]) -> tuple[FloatArray, FloatArray]:
    """Return how far each scanned point lies from the finished surface, in m, and its area.

    Points on the driver are left out.
    """
    surface = searchable(clay.vertices, clay.triangles)
    feet = closest(surface, scan.vertices)
    kept = ~np.isin(clay.surface[feet.owner], list(moving))
    off = ((scan.vertices - feet.points) * feet.normals).sum(axis=1)
    distance = np.where(np.abs(off) > 0, np.sign(off), 1.0) * feet.distance
    return distance[kept], scan.vertex_areas[kept]


def _cut_open(nominal: Mesh, moving: Sequence[str]) -> _Parts:
    """Cut the nominal surface along its sharp edges."""
    triangles, n = nominal.triangles, nominal.n_triangles
    sides = paired_sides(triangles, len(nominal.vertices))
    one, other = sides.one // 3, sides.two // 3
    cosine = (nominal.normals[one] * nominal.normals[other]).sum(axis=1)
    held = np.isin(nominal.surface, list(moving))
    smooth = (cosine > np.cos(np.radians(_SHARP_DEG))) & (held[one] == held[other])
    graph = coo_matrix((np.ones(smooth.sum()), (one[smooth], other[smooth])), shape=(n, n))
    _, part = connected_components(graph, directed=False)
    key = part[:, None].astype(np.int64) * len(nominal.vertices) + triangles
    _, index, corner = np.unique(key, return_index=True, return_inverse=True)
    corner = corner.reshape(-1, 3)
    vertex = triangles.ravel()[index]
    sums = np.zeros((len(vertex), 3))
    area = np.zeros(len(vertex))
    for i in range(3):
        np.add.at(sums, corner[:, i], nominal.normals * nominal.areas[:, None])
        np.add.at(area, corner[:, i], nominal.areas / 3)
    is_held = np.zeros(len(vertex), dtype=bool)
    is_held[corner[held]] = True
    return _Parts(
        corner=corner,
        vertex=vertex,
        normal=sums / np.linalg.norm(sums, axis=1, keepdims=True),
        area=area,
        held=is_held,
    )


def _stiffness(corners: FloatArray, numbers: IntArray, size: int) -> csr_matrix:
    """Return the matrix of the integral of grad u . grad v with linear elements."""
    rows, columns, values = [], [], []
    for i in range(3):
        j, k = (i + 1) % 3, (i + 2) % 3
        a, b = corners[:, j] - corners[:, i], corners[:, k] - corners[:, i]
        twice_area = np.maximum(np.linalg.norm(np.cross(a, b), axis=1), 1e-300)
        half = np.clip((a * b).sum(axis=1) / twice_area, -5.0, 5.0) / 2
        rows += [numbers[:, j], numbers[:, k], numbers[:, j], numbers[:, k]]
        columns += [numbers[:, k], numbers[:, j], numbers[:, j], numbers[:, k]]
        values += [-half, -half, half, half]
    entries = (np.concatenate(rows), np.concatenate(columns))
    return coo_matrix((np.concatenate(values), entries), shape=(size, size)).tocsr()


def _smoothing(nominal: Mesh, parts: _Parts, spacing: FloatArray) -> csr_matrix:
    """Return the matrix of the smoothing energy of the module's docstring."""
    length = np.clip(_SPACING * spacing, *_SMOOTHING_M)
    size = len(parts.vertex)
    stiffness = _stiffness(nominal.corners, parts.corner, size)
    edges = np.concatenate([parts.corner[:, [i, (i + 1) % 3]] for i in range(3)])
    unique, counts = np.unique(np.sort(edges, axis=1), axis=0, return_counts=True)
    inner = np.ones(size)
    inner[unique[counts == 1]] = 0.0  # along its border a part may slope as it likes
    bending = stiffness.T @ diags(inner * length**4 / parts.area) @ stiffness
    # A trace of tension keeps parts determined that are too narrow to bend.
    return bending + 1e-2 * _SMOOTHING_M[0] ** 2 * stiffness


def _rows(corner: IntArray, share: FloatArray, size: int) -> csr_matrix:
    """Return the matrix from heights at vertices to heights at feet."""
    row = np.repeat(np.arange(len(corner)), 3)
    return csr_matrix((share.ravel(), (row, corner.ravel())), shape=(len(corner), size))


def _solved(
    parts: _Parts,
    smoothing: csr_matrix,
    rows: csr_matrix,
    weight: FloatArray,
    target: FloatArray,
    near_data: FloatArray,
) -> FloatArray:
    hold = np.where(near_data > FARTHEST_BRIDGED_M, parts.area, 1e-6 * parts.area)
    hold = np.where(parts.held, _DRIVER_HOLD * parts.area, hold)
    matrix = rows.T @ diags(weight) @ rows + smoothing + diags(hold)
    return _solution(matrix, rows.T @ (weight * target))


def _solution(matrix: csr_matrix, right: FloatArray) -> FloatArray:
    """Solve a symmetric, positive definite system."""
    factors = splu(
        matrix.tocsc(),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )
    return np.asarray(factors.solve(np.asarray(right)))


def _data_around(
    nominal: Mesh, parts: _Parts, points: FloatArray, normals: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return two lengths in m for each vertex of the parts.

    The distance from the nearest foot that faces its way, and the distance between feet around
    it.
    """
    k = min(16, len(points))
    near, index = cKDTree(points).query(nominal.vertices[parts.vertex], k=k)
    near, index = near.reshape(-1, k), index.reshape(-1, k)
    same = np.einsum("nkj,nj->nk", normals[index], parts.normal) > _SAME_WAY
    found = np.where(same, near, np.inf).min(axis=1)
    spacing = near[:, -1] * np.sqrt(np.pi / np.maximum(same.sum(axis=1), 1))
    return np.where(np.isfinite(found), found, near[:, -1]), spacing


def _biweight(off: FloatArray) -> FloatArray:
    """Return Tukey's weights: what is far off the fitted surface is no clay."""
    scale = 1.4826 * float(np.median(np.abs(off))) if len(off) else 0.0
    return np.asarray(np.clip(1 - (off / max(6 * scale, 1e-3)) ** 2, 0.0, 1.0) ** 2)


def _displacement(nominal: Mesh, parts: _Parts, height: FloatArray) -> FloatArray:
    """Return the displacement of every vertex from the heights of the parts that meet there."""
    n = len(nominal.vertices)
    count = np.bincount(parts.vertex, minlength=n)
    matrix, right = np.zeros((n, 3, 3)), np.zeros((n, 3))
    np.add.at(matrix, parts.vertex, parts.normal[:, :, None] * parts.normal[:, None, :])
    np.add.at(right, parts.vertex, parts.normal * height[:, None])
    # The ridge leaves what the planes do not determine (along an edge) at rest.
    meeting = np.linalg.solve(matrix + 1e-2 * np.eye(3), right[:, :, None])[:, :, 0]
    held = np.zeros(n, dtype=bool)
    held[parts.vertex[parts.held]] = True
    fixed = held | (count > 1)
    meeting[held] = 0.0
    # Elsewhere the surface slides along with the nearest edges, lest their triangles fold.
    stiffness = _stiffness(nominal.corners, nominal.triangles, n)
    mass = np.bincount(
        nominal.triangles.ravel(), np.repeat(area_of(nominal.corners) / 3, 3), minlength=n
    )
    matrix = stiffness + diags(mass / _SLIDE_M**2)
    free = ~fixed
    slide = np.zeros((n, 3))
    slide[fixed] = meeting[fixed]
    right = -(matrix[free][:, fixed] @ meeting[fixed])
    slide[free] = _solution(matrix[free][:, free], right)
    alone = ~fixed[parts.vertex]
    vertex, normal = parts.vertex[alone], parts.normal[alone]
    along = (slide[vertex] * normal).sum(axis=1)
    slide[vertex] += (height[alone] - along)[:, None] * normal
    return slide
