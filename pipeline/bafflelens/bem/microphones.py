# SPDX-License-Identifier: GPL-3.0-or-later
"""Pressure and its gradient at microphones well away from the body, quickly.

Every element is one point, as in the far field: with d = y - x, r = |d|, s = d/r and the normal n
of the element, the pressure is ``sum A [p dG/dn - G g] (1 - k^2 m (1 - (s.n)^2)/2)`` with the area
A, its second moment m and the gradient g = dp/dn of the surface. That is right where the element
is small against its distance; `bafflelens.bem.radiation.pressure_at` is for points near the body.

The gradient with the microphone's position is what a fit of the microphone's place needs. With
q = ik - 1/r it is, per element,

    grad (q s.n G)  =  G [ q (s.n s - n)/r - s.n s/r^2 - q^2 s.n s ]
    grad G          = -G q s

(derivatives of r along x are -s; those of s.n are (s.n s - n)/r).
"""

from __future__ import annotations

import numpy as np
from numba import njit

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.threads import on_threads
from bafflelens.bem import near_field, phases
from bafflelens.bem.discretisation import by_coordinate
from bafflelens.bem.triangle_potentials import FOUR_PI
from bafflelens.mesh.mesh import Mesh

# Nearer than this many longest edges one point cannot stand for an element: at 4 its static part
# is off by (1/4)^2 / 24, 0.02 dB of that one element.
_NEAREST_EDGES = 4.0


def pressure_and_gradient(
    mesh: Mesh,
    signs: FloatArray,
    wavenumber: float,
    pressure: ComplexArray,
    gradient: ComplexArray,
    points: FloatArray,
) -> tuple[ComplexArray, ComplexArray]:
    """Return pressure and its gradient at points well away from the body, for one source.

    Parameters
    ----------
    mesh : Mesh
        Elements.
    signs : (n_images, 3) array
        Mirror images.
    wavenumber : float
        k in 1/m.
    pressure, gradient : (n_triangles,) complex array
        Surface pressure in Pa and dp/dn in Pa/m.
    points : (n_points, 3) array
        Coordinates in m.

    Returns
    -------
    pressure : (n_points,) complex array
        In Pa.
    gradient : (n_points, 3) complex array
        With the position of the point, in Pa/m.

    Raises
    ------
    InputError
        If a point is nearer to an element than four of its longest edges.
    """
    points = np.ascontiguousarray(np.atleast_2d(points), dtype=float)
    _require_away(mesh, signs, points)
    real = np.float32
    result = np.zeros((4, len(points)), dtype=complex)
    _add_pressure_and_gradient(
        by_coordinate(points, real),
        signs.astype(real),
        by_coordinate(mesh.centroids, real),
        by_coordinate(mesh.normals, real),
        (mesh.areas / FOUR_PI).astype(real),
        (0.5 * wavenumber**2 * near_field.second_moments(mesh)).astype(real),
        phases.scalars(wavenumber, real),
        phases.parts(np.stack((pressure, gradient)), real),
        result,
    )
    return result[0], result[1:].T


def _require_away(mesh: Mesh, signs: FloatArray, points: FloatArray) -> None:
    """Refuse points that are too near to the body, or inside."""
    low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
    needed = _NEAREST_EDGES * mesh.longest_edges
    for sign in signs:
        image = points * sign
        to_box = np.linalg.norm(np.maximum(0, np.maximum(low - image, image - high)), axis=1)
        for n in np.flatnonzero(to_box < needed.max()):
            distances = np.linalg.norm(mesh.centroids - image[n], axis=1)
            if np.any(distances < needed):
                given = tuple(round(float(c), 4) for c in points[n])
                rule = f"at least {_NEAREST_EDGES:g} edges of the mesh away from the body (in m)"
                raise InputError(invalid("place of a microphone", given, rule))


@on_threads
@njit(nogil=True, fastmath=True, cache=True, error_model="numpy")
def _add_pressure_and_gradient(
    thread, threads, points, signs, sources, normals, weights, moments, scalars, surface, out
):  # fmt: skip
    k, turns, one = scalars[0], scalars[2], scalars[3]
    zero = one - one
    for i in range(thread, points.shape[1], threads):
        for image in range(signs.shape[0]):
            sign_x, sign_y, sign_z = signs[image, 0], signs[image, 1], signs[image, 2]
            px, py, pz = points[0, i] * sign_x, points[1, i] * sign_y, points[2, i] * sign_z
            p_re, p_im = zero, zero
            x_re, x_im, y_re, y_im, z_re, z_im = zero, zero, zero, zero, zero, zero
            for j in range(weights.size):
                sx, sy, sz = sources[0, j] - px, sources[1, j] - py, sources[2, j] - pz
                r2 = sx * sx + sy * sy + sz * sz
                r = np.sqrt(r2)
                inverse = one / r
                sx, sy, sz = sx * inverse, sy * inverse, sz * inverse
                nx, ny, nz = normals[0, j], normals[1, j], normals[2, j]
                s_n = sx * nx + sy * ny + sz * nz
                amplitude = weights[j] * inverse * (one - moments[j] * (one - s_n * s_n))
                cosine, sine = phases.cos_sin_turns(r * turns, one)
                wave_re, wave_im = amplitude * cosine, amplitude * sine
                # q = ik - 1/r and G times what it acts on
                a_re = surface[0, 0, j] * wave_re - surface[0, 1, j] * wave_im
                a_im = surface[0, 0, j] * wave_im + surface[0, 1, j] * wave_re
                b_re = surface[1, 0, j] * wave_re - surface[1, 1, j] * wave_im
                b_im = surface[1, 0, j] * wave_im + surface[1, 1, j] * wave_re
                qa_re = -inverse * a_re - k * a_im
                qa_im = -inverse * a_im + k * a_re
                p_re += s_n * qa_re - b_re
                p_im += s_n * qa_im - b_im
                # along s: (q/r - 1/r^2 - q^2) s.n pG + q gG; along n: -q/r pG
                qqa_re = -inverse * qa_re - k * qa_im
                qqa_im = -inverse * qa_im + k * qa_re
                t_re = s_n * (inverse * (qa_re - inverse * a_re) - qqa_re)
                t_im = s_n * (inverse * (qa_im - inverse * a_im) - qqa_im)
                t_re += -inverse * b_re - k * b_im
                t_im += -inverse * b_im + k * b_re
                u_re, u_im = inverse * qa_re, inverse * qa_im
                x_re += t_re * sx - u_re * nx
                x_im += t_im * sx - u_im * nx
                y_re += t_re * sy - u_re * ny
                y_im += t_im * sy - u_im * ny
                z_re += t_re * sz - u_re * nz
                z_im += t_im * sz - u_im * nz
            out[0, i] += complex(p_re, p_im)
            out[1, i] += sign_x * complex(x_re, x_im)
            out[2, i] += sign_y * complex(y_re, y_im)
            out[3, i] += sign_z * complex(z_re, z_im)
