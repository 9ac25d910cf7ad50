# SPDX-License-Identifier: GPL-3.0-or-later
"""Potentials of a flat triangle in closed form, for k = 0.

They hold everything that is singular where the field point is close. Sources: potentials of a flat
polygon after D. R. Wilton et al., "Potential integrals for uniform and linear source distributions
on polygonal and polyhedral domains", IEEE Trans. Antennas Propag. 32 (1984) 276; solid angle after
A. van Oosterom and J. Strackee, "The solid angle of a plane triangle", IEEE Trans. Biomed. Eng. 30
(1983) 125; the gradient of the solid angle is the Biot-Savart integral along the edges (citations
from memory; each closed form is tested against brute-force quadrature). Symbols as in
`bafflelens.bem.kernels`.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.base.threads import on_threads

FOUR_PI = 4 * np.pi


@njit(cache=True)
def corners_from(x, y, z, corners):
    """Return the corners of a triangle as seen from a point, nine numbers."""
    return (
        corners[0, 0] - x,
        corners[0, 1] - y,
        corners[0, 2] - z,
        corners[1, 0] - x,
        corners[1, 1] - y,
        corners[1, 2] - z,
        corners[2, 0] - x,
        corners[2, 1] - y,
        corners[2, 2] - z,
    )


@njit(cache=True)
def angle_of(ax, ay, az, bx, by, bz, cx, cy, cz):
    """Return the solid angle of a triangle with corners a, b, c seen from the point.

    Returns
    -------
    tuple of float
        The angle, from -2 pi to 2 pi; the triple product a . (b x c), which is 0 in the
        triangle's own plane; and the product of the three lengths.
    """
    la = np.sqrt(ax * ax + ay * ay + az * az)
    lb = np.sqrt(bx * bx + by * by + bz * bz)
    lc = np.sqrt(cx * cx + cy * cy + cz * cz)
    triple = ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
    ab = ax * bx + ay * by + az * bz
    bc = bx * cx + by * cy + bz * cz
    ca = cx * ax + cy * ay + cz * az
    angle = 2 * np.arctan2(triple, la * lb * lc + ab * lc + bc * la + ca * lb)
    return angle, triple, la * lb * lc


@njit(cache=True)
def _edge_gradient(ax, ay, az, bx, by, bz):
    """Return the Biot-Savart integral of dl x R / R^3 from corner a to b, both seen from x."""
    la = np.sqrt(ax * ax + ay * ay + az * az)
    lb = np.sqrt(bx * bx + by * by + bz * bz)
    dot = ax * bx + ay * by + az * bz
    denominator = la * lb * (la * lb + dot)
    factor = (la + lb) / denominator if denominator > 0 else 0.0
    return (
        factor * (ay * bz - az * by),
        factor * (az * bx - ax * bz),
        factor * (ax * by - ay * bx),
    )


@njit(cache=True)
def pair_double_layer(point, normal, corners):
    """Return the static K and H of one point and one element, finite part where singular."""
    x, y, z = point[0], point[1], point[2]
    ax, ay, az, bx, by, bz, cx, cy, cz = corners_from(x, y, z, corners)
    angle, triple, lengths = angle_of(ax, ay, az, bx, by, bz, cx, cy, cz)
    # In the element's own plane the solid angle jumps between -2 pi and 2 pi; its principal
    # value, which the equation needs there, is zero.
    if abs(triple) < 1e-10 * lengths:
        angle = 0.0
    total = 0.0
    for _ in range(3):
        gx, gy, gz = _edge_gradient(ax, ay, az, bx, by, bz)
        total += gx * normal[0] + gy * normal[1] + gz * normal[2]
        ax, ay, az, bx, by, bz, cx, cy, cz = bx, by, bz, cx, cy, cz, ax, ay, az
    return -angle / FOUR_PI, -total / FOUR_PI


@njit(cache=True)
def _edge_potential(ax, ay, az, bx, by, bz, nx, ny, nz, height):
    """Return what an edge from corner a to b, both seen from x, adds to the single layer.

    These are its part of the potential, the logarithm along it, its outward normal in the plane
    of the element (unit normal n, at ``height`` over x) and its angle.
    """
    tx, ty, tz = bx - ax, by - ay, bz - az
    inverse = 1.0 / np.sqrt(tx * tx + ty * ty + tz * tz)
    tx, ty, tz = tx * inverse, ty * inverse, tz * inverse
    ox, oy, oz = ty * nz - tz * ny, tz * nx - tx * nz, tx * ny - ty * nx
    t0 = ax * ox + ay * oy + az * oz
    s0 = ax * tx + ay * ty + az * tz
    s1 = bx * tx + by * ty + bz * tz
    r0 = np.sqrt(ax * ax + ay * ay + az * az)
    r1 = np.sqrt(bx * bx + by * by + bz * bz)
    # Of the two equal forms of the logarithm, the one without cancellation.
    if s0 + s1 > 0:
        logarithm = np.log((r1 + s1) / (r0 + s0)) if r0 + s0 > 0 else 0.0
    else:
        logarithm = np.log((r0 - s0) / (r1 - s1)) if r1 - s1 > 0 else 0.0
    above = abs(height)
    foot2 = t0 * t0 + height * height
    angle = 0.0
    if foot2 > 0:
        angle = np.arctan(t0 * s1 / (foot2 + above * r1)) - np.arctan(
            t0 * s0 / (foot2 + above * r0)
        )
    return t0 * logarithm - above * angle, logarithm, ox, oy, oz, angle


@njit(cache=True)
def pair_single_layer(point, direction, corners):
    """Return the static G and K' (along ``direction``) of one point and one element."""
    total, gx, gy, gz = pair_gradient(point, corners)
    return total, gx * direction[0] + gy * direction[1] + gz * direction[2]


@njit(cache=True)
def pair_gradient(point, corners):
    """Return the static G of one point and one element, and its gradient with the point."""
    x, y, z = point[0], point[1], point[2]
    ax, ay, az, bx, by, bz, cx, cy, cz = corners_from(x, y, z, corners)
    nx = (by - ay) * (cz - az) - (bz - az) * (cy - ay)
    ny = (bz - az) * (cx - ax) - (bx - ax) * (cz - az)
    nz = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
    inverse = 1.0 / np.sqrt(nx * nx + ny * ny + nz * nz)
    nx, ny, nz = nx * inverse, ny * inverse, nz * inverse
    height = ax * nx + ay * ny + az * nz
    total = turning = gx = gy = gz = 0.0
    for _ in range(3):
        part, logarithm, ox, oy, oz, angle = _edge_potential(
            ax, ay, az, bx, by, bz, nx, ny, nz, height
        )
        total += part
        turning += angle
        gx, gy, gz = gx + ox * logarithm, gy + oy * logarithm, gz + oz * logarithm
        ax, ay, az, bx, by, bz, cx, cy, cz = bx, by, bz, cx, cy, cz, ax, ay, az
    side = 1.0 if height > 0 else -1.0
    far2 = ax * ax + ay * ay + az * az + bx * bx + by * by + bz * bz
    if abs(height) < 1e-10 * np.sqrt(far2 + cx * cx + cy * cy + cz * cz):
        side = 0.0
    # height is measured from the field point to the plane: the point lies at -height.
    turning *= side
    return (
        total / FOUR_PI,
        -(gx - nx * turning) / FOUR_PI,
        -(gy - ny * turning) / FOUR_PI,
        -(gz - nz * turning) / FOUR_PI,
    )


def static_double_layers(
    points: FloatArray,
    normals: FloatArray,
    signs: FloatArray,
    corners: FloatArray,
    start: IntArray,
    element: IntArray,
    image: IntArray,
) -> tuple[FloatArray, FloatArray]:
    """Return the static K (no unit) and H (1/m) of pairs of point and element, (n_pairs,) each.

    Parameters
    ----------
    points, normals : (n_points, 3) array
        Field points in m, and the unit normals that H is taken along.
    signs : (n_images, 3) array
        Mirror images: the sign of each coordinate.
    corners : (n_triangles, 3, 3) array
        Corners of the elements in m.
    start, element, image : integer arrays
        As in `near_field.NearPairs`.
    """
    double_layer, hypersingular = np.empty((2, element.size))
    _set_double_layers(
        points, normals, signs, corners, start, element, image, double_layer, hypersingular
    )
    return double_layer, hypersingular


@on_threads
@njit(nogil=True, cache=True)
def _set_double_layers(
    thread, threads, points, normals, signs, corners, start, element, image, double_layer,
    hypersingular,
):  # fmt: skip
    point, normal = np.empty(3), np.empty(3)
    for i in range(thread, len(points), threads):
        for p in range(start[i], start[i + 1]):
            for axis in range(3):
                point[axis] = points[i, axis] * signs[image[p], axis]
                normal[axis] = normals[i, axis] * signs[image[p], axis]
            double_layer[p], hypersingular[p] = pair_double_layer(
                point, normal, corners[element[p]]
            )
