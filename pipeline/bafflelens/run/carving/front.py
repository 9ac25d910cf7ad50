# SPDX-License-Identifier: GPL-3.0-or-later
r"""What of a body is frontmost at each place, and how it slopes and bends there.

A mesh is made of flat triangles, so how a front bends is that of polynomials of third order
through the corners of two rings of triangles around each, in its tangent plane, none across a
crease. With w the height over that plane, a and b in it, and J what takes (da, db) to (dy, dz),

.. math::

    s_{ij} = \sqrt{\frac{1 + s_y^2 + s_z^2}{1 + w_a^2 + w_b^2}} \; (J^{-T} w'' J^{-1})_{ij}

since both second derivatives are the same second fundamental form (M. do Carmo, Differential
Geometry of Curves and Surfaces, section 3-3, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import ndimage

from bafflelens.base.conventions import BoolArray, FloatArray, IntArray
from bafflelens.bem.surface_gradient import owners, two_rings
from bafflelens.mesh.mesh import Mesh
from bafflelens.run.carving.axis_cuts import set_behind, set_frontmost
from bafflelens.run.carving.curvature import Bends

STEP_M: Final = 0.001
"""Step of the maps."""

_CREASE_COSINE: Final = float(np.cos(np.radians(16.5)))  # fine meshes turn by 15 in a bend
_CREASE_STEPS: Final = 5  # wide, where the gentlest slope is taken
_POWERS: Final = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))
_RIDGE: Final = 1e-8  # where there are few corners, the highest terms give way first
_STEEP_COSINE: Final = 0.02  # steeper walls are no front: nothing is said of how they bend
_CHUNK: Final = 1000  # of triangles


@dataclass(frozen=True, eq=False)
class Front:
    """What is frontmost at each place, and how thick the body is behind it along the axis.

    Attributes
    ----------
    surface_m : (n_y, n_z) array
        Its x; NaN beside the body.
    bends : Bends
        How it slopes and bends; at creases that of the gentler side.
    thickness_m : (n_y, n_z) array
        What lies behind it.
    is_named, is_driven : (n_y, n_z) arrays of bool
        Whether it may move, and whether a driver moves it.
    """

    surface_m: FloatArray
    bends: Bends
    thickness_m: FloatArray
    is_named: BoolArray
    is_driven: BoolArray


def front_of(
    whole: Mesh, is_named: BoolArray, is_driven: BoolArray, y: FloatArray, z: FloatArray
) -> Front:
    """Look at a body from the front: at what may move, and at what drivers move."""
    shape = (len(y), len(z))
    surface, behind = np.full((2, *shape), -np.inf)
    owner = np.full(shape, -1)
    triangles = (whole.corners, whole.normals, y, z, STEP_M)
    set_frontmost(*triangles, surface, owner)
    set_behind(*triangles, surface, behind)
    hit = owner >= 0
    thickness = np.zeros(shape)
    is_known = hit & np.isfinite(behind)
    thickness[is_known] = surface[is_known] - behind[is_known]
    return Front(
        surface_m=np.where(hit, surface, np.nan),
        bends=_bends_of(whole, owner, y, z),
        thickness_m=thickness,
        is_named=hit & is_named[owner],
        is_driven=hit & is_driven[owner],
    )


def gentlest(bends: Bends, is_near: BoolArray) -> Bends:
    """Return where asked what belongs to the gentlest of the slopes around, all of one place.

    Parameters
    ----------
    bends : Bends
        Of a front.
    is_near : (n_y, n_z) array of bool
        Whether a place is near a crease.
    """
    steepness = np.hypot(bends.y, bends.z)
    order = np.argsort(steepness, axis=None, kind="stable")
    rank = np.argsort(order).reshape(steepness.shape)
    chosen = order[np.where(is_near, ndimage.minimum_filter(rank, size=_CREASE_STEPS), rank)]
    return Bends(**{name: part.ravel()[chosen] for name, part in vars(bends).items()})


def _bends_of(whole: Mesh, owner: IntArray, y: FloatArray, z: FloatArray) -> Bends:
    """Return how the frontmost triangles slope and bend, on the map; 0 beside the body."""
    hit = owner >= 0
    seen, place = np.unique(owner[hit], return_inverse=True)
    slopes, second = bends_at(whole, seen)
    places = np.stack(np.meshgrid(y, z, indexing="ij"), axis=-1)[hit]
    away = places - whole.centroids[seen][place][:, 1:]
    bend = second[:, [[0, 2], [2, 1]]][place]
    here = slopes[place] + np.einsum("pij,pj->pi", bend, away)
    # Between the centroids the slopes change, and how the surface bends does not.
    turn = _root(slopes[place], -0.5) @ _root(here, 0.5)
    steeper = np.sqrt((1 + (here**2).sum(axis=1)) / (1 + (slopes[place] ** 2).sum(axis=1)))
    bend = steeper[:, np.newaxis, np.newaxis] * (turn.swapaxes(1, 2) @ bend @ turn)
    found = np.zeros((5, *owner.shape))
    found[:, hit] = np.stack((*here.T, bend[:, 0, 0], bend[:, 1, 1], bend[:, 0, 1]))
    bends = Bends(**dict(zip(("y", "z", "yy", "zz", "yz"), found, strict=True)))
    return gentlest(bends, _near_creases(bends))


def _root(slopes: FloatArray, power: float) -> FloatArray:
    """Return a power of the metric 1 + u u^T of surfaces with slopes u, (n, 2, 2)."""
    square = (slopes**2).sum(axis=1)
    share = ((1 + square) ** power - 1) / np.maximum(square, 1e-12)
    along = slopes[:, :, np.newaxis] * slopes[:, np.newaxis]
    return np.asarray(np.eye(2) + share[:, np.newaxis, np.newaxis] * along)


def _near_creases(bends: Bends) -> BoolArray:
    """Return whether the front turns sharply next to a place."""
    normals = np.stack((np.ones(bends.y.shape), -bends.y, -bends.z), axis=-1)
    normals /= np.linalg.norm(normals, axis=-1, keepdims=True)
    found = np.zeros(bends.y.shape, dtype=bool)
    for before, after in (
        ((slice(-1), slice(None)), (slice(1, None), slice(None))),
        ((slice(None), slice(-1)), (slice(None), slice(1, None))),
    ):
        turned = (normals[before] * normals[after]).sum(axis=-1) < _CREASE_COSINE
        found[before] |= turned
        found[after] |= turned
    return np.asarray(ndimage.maximum_filter(found, size=_CREASE_STEPS - 2))


def bends_at(mesh: Mesh, triangles: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return how a surface x = s(y, z) slopes and bends at the centroids of some triangles.

    Parameters
    ----------
    mesh : Mesh
        The surface.
    triangles : (n,) integer array
        Numbers of triangles that face forwards.

    Returns
    -------
    slopes : (n, 2) array
        Along y and z.
    second : (n, 3) array
        yy, zz and yz, in 1/m.
    """
    start, neighbours = two_rings(
        *owners(mesh), mesh.triangles, mesh.normals, triangles, _CREASE_COSINE
    )
    found = [
        _fitted(mesh, triangles[some], start[some.start : some.stop + 1], neighbours)
        for some in (
            slice(first, min(first + _CHUNK, len(triangles)))
            for first in range(0, len(triangles), _CHUNK)
        )
    ]
    slopes, second = zip(*found, strict=True)
    return np.concatenate(slopes), np.concatenate(second)


def _fitted(
    mesh: Mesh, triangles: IntArray, start: IntArray, neighbours: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Fit polynomials around some triangles, and return what they say of the front."""
    count, corners = len(triangles), len(mesh.vertices)
    around = np.repeat(np.arange(count), np.diff(start))
    near = mesh.triangles[neighbours[start[0] : start[-1]]]
    own = np.arange(count)
    pairs = np.concatenate((np.repeat(around, 3), np.repeat(own, 3))) * corners
    pairs = np.unique(pairs + np.concatenate((near.ravel(), mesh.triangles[triangles].ravel())))
    point, vertex = np.divmod(pairs, corners)
    frames = _frames(mesh.normals[triangles])
    away = mesh.vertices[vertex] - mesh.centroids[triangles][point]
    unit = np.sqrt(mesh.areas[triangles])
    local = np.einsum("pij,pj->pi", frames[point], away) / unit[point, np.newaxis]
    a, b, w = local.T
    terms = np.stack([a**m * b**n for m, n in _POWERS], axis=1)
    weighted = terms / (0.5 + a * a + b * b)[:, np.newaxis]
    first = np.searchsorted(point, own)
    matrix = np.add.reduceat(terms[:, :, np.newaxis] * weighted[:, np.newaxis], first)
    sides = np.add.reduceat(weighted * w[:, np.newaxis], first)
    ridge = np.array([0, 0, 0, 1e-3, 1e-3, 1e-3, 1, 1, 1, 1]) * _RIDGE + 1e-14
    matrix += np.trace(matrix, axis1=1, axis2=2)[:, np.newaxis, np.newaxis] * np.diag(ridge)
    fit = np.linalg.solve(matrix, sides[..., np.newaxis])[..., 0]
    tilt = fit[:, 1:3]
    bend = np.stack((2 * fit[:, 3], fit[:, 4], fit[:, 4], 2 * fit[:, 5]), axis=1)
    bend = bend.reshape(-1, 2, 2) / unit[:, np.newaxis, np.newaxis]
    tangents = frames[:, :2] + tilt[:, :, np.newaxis] * frames[:, 2:]  # of a and b
    normal = frames[:, 2] - np.einsum("pk,pkj->pj", tilt, frames[:, :2])
    is_steep = normal[:, 0] < _STEEP_COSINE * np.linalg.norm(normal, axis=1)
    normal[is_steep], bend[is_steep] = frames[is_steep, 2], 0.0
    tangents[is_steep] = frames[is_steep, :2]
    slopes = -normal[:, 1:] / normal[:, :1]
    inverse = np.linalg.inv(tangents[:, :, 1:])  # (dy, dz) to (da, db), as rows
    ratio = np.sqrt((1 + (slopes**2).sum(axis=1)) / (1 + (tilt**2).sum(axis=1)))
    second = ratio[:, np.newaxis, np.newaxis] * np.einsum(
        "pia,pab,pjb->pij", inverse, bend, inverse
    )
    return slopes, np.stack((second[:, 0, 0], second[:, 1, 1], second[:, 0, 1]), axis=1)


def _frames(normals: FloatArray) -> FloatArray:
    """Return two unit vectors at right angles to each normal, and that, (n, 3, 3)."""
    least = np.eye(3)[np.argmin(np.abs(normals), axis=1)]
    first = np.cross(normals, least)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return np.stack((first, np.cross(normals, first), normals), axis=1)
