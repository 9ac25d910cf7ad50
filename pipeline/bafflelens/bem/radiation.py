# SPDX-License-Identifier: GPL-3.0-or-later
"""From surface pressure to the field: far field, and pressure at points at any distance."""

from __future__ import annotations

import numpy as np
from numba import njit

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.threads import on_threads
from bafflelens.bem import far_field_sums, near_field, phases
from bafflelens.bem.discretisation import by_coordinate
from bafflelens.bem.solid_angle import solid_angle_share
from bafflelens.bem.triangle_potentials import FOUR_PI, pair_double_layer, pair_single_layer
from bafflelens.mesh.mesh import Mesh

_FEW = 3  # up to so many sources, a phase each is computed as fast as it is kept


def radiated_far_field(
    mesh: Mesh,
    signs: FloatArray,
    wavenumber: float,
    pressure: ComplexArray,
    gradient: ComplexArray,
    directions: FloatArray,
) -> ComplexArray:
    """Return the far-field coefficient of surface pressure and gradient, in Pa.m.

    With y on the surface and s the direction,
    ``f(s) = 1/(4 pi) int [-ik (s . n) p - dp/dn] exp(-ik s . y) dS``, the limit of the
    Helmholtz-Kirchhoff integral for r to infinity.

    Parameters
    ----------
    mesh : Mesh
        Elements.
    signs : (n_images, 3) array
        Mirror images; the image of the body is met by mirroring the direction.
    wavenumber : float
        k in 1/m.
    pressure, gradient : (n_sources, n_triangles) complex array
        Pressure in Pa and dp/dn in Pa/m.
    directions : (n_directions, 3) array
        Unit vectors.

    Returns
    -------
    (n_sources, n_directions) complex array
        Pa.m.
    """
    real = np.float32
    result = np.zeros((pressure.shape[0], len(directions)), dtype=complex)
    several = len(pressure) > _FEW
    (far_field_sums.add_far_field_together if several else far_field_sums.add_far_field)(
        by_coordinate(directions, real),
        signs.astype(real),
        by_coordinate(mesh.centroids, real),
        by_coordinate(mesh.normals, real),
        (mesh.areas / FOUR_PI).astype(real),
        (0.5 * wavenumber**2 * near_field.second_moments(mesh)).astype(real),
        phases.scalars(wavenumber, real),
        phases.parts(wavenumber * pressure, real),
        phases.parts(gradient, real),
        result,
    )
    return result


def without_mirrored(
    directions: FloatArray, symmetry: tuple[str, ...]
) -> tuple[FloatArray, IntArray]:
    """Return directions without those that mirror others, and for each given one which it is.

    What mirrors the body mirrors its far field: a full sphere needs half of its directions.

    Parameters
    ----------
    directions : (n_directions, 3) array
        Unit vectors.
    symmetry : tuple of {"x", "y", "z"}
        Mirror planes.

    Returns
    -------
    (n_apart, 3) array
        Unit vectors.
    (n_directions,) integer array
        ``apart[which]`` are the given directions or their mirror images.
    """
    folded = np.array(directions, dtype=float)
    for axis in symmetry:
        folded[:, "xyz".index(axis)] = np.abs(folded[:, "xyz".index(axis)])
    # far below what single precision tells apart; a sum with 0 has no sign of its own
    alike = np.round(folded, 12) + 0.0
    order = np.lexsort(alike.T)
    is_first = np.ones(len(order), dtype=bool)
    is_first[1:] = np.any(np.diff(alike[order], axis=0) != 0, axis=1)
    which = np.empty(len(order), dtype=np.int64)
    which[order] = np.cumsum(is_first) - 1
    return folded[order[is_first]], which


def pressure_at(
    mesh: Mesh,
    signs: FloatArray,
    wavenumber: float,
    pressure: ComplexArray,
    gradient: ComplexArray,
    points: FloatArray,
) -> ComplexArray:
    """Return the pressure at points outside the body, in Pa.

    The Helmholtz-Kirchhoff integral ``p(x) = int [p dG/dn - G dp/dn] dS``; elements that are
    near a point take their static part in closed form and the rest by a Gauss rule.

    Parameters
    ----------
    mesh, signs, wavenumber, pressure, gradient
        As for `radiated_far_field`.
    points : (n_points, 3) array
        Coordinates in m.

    Returns
    -------
    (n_sources, n_points) complex array
        Pa.

    Raises
    ------
    InputError
        If a point lies inside the body.
    """
    points = np.ascontiguousarray(np.atleast_2d(points), dtype=float)
    inside = np.flatnonzero(np.abs(solid_angle_share(mesh, points, signs)) > 0.75)
    if inside.size:
        given = tuple(float(c) for c in points[inside[0]])
        raise InputError(invalid("field point", given, "outside the body (coordinates in m)"))
    result = np.zeros((pressure.shape[0], len(points)), dtype=complex)
    coarse_points, coarse_weights, fine_points, fine_weights = near_field.gauss_rules(mesh)
    _add_pressure(
        points,
        signs,
        mesh.corners,
        mesh.centroids,
        mesh.normals,
        (near_field.NEAR_EDGES * mesh.longest_edges) ** 2,
        coarse_points,
        coarse_weights,
        fine_points,
        fine_weights,
        np.ascontiguousarray(pressure, dtype=complex),
        np.ascontiguousarray(gradient, dtype=complex),
        wavenumber,
        result,
    )
    return result


@on_threads
@njit(nogil=True, cache=True)
def _add_pressure(
    thread,
    threads,
    points,
    signs,
    corners,
    centroids,
    normals,
    near2,
    coarse_points,
    coarse_weights,
    fine_points,
    fine_weights,
    pressure,
    gradient,
    k,
    out,
):
    for i in range(thread, points.shape[0], threads):
        for image in range(signs.shape[0]):
            x = points[i] * signs[image]
            for j in range(centroids.shape[0]):
                near = ((centroids[j] - x) ** 2).sum() < near2[j]
                double_layer = 0j
                single_layer = 0j
                if near:
                    double_layer += pair_double_layer(x, x, corners[j])[0]
                    single_layer += pair_single_layer(x, x, corners[j])[0]
                n_points = fine_points.shape[1] if near else coarse_points.shape[1]
                for q in range(n_points):
                    if near:
                        d = fine_points[j, q] - x
                        w = fine_weights[j, q]
                    else:
                        d = coarse_points[j, q] - x
                        w = coarse_weights[j, q]
                    r = np.sqrt((d**2).sum())
                    r_y = (d * normals[j]).sum() / r
                    wave = np.exp(1j * k * r)
                    rest = 1.0 if near else 0.0
                    single_layer += w / (4 * np.pi * r) * (wave - rest)
                    double_layer += (
                        w * r_y / (4 * np.pi * r * r) * ((1j * k * r - 1) * wave + rest)
                    )
                for source in range(pressure.shape[0]):
                    out[source, i] += (
                        pressure[source, j] * double_layer - gradient[source, j] * single_layer
                    )
