# SPDX-License-Identifier: GPL-3.0-or-later
"""Reciprocity: a source and a receiver may change places.

    int p_1 v_2 dS = int p_2 v_1 dS     for two motions of one body (Helmholtz, from Green's
    second identity for two outgoing fields)

and, with one of them far away, the far field of a small piston of volume velocity Q equals
-i omega rho Q / (4 pi) times the pressure that a plane wave from there makes on the rigid body at
the piston; on a rigid sphere that pressure is a known series. Source: L. E. Kinsler et al.,
Fundamentals of Acoustics, 4th ed. (2000) 7.2; references/README.md, section 1
(`point_on_sphere_gain`).

Collocation does not make the discrete system symmetric, so that the first is a true check: the
difference is of the size of the discretisation error and falls with it.
"""

import analytic
import bodies
import numpy as np
import pytest
import radiating


def transfers(n, k):
    """int p_1 v_2 dS and int p_2 v_1 dS, of a small piston in front and a larger one on top."""
    mesh = bodies.box((0.3, 0.5, 0.4), (3 * n, 5 * n, 4 * n))
    x, y, z = mesh.centroids.T
    front = (x > 0.1499) & (y > -0.15) & (y < 0.05) & (z > 0.0) & (z < 0.1)
    top = (z > 0.1999) & (x > -0.15) & (x < 0.05) & (y > 0.05) & (y < 0.25)
    assert front.any()
    assert top.any()
    pressure = radiating.solved(mesh, np.stack([front, top]), k, tolerance=1e-6).surface_pressure
    return pressure[0] @ (top * mesh.areas), pressure[1] @ (front * mesh.areas)


# At k = 20, near the irregular frequency 19.9 of the box, 6 and 9 elements a wavelength.
@pytest.mark.parametrize(
    ("k", "meshes", "tolerance"), [(3.0, (1, 2), 0.01), (10.0, (1, 2), 0.01), (20.0, (2, 3), 0.02)]
)
def test_two_pistons_on_a_box(k, meshes, tolerance):
    differences = []
    for n in meshes:
        there, back = transfers(n, k)
        differences.append(abs(there - back) / abs(there + back) * 2)
    assert differences[1] < tolerance
    assert differences[1] < 0.7 * differences[0], differences


@pytest.mark.parametrize("ka", [1.0, 3.0])
def test_small_piston_hears_a_plane_wave(ka):
    """Far field of one element of a sphere against the series of the plane wave."""
    errors = []
    angles = np.radians(np.arange(0, 181, 15))
    for divisions in (5, 10):
        mesh = bodies.icosphere(divisions)
        element = np.arange(mesh.n_triangles) == mesh.centroids[:, 0].argmax()
        axis = mesh.centroids[element][0] / np.linalg.norm(mesh.centroids[element][0])
        across = np.cross(axis, [0, 0, 1])
        across /= np.linalg.norm(across)
        directions = np.outer(np.cos(angles), axis) + np.outer(np.sin(angles), across)
        far = radiating.solved(mesh, element, ka).far_field(directions)[0]
        monopole = -1j * radiating.RHO_C * ka * mesh.areas[element][0] / (4 * np.pi)
        exact = analytic.point_on_sphere_gain(ka, angles)
        errors.append(radiating.relative_error(far / monopole, exact))
    assert errors[1] < 0.03
    assert errors[1] < errors[0], errors
