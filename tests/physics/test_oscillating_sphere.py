# SPDX-License-Identifier: GPL-3.0-or-later
"""Rigid sphere that moves back and forth along its axis: radial velocity v cos(theta).

    p(r, theta) = i rho c v h1(kr) / h1'(ka) cos(theta),
    power (2 pi / 3) a^2 rho c v^2 Re[i h1(ka) / h1'(ka)]

Source: P. M. Morse and K. U. Ingard, Theoretical Acoustics (1968) ch. 7; references/README.md,
section 1. The normal velocity is that of the flat facets, as a rigid body moves. ka = 4.4934 is
the irregular frequency that belongs to this field (first zero of the spherical Bessel j1).
"""

from functools import cache

import analytic
import bodies
import numpy as np
import pytest
import radiating

DIVISIONS = (5, 10)
ANGLES = np.linspace(0, np.pi, 19)


@cache
def errors(ka, divisions):
    """Relative errors of surface pressure, far field and radiated power."""
    mesh = bodies.icosphere(divisions)
    solution = radiating.solved(mesh, mesh.normals[:, 0], ka)
    cosine = mesh.centroids[:, 0] / np.linalg.norm(mesh.centroids, axis=1)
    pressure = analytic.oscillating_sphere(ka, 1, 1, np.arccos(cosine), rho_c=radiating.RHO_C)
    far = analytic.sphere_farfield(ka, ANGLES, np.array([0.0, 1.0])) * radiating.RHO_C / ka
    found = solution.far_field(radiating.around(ANGLES))[0]
    resistance = analytic.sphere_modal_impedance(1, ka).real
    power = 2 * np.pi / 3 * radiating.RHO_C * resistance
    return {
        "surface": radiating.relative_error(solution.surface_pressure[0], pressure),
        "far field": radiating.relative_error(found, far),
        "power": abs(solution.cross_power()[0, 0].real / power - 1),
    }


# At 18 or more constant elements a wavelength; at the irregular frequency the error is larger
# and falls more slowly, see test_pulsating_sphere.py.
@pytest.mark.parametrize("quantity", ["surface", "far field", "power"])
@pytest.mark.parametrize(
    ("ka", "tolerance", "least_slope"),
    [(1.0, 0.003, 1.7), (3.0, 0.003, 1.8), (np.pi, 0.004, 1.8), (4.4934, 0.015, 1.2)],
)
def test_against_the_closed_form(ka, tolerance, least_slope, quantity):
    sizes = [bodies.mean_edge(bodies.icosphere(n)) for n in DIVISIONS]
    found = [errors(ka, n)[quantity] for n in DIVISIONS]
    assert found[-1] < tolerance
    slope = bodies.slope(sizes, found)
    assert slope > least_slope, f"errors {found} fall with slope {slope:.2f}"
