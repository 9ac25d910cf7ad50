# SPDX-License-Identifier: GPL-3.0-or-later
"""Radiation impedance: force over velocity, each part weighted with its share in the motion.

    pulsating sphere        4 pi a^2 rho c z_0(ka),      z_n = i h_n(ka) / h_n'(ka)
    oscillating sphere      4/3 pi a^2 rho c z_1(ka)
    two small spheres       mutual  -i omega rho S^2 exp(ikd) / (4 pi d)
    piston in an infinite baffle  pi a^2 rho c (1 - J1(2ka)/ka - i H1(2ka)/ka)

Sources: P. M. Morse and K. U. Ingard, Theoretical Acoustics (1968) ch. 7, references/README.md
section 1; L. L. Beranek and T. J. Mellow, Acoustics: Sound Fields, Transducers and Vibration,
2nd ed. (2019) 4.4 and L. E. Kinsler et al., Fundamentals of Acoustics, app. A, for the piston
functions, section 2. The time factor exp(-i omega t) makes a mass negative imaginary.
"""

import analytic
import bodies
import numpy as np
import pytest
import radiating

from bafflelens.mesh.mesh import Mesh

MIRRORS = ("y", "z")


@pytest.mark.parametrize("ka", [0.5, 1.0, 2.5])
def test_spheres(ka):
    errors = []
    for divisions in (6, 12):
        mesh = bodies.octasphere(divisions, MIRRORS)
        cosine = mesh.centroids[:, 0] / np.linalg.norm(mesh.centroids, axis=1)
        velocity = np.stack([np.ones(mesh.n_triangles), cosine])
        found = radiating.solved(mesh, velocity, ka, MIRRORS).force_matrix() / radiating.RHO_C
        exact = 4 * np.pi * np.array([1, 1 / 3])
        exact = exact * [analytic.sphere_modal_impedance(n, ka) for n in (0, 1)]
        errors.append(np.abs(np.diagonal(found) / exact - 1))
        assert np.abs(found[0, 1]) < 0.01 * abs(exact[1])  # the modes do not see each other
        assert exact[0].imag < 0
    assert np.all(errors[1] < 0.02), errors
    assert np.all(errors[1] < errors[0]), errors


def test_two_small_spheres():
    """Radius 0.05 m, 1 m apart, ka = 0.1: each scatters next to nothing."""
    k, radius, distance = 2.0, 0.05, 1.0
    sphere = bodies.octasphere(6)
    parts = [bodies.moved(sphere, radius * np.eye(3), (0, 0, z)) for z in (-0.5, 0.5)]
    mesh = Mesh(
        np.concatenate([part.vertices for part in parts]),
        np.concatenate([parts[0].triangles, parts[1].triangles + len(sphere.vertices)]),
        np.repeat(["lower", "upper"], sphere.n_triangles),
    )
    velocity = np.stack([mesh.surface == "lower", mesh.surface == "upper"])
    found = radiating.solved(mesh, velocity, k, tolerance=1e-6).force_matrix()
    assert found[0, 1] == pytest.approx(found[1, 0], rel=1e-3)  # reciprocity
    area = parts[0].areas.sum()
    mutual = -1j * k * radiating.RHO_C * area**2 * np.exp(1j * k * distance)
    assert found[0, 1] == pytest.approx(mutual / (4 * np.pi * distance), rel=0.03)


def puck(thickness):
    """Quarter of a disk of radius 1 that stands on the plane x = 0, its face a piston."""
    ring = np.concatenate([np.linspace(0, 0.8, 11), [0.86, 0.91, 0.95, 0.98, 1.0]])
    x = np.concatenate([np.full(ring.size, thickness), [0.0], np.full(ring.size, -thickness)])
    radius = np.concatenate([ring, [1.0], ring[::-1]])
    names = ["piston"] * (ring.size - 1) + ["rim"] * 2 + ["piston"] * (ring.size - 1)
    mesh = bodies.revolved(x, radius, np.full(x.size, 0.1), names)
    return bodies.kept_part(mesh, ("x", *MIRRORS))


@pytest.mark.parametrize("ka", [0.5, 1.5, 3.0])
def test_piston_in_an_infinite_baffle(ka):
    """The face of a thin disk on a rigid plane; what is left at thickness 0 by extrapolation."""
    found = []
    for thickness in (0.08, 0.04):
        mesh = puck(thickness)
        piston = mesh.surface == "piston"
        solution = radiating.solved(mesh, piston, ka, ("x", *MIRRORS))
        # The matrix counts the image of the face, too; and the polygon is smaller than the circle.
        area = 8 * mesh.areas[piston].sum()
        found.append(solution.force_matrix()[0, 0] / area / radiating.RHO_C)
    resistance, reactance = analytic.piston_impedance(ka)
    assert 2 * found[1] - found[0] == pytest.approx(resistance - 1j * reactance, rel=0.03)


def test_half_the_real_part_is_the_power():
    mesh = bodies.octasphere(5, MIRRORS)
    solution = radiating.solved(mesh, np.ones(mesh.n_triangles), 1.5, MIRRORS)
    power = solution.cross_power()[0, 0].real
    assert solution.force_matrix()[0, 0].real / 2 == pytest.approx(power, rel=1e-9)
