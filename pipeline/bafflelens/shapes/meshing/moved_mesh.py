# SPDX-License-Identifier: GPL-3.0-or-later
"""A mesh moved from the solid that it was made of onto another of the same make.

Each vertex stays on its corner, curve or face: on a curve at the same share of its length; on a
face where the shifts of the boundary, spread over the face without a maximum in between, take it,
and from there to the nearest point of the face. So nothing of the mesh changes but where its
vertices lie, and what it costs is to build the solid.

The shifts inside follow from those of the neighbours by mean value weights, which are positive
and leave a plane patch plane (M. Floater, "Mean value coordinates", Computer Aided Geometric
Design 20, 19-27, 2003, Eq. 2.1).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import splu

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.base.errors import MeshingError, invalid
from bafflelens.mesh.mesh import Mesh
from bafflelens.shapes.meshing.solid_places import (
    parameter_range,
    points_at_shares,
    volume_ratio,
)

_STEPS_TO_FACE: Final = 12
_ON_FACE_M: Final = 1e-9
_LARGEST_TURN_COSINE: Final = float(np.cos(np.radians(60.0)))
_SMALL_ANGLE_DEG: Final = 14.0  # what was smaller already may lose a quarter more
_ANGLE_KEPT: Final = 0.75
_SMALLEST_ANGLE_DEG: Final = 8.0  # of the few that may be smaller still
_LONGEST_GROWTH: Final = 1.3  # of a triangle's longest edge
_LARGEST_GROWTH: Final = 1.7  # of that of the few that may grow more
_FEW: Final = 0.005  # a share of the triangles: slivers and gaps of that many change nothing
_MEAN_GROWTH: Final = 1.06  # of a surface's root mean square edge: one element in 17 a wavelength
_VOLUME_TOLERANCE: Final = 2e-4


def moved_onto(
    model: Any,
    anchor: Mesh,
    solid: str,
    planes: Mapping[int, float],
) -> Mesh:
    """Return a mesh moved onto the solid of gmsh's model.

    Parameters
    ----------
    model : gmsh.model
        The solid, synchronised.
    anchor : Mesh
        The mesh, which knows its places.
    solid : str
        Digest of the solid.
    planes : mapping of int to float
        Mirror planes: the axis across each, and how near to it a vertex is on it, in m.

    Raises
    ------
    MeshingError
        If the solid is of another make, or the mesh would suffer: its sentence says how.
    """
    places = anchor.places
    if places is None or places.solid != solid:
        rule = "one of the same corners, curves and faces"
        raise MeshingError(invalid("shape to move a mesh onto", "another make", rule))
    dimension = places.entity[:, 0]
    vertices = anchor.vertices.copy()
    entities = _by_entity(places.entity)
    for entity, here in entities:
        if entity[0] == 0:
            vertices[here] = model.getValue(0, entity[1], [])
        elif entity[0] == 1:
            vertices[here] = points_at_shares(model, entity[1], places.share[here, 0])
    inside = dimension == 2
    vertices[inside] += _spread(anchor, vertices - anchor.vertices, inside)[inside]
    for entity, here in entities:
        if entity[0] == 2:
            vertices[here] = _nearest(model, entity[1], vertices[here], places.share[here])
    for axis, near_m in planes.items():
        on_plane = anchor.vertices[:, axis] == 0.0
        if np.abs(vertices[on_plane, axis]).max(initial=0.0) > near_m:
            value = "vertices that leave the mirror plane"
            raise _harmed(value, "none")
        vertices[on_plane, axis] = 0.0
    moved = Mesh(vertices, anchor.triangles, anchor.surface)
    require_unharmed(anchor, moved)
    ratio = volume_ratio(model, moved.volume)
    if abs(ratio - places.volume_ratio) > _VOLUME_TOLERANCE:
        value = f"a volume of {ratio:.5f} of the solid's"
        raise _harmed(value, f"within {_VOLUME_TOLERANCE:g} of {places.volume_ratio:.5f}")
    return replace(moved, places=replace(places, is_moved=True))


def require_unharmed(before: Mesh, moved: Mesh) -> None:
    """Raise if a mesh suffered by being moved.

    No triangle may turn by more than 60 degrees or become a sliver. Its longest edge may not grow
    by more than 30 %, unless it is still short for its surface, as in a narrow gap. One of 200 may
    be a little worse in both. No surface may become coarser by more than 6 %.

    Raises
    ------
    MeshingError
        With what happened and where.
    """
    turn = (before.normals * moved.normals).sum(axis=1)
    _require(turn >= _LARGEST_TURN_COSINE, moved, "triangles that turn by more than 60 degrees")
    allowed = np.minimum(_SMALL_ANGLE_DEG, _ANGLE_KEPT * before.smallest_angles_deg)
    at_least = np.minimum(allowed, _SMALLEST_ANGLE_DEG)
    angles = moved.smallest_angles_deg
    _require_most(angles >= allowed, angles >= at_least, moved, "triangles that become slivers")
    fits = moved.longest_edges <= _LONGEST_GROWTH * before.longest_edges
    for name in np.unique(moved.surface):
        here = moved.surface == name
        old, new = before.longest_edges[here], moved.longest_edges[here]
        fits[here] |= new <= np.median(old)
        coarser = float(np.sqrt((new**2).mean() / (old**2).mean()))
        if coarser > _MEAN_GROWTH:
            value = f"edges {coarser:.3f} times as long on {name}"
            raise _harmed(value, f"at most {_MEAN_GROWTH:g} times")
    nearly = fits | (moved.longest_edges <= _LARGEST_GROWTH * before.longest_edges)
    _require_most(fits, nearly, moved, "triangles that become too large")


def _require_most(
    good: NDArray[np.bool_], nearly: NDArray[np.bool_], moved: Mesh, what: str
) -> None:
    """Raise if more than a few triangles are not good, or any is not nearly so."""
    few = int(_FEW * moved.n_triangles)
    _require(nearly if np.count_nonzero(~good) <= few else good, moved, what)


def _require(good: NDArray[np.bool_], moved: Mesh, what: str) -> None:
    """Raise if something is bad about triangles; NaN is, too."""
    bad = np.flatnonzero(~good)
    if len(bad):
        x, y, z = moved.centroids[bad[0]] * 1e3
        value = f"{len(bad)} {what}, the first at ({x:.1f}, {y:.1f}, {z:.1f}) mm"
        raise _harmed(value, "none")


def _harmed(value: str, rule: str) -> MeshingError:
    return MeshingError(invalid("moved mesh", value, rule))


def _by_entity(entity: IntArray) -> list[tuple[tuple[int, int], IntArray]]:
    """Return (dimension, number) of each corner, curve and face, and the vertices on it."""
    order = np.lexsort((entity[:, 1], entity[:, 0]))
    first = np.flatnonzero(np.diff(entity[order], axis=0, prepend=-1).any(axis=1))
    parts = np.split(order, first[1:])
    return [
        ((int(d), int(tag)), part)
        for (d, tag), part in zip(entity[order[first]], parts, strict=True)
    ]


def _spread(mesh: Mesh, shift: FloatArray, inside: NDArray[np.bool_]) -> FloatArray:
    """Return shifts, those of vertices inside the faces made from those of the others.

    Parameters
    ----------
    mesh : Mesh
        The mesh before it is moved.
    shift : (n_vertices, 3) array
        In m; what it says of vertices inside is not read.
    inside : (n_vertices,) array of bool
        Which vertices lie inside a face.
    """
    weights = _mean_value_weights(mesh)
    total = np.asarray(weights.sum(axis=1)).ravel()
    rows = weights[inside]
    matrix = -rows[:, inside]
    matrix.setdiag(total[inside])
    found = shift.copy()
    if inside.any():
        found[inside] = splu(matrix.tocsc()).solve(rows[:, ~inside] @ shift[~inside])
    return found


def _mean_value_weights(mesh: Mesh) -> Any:
    """Return a sparse matrix: the weight of each neighbour (column) for a vertex (row)."""
    rows, columns, values = [], [], []
    for corner in range(3):
        here, one, other = (mesh.triangles[:, (corner + k) % 3] for k in range(3))
        to_one = mesh.vertices[one] - mesh.vertices[here]
        to_other = mesh.vertices[other] - mesh.vertices[here]
        lengths = np.linalg.norm(to_one, axis=1), np.linalg.norm(to_other, axis=1)
        cosine = (to_one * to_other).sum(axis=1)
        sine = np.linalg.norm(np.cross(to_one, to_other), axis=1)
        half_tangent = sine / (lengths[0] * lengths[1] + cosine)  # tan(x/2) = sin x / (1 + cos x)
        for end, length in zip((one, other), lengths, strict=True):
            rows.append(here)
            columns.append(end)
            values.append(half_tangent / length)
    n = len(mesh.vertices)
    entries = np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))
    return coo_matrix(entries, shape=(n, n)).tocsr()


def _nearest(model: Any, face: int, points: FloatArray, shares: FloatArray) -> FloatArray:
    """Return the nearest points of a face's surface, found by Gauss and Newton's steps.

    Parameters
    ----------
    model : gmsh.model
        The solid.
    face : int
        Number of the face.
    points : (n, 3) array
        Points near it, in m.
    shares : (n, 2) array
        Where to begin: its parameters as shares of their ranges.
    """
    low, high = parameter_range(model, face)
    if model.getType(2, face) == "Plane":
        middle = (low + high) / 2
        on_plane = np.asarray(model.getValue(2, face, middle), dtype=float)
        normal = np.asarray(model.getNormal(face, middle), dtype=float)
        return np.asarray(points - np.outer((points - on_plane) @ normal, normal))
    parameters = low + shares * (high - low)
    for _ in range(_STEPS_TO_FACE):
        feet = np.reshape(model.getValue(2, face, parameters.ravel()), (-1, 3))
        slopes = np.reshape(model.getDerivative(2, face, parameters.ravel()), (-1, 2, 3))
        metric = slopes @ slopes.transpose(0, 2, 1)
        off = np.einsum("nij,nj->ni", slopes, points - feet)
        if not np.all(np.linalg.det(metric) > 0):
            break  # a pole: the parameters say nothing there
        step = np.linalg.solve(metric, off[:, :, None])[:, :, 0]
        parameters = parameters + step
        if np.linalg.norm(np.einsum("nij,ni->nj", slopes, step), axis=1).max() < _ON_FACE_M:
            return np.asarray(model.getValue(2, face, parameters.ravel())).reshape(-1, 3)
    value = f"vertices that do not come to rest on face {face}"
    raise _harmed(value, "none")
