# SPDX-License-Identifier: GPL-3.0-or-later
"""Observed order of convergence over four mesh sizes.

Constant elements with collocation at the centroid: on a smooth body away from its irregular
frequencies, second order in the edge for pressure and far field. (The classical coupling i/k
would leave the hypersingular part's error of first order.) The slope is that of a straight line
through log error over log edge, as in the manufactured solutions of finite-element libraries.
Cases: oscillating sphere (closed form; references/README.md, section 1) and an ellipsoid with a
point source inside (test_interior_source.py gives the argument).
"""

import analytic
import bodies
import numpy as np
import radiating

DIVISIONS = (4, 6, 9, 13)
MIRRORS = ("y", "z")
ANGLES = np.linspace(0, np.pi, 37)


def test_oscillating_sphere():
    ka, sizes, surface, far = 2.0, [], [], []
    for n in DIVISIONS:
        mesh = bodies.octasphere(n, MIRRORS)
        solution = radiating.solved(mesh, mesh.normals[:, 0], ka, MIRRORS, tolerance=1e-6)
        cosine = mesh.centroids[:, 0] / np.linalg.norm(mesh.centroids, axis=1)
        exact = analytic.oscillating_sphere(ka, 1, 1, np.arccos(cosine), rho_c=radiating.RHO_C)
        surface.append(radiating.relative_error(solution.surface_pressure[0], exact))
        field = analytic.sphere_farfield(ka, ANGLES, np.array([0.0, 1.0])) * radiating.RHO_C / ka
        found = solution.far_field(radiating.around(ANGLES))[0]
        far.append(radiating.relative_error(found, field))
        sizes.append(bodies.mean_edge(mesh))
    assert bodies.slope(sizes, far) > 1.7, far
    assert bodies.slope(sizes, surface) > 1.5, surface


def test_point_source_in_an_ellipsoid():
    k, origin, sizes, far = 3.0, (0.3, 0.0, 0.0), [], []
    for n in DIVISIONS:
        sphere = bodies.octasphere(n, MIRRORS)
        stretched = sphere.vertices * np.array([1.0, 0.7, 0.5])
        mesh = bodies.Mesh(stretched, sphere.triangles, sphere.surface)
        _, gradient = radiating.point_source(mesh.centroids, origin, k)
        velocity = radiating.velocity_of_gradient((gradient * mesh.normals).sum(axis=1), k)
        solution = radiating.solved(mesh, velocity, k, MIRRORS, tolerance=1e-6)
        directions = radiating.around(ANGLES)
        exact = radiating.point_source_far_field(directions, origin, k)
        far.append(radiating.relative_error(solution.far_field(directions)[0], exact))
        sizes.append(bodies.mean_edge(mesh))
    assert bodies.slope(sizes, far) > 1.7, far
