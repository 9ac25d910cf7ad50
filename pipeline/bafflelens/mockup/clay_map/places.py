# SPDX-License-Identifier: GPL-3.0-or-later
"""Bumps of clay: what one does wherever it is put, and the few places where it does most."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import sparse
from scipy.spatial import cKDTree

from bafflelens.base.conventions import BoolArray, FloatArray, IntArray
from bafflelens.base.progress import Progress
from bafflelens.bem.discretisation import mirror_signs
from bafflelens.bem.surface_slope import vertex_normals
from bafflelens.mesh.mesh import Mesh
from bafflelens.mockup.clay_map.kept_slope import LEAST_DB_PER_MM, KeptSlope
from bafflelens.mockup.clay_map.slopes import Slopes, Solved, candidate_slopes

USUAL_AMOUNT_MM: Final = 3.0
MOST_PLACES: Final = 6

_COARSE: Final = 2.5  # triangles across a bump, at least
_MOSTLY: Final = 0.6  # share of what a place does that "most of it" stands for


@dataclass(frozen=True, kw_only=True, eq=False)
class ClayMap:
    """What one mm of clay does, wherever the bump's centre is.

    Attributes
    ----------
    slopes : Slopes
        From which it was made.
    across_m : float
        Width of the bump at its foot, in m.
    per_mm : mapping of str to (n_triangles,) array
        Change of the score and its parts for one bump 1 mm high, in dB; positive is worse.
    with_images : mapping of str to (n_triangles,) array
        The same for the bump and its images together, which a mirrored shape needs.
    """

    slopes: Slopes
    across_m: float
    per_mm: Mapping[str, FloatArray]
    with_images: Mapping[str, FloatArray]


@dataclass(frozen=True, kw_only=True, eq=False)
class ClayPlace:
    """A place where clay helps.

    Attributes
    ----------
    triangle : int
        Number of the triangle at its centre.
    centre : (3,) array
        In m.
    surface : str
        Name of the surface that it is on.
    amount_mm : float
        Height of the bump; negative where clay is taken.
    change_db : mapping of str to float
        What it changes in the score and its parts, as far as a straight line holds.
    from_hz, to_hz : float
        Where most of that happens.
    is_mirrored : bool
        Whether it has an image on the other side.
    """

    triangle: int
    centre: FloatArray
    surface: str
    amount_mm: float
    change_db: Mapping[str, float]
    from_hz: float
    to_hz: float
    is_mirrored: bool


def bump_height(distance_m: FloatArray, across_m: float) -> FloatArray:
    """Return the height of a bump over that of its top: a squared cosine, 0 from its foot on."""
    inside = np.minimum(distance_m / (across_m / 2), 1.0)
    return np.asarray(np.cos(np.pi / 2 * inside) ** 2)


def mapped(
    solved: Solved, across_mm: float, amount_mm: float, progress: Progress
) -> tuple[ClayMap, tuple[ClayPlace, ...]]:
    """Return the map of a solved candidate and the best places of it.

    Parameters
    ----------
    solved : Solved
        The candidate with what was kept of its surface.
    across_mm, amount_mm : float
        Width of a bump at its foot, and its height.
    progress : Progress
        Told how far it is.
    """
    found = clay_map(candidate_slopes(solved, progress), 1e-3 * across_mm)
    return found, best_places(found, amount_mm)


def clay_map(slopes: Slopes, across_m: float) -> ClayMap:
    """Return what a bump does with its centre on each triangle.

    Parameters
    ----------
    slopes : Slopes
        Slopes of a candidate.
    across_m : float
        Width of the bump at its foot, in m.
    """
    everywhere = np.arange(slopes.mesh.n_triangles)
    one, all_images = _bumps(slopes, everywhere, across_m)
    by_area = {
        name: 1e-3 * density.sum(axis=0) * slopes.mesh.areas
        for name, density in slopes.density.items()
    }
    return ClayMap(
        slopes=slopes,
        across_m=across_m,
        per_mm={name: one @ change for name, change in by_area.items()},
        with_images={name: all_images @ change for name, change in by_area.items()},
    )


def change_of_bumps(kept: KeptSlope, across_m: float) -> tuple[FloatArray, BoolArray]:
    """Return what one bump does with its centre on each triangle, and where the mesh can tell.

    Parameters
    ----------
    kept : KeptSlope
        Slope of the score.
    across_m : float
        Width of the bump at its foot, in m.

    Returns
    -------
    change_db : (n_triangles,) array
        Change of the score for a bump 1 mm high, in dB; positive is worse.
    is_told : (n_triangles,) array of bool
        Where something can be formed, and the mesh is fine enough for the bump.
    """
    one, _ = _bumps(kept, np.arange(kept.mesh.n_triangles), across_m)
    change = 1e-3 * (one @ (kept.by_area * kept.mesh.areas))
    return np.asarray(change), np.asarray(kept.is_clay & _is_fine(kept.mesh, across_m))


def best_places(found: ClayMap, amount_mm: float) -> tuple[ClayPlace, ...]:
    """Return where a bump does most for the score, the best first, none on another's foot.

    Each is judged by what those before it have left of each part of the score.

    Parameters
    ----------
    found : ClayMap
        What bumps do.
    amount_mm : float
        How high they are, or how deep.
    """
    slopes, mesh = found.slopes, found.slopes.mesh
    possible = _possible(found)
    left_db = dict(slopes.values_db)
    places: list[ClayPlace] = []
    while len(places) < MOST_PLACES and possible.any():
        both = [
            slopes.limited(
                {n: sign * amount_mm * v for n, v in found.with_images.items()}, left_db
            )
            for sign in (1, -1)
        ]
        gain = np.where(possible, -np.minimum(both[0]["score"], both[1]["score"]), 0.0)
        triangle = int(gain.argmax())
        if gain[triangle] < LEAST_DB_PER_MM * amount_mm:
            break
        is_added = both[0]["score"][triangle] < both[1]["score"][triangle]
        change = {n: float(v[triangle]) for n, v in both[0 if is_added else 1].items()}
        left_db = {name: left_db[name] + change[name] for name in left_db}
        places.append(_place(found, triangle, amount_mm if is_added else -amount_mm, change))
        for sign in mirror_signs(slopes.symmetry):
            away = np.linalg.norm(mesh.centroids * sign - mesh.centroids[triangle], axis=1)
            possible &= away >= found.across_m
    return tuple(places)


def _possible(found: ClayMap) -> BoolArray:
    """Return where a bump's centre can be: its foot clear of drivers, the mesh fine enough.

    Where there is a mirror plane it is on it, or as far away that its image does not overlap it.
    """
    slopes, mesh = found.slopes, found.slopes.mesh
    centres = _centres(slopes)
    fixed = mesh.centroids[~slopes.is_clay]
    clear = slopes.is_clay & _is_fine(mesh, found.across_m)
    if len(fixed):
        whole = np.concatenate([fixed * sign for sign in mirror_signs(slopes.symmetry)])
        clear &= cKDTree(whole).query(mesh.centroids)[0] > found.across_m / 2
    for plane in slopes.symmetry:
        away = np.abs(centres[:, "xyz".index(plane)])
        clear &= (away == 0) | (away >= found.across_m / 2)
    return np.asarray(clear)


def _is_fine(mesh: Mesh, across_m: float) -> BoolArray:
    return np.asarray(np.sqrt(2 * mesh.areas) * _COARSE < across_m)


def _centres(slopes: Slopes | KeptSlope) -> FloatArray:
    """Return the centroids; those of triangles next to a mirror plane are put on it."""
    centres = slopes.mesh.centroids.copy()
    size = np.sqrt(2 * slopes.mesh.areas)
    for plane in slopes.symmetry:
        axis = "xyz".index(plane)
        centres[np.abs(centres[:, axis]) < size, axis] = 0.0
    return centres


def _place(
    found: ClayMap, triangle: int, amount_mm: float, change_db: Mapping[str, float]
) -> ClayPlace:
    slopes, mesh = found.slopes, found.slopes.mesh
    _, bumps = _bumps(slopes, np.array([triangle]), found.across_m)
    row = bumps.toarray()[0] * mesh.areas
    by_frequency = amount_mm * 1e-3 * (slopes.density["score"] @ row)
    from_hz, to_hz = _most_of_it(slopes.frequencies_hz, by_frequency)
    centre = _centres(slopes)[triangle]
    axes = ["xyz".index(plane) for plane in slopes.symmetry]
    return ClayPlace(
        triangle=triangle,
        centre=centre,
        surface=str(mesh.surface[triangle]),
        amount_mm=amount_mm,
        change_db=change_db,
        from_hz=from_hz,
        to_hz=to_hz,
        is_mirrored=bool(np.any(centre[axes] != 0)),
    )


def _most_of_it(frequencies_hz: FloatArray, change_db: FloatArray) -> tuple[float, float]:
    """Return the narrowest range, in octaves, that holds most of an improvement, in Hz."""
    gains = np.concatenate(([0.0], np.cumsum(-change_db)))
    wanted = _MOSTLY * gains[-1]
    best = (0, len(change_db) - 1)
    for first in range(len(change_db)):
        enough = np.flatnonzero(gains[first + 1 :] - gains[first] >= wanted)
        if enough.size:
            last = first + int(enough[0])
            here, there = (
                frequencies_hz[pair[1]] / frequencies_hz[pair[0]] for pair in ((first, last), best)
            )
            best = (first, last) if here < there else best
    return float(frequencies_hz[best[0]]), float(frequencies_hz[best[1]])


def _bumps(
    slopes: Slopes | KeptSlope, triangles: IntArray, across_m: float
) -> tuple[sparse.csr_array, sparse.csr_array]:
    """Return the heights of bumps at the triangles, (n_bumps, n_triangles) each.

    First those of one bump, shared among its images since slopes count them all; then those of
    the bump and its images, which add up to no more than the highest. The far side of a thin wall
    has no part in a bump on this side.
    """
    mesh = slopes.mesh
    tree = cKDTree(mesh.centroids)
    signs = mirror_signs(slopes.symmetry)
    shape = (len(triangles), mesh.n_triangles)
    one, highest = sparse.csr_array(shape), sparse.csr_array(shape)
    for sign in signs:
        centres = _centres(slopes)[triangles] * sign
        facing = mesh.normals[triangles] * sign
        near = tree.query_ball_point(centres, across_m / 2)
        row = np.repeat(np.arange(len(triangles)), [len(some) for some in near])
        column = np.concatenate([np.asarray(some, dtype=np.int64) for some in near])
        away = np.linalg.norm(centres[row] - mesh.centroids[column], axis=1)
        height = bump_height(away, across_m) * slopes.is_clay[column]
        height *= np.einsum("ij,ij->i", facing[row], mesh.normals[column]) > 0
        bumps = sparse.csr_array((height, (row, column)), shape=shape)
        one = one + bumps / len(signs)
        highest = highest.maximum(bumps)
    return sparse.csr_array(one), sparse.csr_array(highest)


def displacement(
    places: Sequence[ClayPlace],
    mesh: Mesh,
    symmetry: tuple[str, ...],
    across_m: float,
    still: BoolArray,
) -> FloatArray:
    """Return how far the vertices of a mesh move for all places together, (n_vertices, 3), in m.

    Parameters
    ----------
    places : sequence of Place
        What is added and taken.
    mesh : Mesh
        Any mesh of the surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Its mirror planes.
    across_m : float
        Width of the bumps at their foot, in m.
    still : (n_triangles,) array of bool
        Triangles whose vertices stay.
    """
    normals = vertex_normals(mesh, symmetry)
    total = np.zeros(len(mesh.vertices))
    for place in places:
        nearest = int(np.linalg.norm(mesh.centroids - place.centre, axis=1).argmin())
        height = np.zeros(len(mesh.vertices))
        for sign in mirror_signs(symmetry):
            away = np.linalg.norm(mesh.vertices - place.centre * sign, axis=1)
            facing = normals @ (mesh.normals[nearest] * sign) > 0
            height = np.maximum(height, bump_height(away, across_m) * facing)
        total += 1e-3 * place.amount_mm * height
    total[np.unique(mesh.triangles[still])] = 0.0
    return np.asarray(total[:, np.newaxis] * normals)


def predicted_db(slopes: Slopes, moved: FloatArray) -> dict[str, float]:
    """Return what a displacement of the vertices, (n_vertices, 3) in m, does, no part below 0."""
    mesh = slopes.mesh
    outwards = np.einsum("ij,ij->i", moved[mesh.triangles].mean(axis=1), mesh.normals)
    straight = {
        name: np.asarray(density.sum(axis=0) @ (outwards * mesh.areas))
        for name, density in slopes.density.items()
    }
    return {name: float(change) for name, change in slopes.limited(straight).items()}
