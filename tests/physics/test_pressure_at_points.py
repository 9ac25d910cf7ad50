# SPDX-License-Identifier: GPL-3.0-or-later
"""Pressure at points: at finite distance, close to the surface, and far away.

    p(r, theta) = i rho c sum u_n h_n(kr) / h_n'(ka) P_n(cos theta)

outside a sphere of radial velocity sum u_n P_n; for r to infinity r exp(-ikr) p tends to the
far-field coefficient as 1/r. Source: P. M. Morse and K. U. Ingard, Theoretical Acoustics (1968)
ch. 7; references/README.md, section 1.
"""

import re

import analytic
import bodies
import numpy as np
import pytest
import radiating

from bafflelens.base.errors import InputError

KA = 3.0
HALF_ANGLE = np.radians(30)
MIRRORS = ("y", "z")
ANGLES = np.radians(np.arange(0, 181, 10))


@pytest.fixture(scope="module", params=[0.14, 0.07])
def cap(request):
    mesh = bodies.capped_sphere(request.param, HALF_ANGLE, MIRRORS)
    return radiating.solved(mesh, mesh.surface == "cap", KA, MIRRORS)


def series(radius):
    """Exact pressure of the cap at a distance from the centre, (n_angles,)."""
    n = np.arange(analytic.n_terms(KA) + 1)
    u = analytic.cap_coefficients(n[-1], HALF_ANGLE)
    radial = 1j * radiating.RHO_C * u * analytic.sph_h(n, KA * radius) / analytic.sph_hp(n, KA)
    return radial @ analytic.legendre_table(n[-1], np.cos(ANGLES))


@pytest.mark.parametrize("radius", [2.0, 3.0, 5.0])
def test_finite_distance(cap, radius):
    found = cap.pressure_at(radius * radiating.around(ANGLES))[0]
    tolerance = 0.015 if cap.problem.mesh.n_triangles > 1000 else 0.03  # as the far field's
    assert radiating.relative_error(found, series(radius)) < tolerance


def test_far_away_it_is_the_far_field(cap):
    directions = radiating.around(ANGLES)
    far = cap.far_field(directions)[0]
    errors = []
    for radius in (100.0, 1000.0):
        found = cap.pressure_at(radius * directions)[0] * radius * np.exp(-1j * KA * radius)
        errors.append(radiating.relative_error(found, far))
    assert errors[0] < 0.02
    assert errors[1] < 0.15 * errors[0]


def test_close_to_the_surface():
    """Pulsating sphere at a tenth of an element above centroids, edges and corners."""
    mesh = bodies.icosphere(8)
    ka = 1.0
    solution = radiating.solved(mesh, np.ones(mesh.n_triangles), ka)
    edge = bodies.mean_edge(mesh)
    places = np.concatenate(
        [mesh.centroids[:20], mesh.corners[:20, :2].mean(axis=1), mesh.vertices[:20]]
    )
    outwards = places / np.linalg.norm(places, axis=1)[:, None]
    points = places + 0.1 * edge * outwards
    found = solution.pressure_at(points)[0]
    radius = np.linalg.norm(points, axis=1)
    exact = analytic.pulsating_sphere(ka, 1, radius, rho_c=radiating.RHO_C)
    assert np.abs(found / exact - 1).max() < 0.02


def test_a_point_inside_the_body_is_refused():
    mesh = bodies.box((1.0, 0.8, 0.6), (5, 4, 3))
    solution = radiating.solved(mesh, np.ones(mesh.n_triangles), 2.0)
    message = (
        "Invalid field point '(0.1, 0.2, 0.25)'. Must be outside the body (coordinates in m)."
    )
    with pytest.raises(InputError, match=re.escape(message)):
        solution.pressure_at(np.array([[2.0, 0, 0], [0.1, 0.2, 0.25]]))


def test_gradient_of_the_field():
    """Euler: finite differences of the pressure along the radius give i omega rho v_r.

    dp/dr = rho c v (ik - 1/r) a/r (-ika)/(1 - ika) exp(ik(r - a)) of the pulsating sphere.
    """
    mesh = bodies.icosphere(10)
    ka, radius, step = 1.0, 1.3, 1e-3
    solution = radiating.solved(mesh, np.ones(mesh.n_triangles), ka, tolerance=1e-6)
    directions = radiating.around(ANGLES)
    ahead, behind = (solution.pressure_at((radius + s) * directions)[0] for s in (step, -step))
    exact = analytic.pulsating_sphere(ka, 1, radius, rho_c=radiating.RHO_C)
    exact *= 1j * ka - 1 / radius
    assert radiating.relative_error((ahead - behind) / (2 * step), exact) < 0.01
