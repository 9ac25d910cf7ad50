# SPDX-License-Identifier: GPL-3.0-or-later
"""Domes that do not move as one piece, against exact series and closed forms.

A cap of a rigid sphere with a radial velocity g(theta), by the series of
`test_cap_on_rigid_sphere` (Morse and Ingard, Theoretical Acoustics, ch. 7) with the Legendre
coefficients u_n = (2n + 1)/2 int g P_n(cos theta) sin(theta) d(theta) of the profile.

A circular piston in an infinite baffle with velocity (1 - rho^2)^n: its far field is, relative to
that of its volume velocity, 2^(n+1) (n+1)! J_(n+1)(x) / x^(n+1) with x = ka sin(theta): Sonine's
first integral (Watson, Theory of Bessel Functions, 12.11; citation from memory). n = 0 is the
rigid piston, 1 the simply supported one of Greenspan, J. Acoust. Soc. Am. 65 (1979) 608
(citation from memory). For Zernike's polynomials P_n(2 rho^2 - 1) the far field is
2 (-1)^n J_(2n+1)(x) / x (Aarts and Janssen, J. Acoust. Soc. Am. 125 (2009) 1444; from memory).
"""

from dataclasses import replace
from functools import cache
from math import factorial

import analytic
import bodies
import numpy as np
import pytest
import radiating
from scipy import special

from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.mesh.dome_motions import (
    CLAMPED_ROOTS,
    clamped_mode,
    mode_frequencies,
    shallow_cap_hz,
)
from bafflelens.mesh.dome_profiles import (
    DOME_ORDERS,
    dome_shape,
    dome_shares,
    fitting_radii,
    profiles_of,
)
from bafflelens.mesh.source_motion import SourceMotion, motion_shape

MIRRORS = ("y", "z")
HALF_ANGLE = np.radians(40)
ANGLES = np.radians(np.arange(0, 181, 5))
THICKNESS = 0.03


def cap_coefficients(order, ka):
    """Legendre coefficients of a profile of the dome over a cap, radial velocity."""
    n = np.arange(analytic.n_terms(ka) + 1)
    point, weight = np.polynomial.legendre.leggauss(400)
    low = np.cos(HALF_ANGLE)
    cosine = low + (1 - low) * (point + 1) / 2
    rho = np.sqrt(1 - cosine**2) / np.sin(HALF_ANGLE)
    velocity = dome_shape(order, rho)
    table = analytic.legendre_table(n[-1], cosine)
    return (2 * n + 1) / 2 * (table @ (weight * velocity)) * (1 - low) / 2


@cache
def cap_solution(ka):
    mesh = bodies.capped_sphere(0.07, HALF_ANGLE, MIRRORS)
    radial = {"axis": (1.0, 0.0, 0.0), "centre": (0.0, 0.0, 0.0), "motion": "radial"}
    dome = SourceMotion(
        name="dome",
        piston_surfaces=("cap",),
        taper_surfaces=(),
        inner_radius_m=float(np.sin(HALF_ANGLE)),
        outer_radius_m=float(np.sin(HALF_ANGLE)),
        **radial,
    )
    motions = [dome, *(replace(dome, profile=profile) for profile in profiles_of()[:3])]
    velocity = np.stack([motion_shape(mesh, motion, 1000.0) for motion in motions])
    problem = radiating.problem(mesh, velocity, ka, MIRRORS)
    alone = radiating.problem(mesh, velocity[:1], ka, MIRRORS)
    settings = EngineSettings(tolerance=1e-4)
    return (
        solve_burton_miller(problem, settings=settings, followers=3),
        solve_burton_miller(alone, settings=settings),
    )


@pytest.mark.parametrize("ka", [2.0, 6.0])
@pytest.mark.parametrize("order", [1, 2, 3])
def test_cap_with_a_profile_is_the_exact_series(ka, order):
    found = cap_solution(ka)[0].far_field(radiating.around(ANGLES))[order]
    exact = analytic.sphere_farfield(ka, ANGLES, cap_coefficients(order, ka))
    exact = exact * radiating.RHO_C / ka
    # facets of 4 degrees: the rim's polygon and one value an element leave 1 to 2 per cent
    assert radiating.relative_error(found, exact) < 0.025


def test_profiles_leave_the_rigid_motion_as_it_is():
    together, alone = cap_solution(6.0)
    assert together.iterations == alone.iterations
    fields = [one.far_field(radiating.around(ANGLES))[0] for one in (together, alone)]
    assert radiating.relative_error(*fields) < 2e-6  # rounding of single precision


def test_profiles_are_reciprocal():
    """Force on one profile by another is the same both ways: velocities here are real."""
    force = cap_solution(2.0)[0].force_matrix()
    scale = np.sqrt(np.outer(abs(np.diag(force)), abs(np.diag(force))))
    assert np.max(abs(force - force.T) / scale) < 0.01


@cache
def disk_fields(ka):
    """Far field of a thin disk both of whose faces move outwards with (1 - rho^2)^n.

    By symmetry nothing moves through its plane: each half has an infinite baffle.
    """
    mesh = bodies.round_baffle(1.2, 1.0, THICKNESS, 0.065, 0.02)
    rho = np.linalg.norm(mesh.centroids[:, 1:], axis=1)
    height = np.where(abs(mesh.normals[:, 0]) > 0.9, np.clip(1 - rho**2, 0, 1), 0)
    velocity = np.stack([height**n for n in (1, 2, 3)])
    problem = radiating.problem(mesh, velocity, ka, MIRRORS)
    return solve_burton_miller(problem, followers=2), 4 * velocity @ mesh.areas


@pytest.mark.parametrize("ka", [4.0])
@pytest.mark.parametrize("n", [1, 2, 3])
def test_piston_with_a_radial_profile_has_the_published_directivity(n, ka):
    angles = np.radians(np.arange(0, 86, 5))
    solution, flow = disk_fields(ka)
    fields = solution.far_field(radiating.around(angles))[n - 1]
    x = np.maximum(ka * np.sin(angles), 1e-3)
    exact = 2 ** (n + 1) * factorial(n + 1) * special.jv(n + 1, x) / x ** (n + 1)
    # the two faces are a little apart; one half alone radiates i omega rho U / (2 pi)
    exact = exact * np.cos(ka * THICKNESS / 2 * np.cos(angles))
    level = ka * radiating.RHO_C * flow[n - 1] / (4 * np.pi)
    assert radiating.relative_error(abs(fields), abs(exact) * level) < 0.02


def test_profiles_are_zernike_polynomials_less_one():
    """The Hankel transform of P_n(2 rho^2 - 1) is (-1)^n J_(2n+1)(x) / x."""
    radii, weight = fitting_radii()
    x = np.array([0.5, 2.0, 7.0])
    kernel = special.j0(np.outer(x, radii))
    for n in range(1, DOME_ORDERS + 1):
        transform = kernel @ (weight * dome_shape(n, radii))
        wanted = 2 * (-1) ** n * special.jv(2 * n + 1, x) / x - 2 * special.jv(1, x) / x
        assert transform == pytest.approx(wanted, abs=1e-6)


def test_shares_find_a_mixture_again():
    radii, _ = fitting_radii()
    rng = np.random.default_rng(5)
    shares = rng.standard_normal(DOME_ORDERS) + 1j * rng.standard_normal(DOME_ORDERS)
    basis = np.array([dome_shape(n, radii) for n in range(1, DOME_ORDERS + 1)])
    found, left = dome_shares(1 + shares @ basis)
    assert found == pytest.approx(shares)
    assert left == pytest.approx(0, abs=1e-10)


def test_roots_are_those_of_a_clamped_plate():
    x = np.array(CLAMPED_ROOTS)
    residue = special.j0(x) * special.i1(x) + special.i0(x) * special.j1(x)
    assert np.max(abs(residue) / special.i0(x)) < 1e-4


def test_a_clamped_mode_rests_at_the_edge_with_no_slope():
    edge = clamped_mode(0, np.array([1.0, 1 - 1e-4]))
    assert edge[0] == pytest.approx(0, abs=1e-12)
    assert edge[1] == pytest.approx(0, abs=1e-6)


def shallow_cap_by_ritz(radius, curvature, thickness, modulus, density, poisson):
    """First frequency in Hz by Rayleigh and Ritz, with the stretching stiffness E h / R^2.

    Polynomials (1 - rho^2)^(2 + m) in bending energy of a plate with a clamped edge: independent
    of any root.
    """
    point, weight = np.polynomial.legendre.leggauss(60)
    rho, area = (1 + point) / 2, weight / 2
    terms = [np.polynomial.Polynomial([1, 0, -1]) ** (2 + m) for m in range(5)]
    shape = np.array([w(rho) for w in terms])
    # Laplacian of a function of rho: w'' + w' / rho
    curved = np.array([w.deriv(2)(rho) + w.deriv(1)(rho) / rho for w in terms]) / radius**2
    stiffness = modulus * thickness**3 / (12 * (1 - poisson**2))
    bending = stiffness * (curved * rho * area) @ curved.T
    mass = (shape * rho * area) @ shape.T
    stretching = modulus * thickness / curvature**2 * mass
    values = np.linalg.eigvals(np.linalg.solve(density * thickness * mass, bending + stretching))
    return float(np.sqrt(np.min(values.real)) / (2 * np.pi))


def test_first_frequency_of_a_shallow_cap():
    """The cited formula, on an aluminium dome of 26 mm, against energies alone."""
    given = (0.013, 0.025, 30e-6, 70e9, 2700.0, 0.33)
    found = shallow_cap_hz(
        0,
        radius_m=given[0],
        curvature_radius_m=given[1],
        thickness_m=given[2],
        modulus_pa=given[3],
        density=given[4],
        poisson=given[5],
    )
    assert found == pytest.approx(shallow_cap_by_ritz(*given), rel=1e-4)
    assert found > np.sqrt(70e9 / 2700) / (2 * np.pi * 0.025)


def test_second_mode_follows_from_the_share_of_bending():
    kwargs = {
        "radius_m": 0.013,
        "curvature_radius_m": 0.05,
        "thickness_m": 100e-6,
        "modulus_pa": 70e9,
        "density": 2700.0,
    }
    first, second = (shallow_cap_hz(number, **kwargs) for number in (0, 1))
    plate = shallow_cap_hz(0, **{**kwargs, "curvature_radius_m": 1e9})
    share = (plate / first) ** 2
    assert mode_frequencies(first, share) == pytest.approx((first, second), rel=1e-6)
