# SPDX-License-Identifier: GPL-3.0-or-later
"""The quick evaluation at microphones: against the exact series, the careful rule, differences.

    p(r, theta) = i rho c sum u_n h_n(kr) / h_n'(ka) P_n(cos theta)

outside a sphere of radial velocity sum u_n P_n. Source: P. M. Morse and K. U. Ingard, Theoretical
Acoustics (1968) ch. 7; references/README.md, section 1.
"""

import io
import re

import analytic
import bodies
import numpy as np
import pytest
import radiating

from bafflelens.base.errors import InputError, StoreError
from bafflelens.bem.discretisation import mirror_signs
from bafflelens.bem.microphones import pressure_and_gradient
from bafflelens.bem.surface_pressure import SurfacePressure

KA = 6.0
HALF_ANGLE = np.radians(30)
MIRRORS = ("y", "z")
ANGLES = np.radians(np.arange(0, 181, 10))


@pytest.fixture(scope="module")
def cap():
    mesh = bodies.capped_sphere(0.1, HALF_ANGLE, MIRRORS)
    return radiating.solved(mesh, mesh.surface == "cap", KA, MIRRORS)


def at(cap, points):
    problem = cap.problem
    return pressure_and_gradient(
        problem.mesh,
        mirror_signs(problem.symmetry),
        problem.wavenumber,
        cap.surface_pressure[0],
        problem.pressure_gradient[0],
        points,
    )


def series(radius, cosine):
    """Exact pressure of the cap at a distance from the centre."""
    n = np.arange(analytic.n_terms(KA) + 1)
    u = analytic.cap_coefficients(n[-1], HALF_ANGLE)
    radial = (1j * radiating.RHO_C * u / analytic.sph_hp(n, KA))[:, None]
    radial = radial * analytic.sph_h(n[:, None], KA * radius)
    return (radial * analytic.legendre_table(n[-1], cosine)).sum(axis=0)


@pytest.mark.parametrize("distance", [3.0, 8.0, 20.0])
def test_off_centre_orbit_against_the_exact_series(cap, distance):
    """Microphones around a point 0.3 radii in front of and beside the centre."""
    points = distance * radiating.around(ANGLES) + [0.3, 0.3, 0.0]
    radius = np.linalg.norm(points, axis=1)
    found = at(cap, points)[0]
    exact = series(radius, points[:, 0] / radius)
    assert radiating.relative_error(found, exact) < 0.015  # as the far field's
    loud = np.abs(exact) > 0.1 * np.abs(exact).max()
    difference = radiating.level(found[loud]) - radiating.level(exact[loud])
    # The polygon of the rim encloses 1 % less area than the circle: the same at every angle.
    assert np.ptp(difference) < 0.25


def test_the_quick_rule_is_the_careful_one(cap):
    points = 5.0 * radiating.around(ANGLES) + [0.0, 0.0, 0.7]
    quick, careful = at(cap, points)[0], cap.pressure_at(points)[0]
    # 0.01 dB: the phase across an element is taken to the second order, as in the far field.
    assert radiating.relative_error(quick, careful) < 1e-3


def test_gradient_is_the_difference_of_pressures(cap):
    points = 4.0 * radiating.around(ANGLES) + [0.1, -0.2, 0.5]
    gradient = at(cap, points)[1]
    step = 1e-3
    for axis in range(3):
        shift = step * np.eye(3)[axis]
        slope = (cap.pressure_at(points + shift) - cap.pressure_at(points - shift))[0] / (2 * step)
        assert radiating.relative_error(gradient[:, axis], slope) < 2e-3


def test_point_near_the_body_is_refused(cap):
    with pytest.raises(InputError, match=re.escape("at least 4 edges of the mesh away")):
        at(cap, np.array([[1.05, 0.0, 0.0]]))


def test_kept_in_half_precision(cap):
    problem = cap.problem
    kept = SurfacePressure(
        mesh=problem.mesh,
        symmetry=MIRRORS,
        sound_speed=problem.air.sound_speed,
        frequencies_hz=np.array([problem.frequency_hz]),
        pressure=cap.surface_pressure[:, None].astype(np.complex64),
        gradient=problem.pressure_gradient[:, None].astype(np.complex64),
    )
    stream = io.BytesIO()
    kept.write(stream)
    stream.seek(0)
    found = SurfacePressure.read(stream, "band.npz")
    points = 5.0 * radiating.around(ANGLES)
    exact, _ = kept.at_microphones(0, points, np.array([2.0 + 0j]))
    rounded, _ = found.at_microphones(0, points, np.array([2.0 + 0j]))
    np.testing.assert_allclose(exact, 2 * at(cap, points)[0], rtol=1e-5)
    assert radiating.relative_error(rounded, exact) < 1e-4
    assert np.array_equal(found.mesh.surface, problem.mesh.surface)
    assert found.symmetry == MIRRORS


def test_damaged_file_is_one_clear_line():
    message = "Invalid result file 'band.npz'. Must be a surface pressure saved by bafflelens"
    with pytest.raises(StoreError, match=re.escape(message)):
        SurfacePressure.read(io.BytesIO(b"PK cut short"), "band.npz")
