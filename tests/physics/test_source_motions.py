# SPDX-License-Identifier: GPL-3.0-or-later
"""How a source moves, from its description to the far field: a cap on a rigid sphere.

Breathing (radial) and rigid axial motion against the series of test_cap_on_rigid_sphere.py. A cap
that no longer moves as a whole, its axial velocity g(radius) given by a table, has the radial
velocity g(sin theta) cos theta, whose coefficients are integrated numerically:

    u_n = (2n + 1)/2 int g(sin theta) cos theta P_n(cos theta) sin theta d theta

Source: P. M. Morse and K. U. Ingard, Theoretical Acoustics (1968) ch. 7; references/README.md,
section 1.
"""

import analytic
import bodies
import numpy as np
import pytest
import radiating

from bafflelens.bem.sweep import solve_band
from bafflelens.mesh.quality import Band
from bafflelens.mesh.source_motion import SourceMotion, VelocityTable, normal_velocity

HALF_ANGLE = np.radians(30)
MIRRORS = ("y", "z")
ANGLES = np.radians(np.arange(0, 181, 5))
KA = (1.0, 3.0)
HZ = tuple(radiating.frequency(k) for k in KA)


def cap(**changes):
    given = {
        "name": "cap",
        "axis": (1.0, 0.0, 0.0),
        "centre": (np.cos(HALF_ANGLE), 0.0, 0.0),
        "piston_surfaces": ("cap",),
        "taper_surfaces": (),
        "inner_radius_m": np.sin(HALF_ANGLE),
        "outer_radius_m": np.sin(HALF_ANGLE),
    }
    return SourceMotion(**{**given, **changes})


def fields(motion):
    """Far field in Pa.m for 1 m/s, at each ka, and the mesh."""
    mesh = bodies.capped_sphere(0.08, HALF_ANGLE, MIRRORS)
    band = Band(frequencies_hz=HZ, mesh_frequency_hz=HZ[-1])
    result = solve_band(
        mesh,
        [motion],
        band,
        air=radiating.AIR,
        directions=radiating.around(ANGLES),
        symmetry=MIRRORS,
        quality="fine",
    )
    assert [outcome.status for outcome in result.outcomes] == ["solved"] * len(KA)
    speed = 1j / (2 * np.pi * np.array(HZ))  # of 1 m/s^2
    return result.far_field[0] / speed[:, np.newaxis], mesh


@pytest.mark.parametrize("kind", ["radial", "axial"])
def test_as_a_whole(kind):
    found, _ = fields(cap(motion=kind))
    for ka, field in zip(KA, found, strict=True):
        exact = analytic.cap_on_sphere(ka, HALF_ANGLE, ANGLES, kind) * radiating.RHO_C / ka
        assert radiating.relative_error(field, exact) < 0.03  # the rim's polygon takes 1 to 2 %


def test_a_table_that_says_rigid_gives_the_rigid_field():
    ones = np.ones((2, 3), dtype=complex)
    rigid = VelocityTable(
        frequencies_hz=np.array([HZ[0] / 2, HZ[1] * 2]),
        radii_m=np.array([0.0, 0.2, 0.5]),
        ratio=ones,
    )
    np.testing.assert_allclose(fields(cap(table=rigid))[0], fields(cap())[0], rtol=1e-6)


def test_a_cap_that_breaks_up():
    """The centre runs against the rim, and a quarter of a period late: complex and changing."""
    radii = np.array([0.0, 0.25, np.sin(HALF_ANGLE)])
    ratio = np.array([[-0.5j, 0.2, 1.0], [-1.5, 0.5j, 1.0]])
    table = VelocityTable(frequencies_hz=np.array(HZ), radii_m=radii, ratio=ratio)
    found, _ = fields(cap(table=table))
    height, weight = np.polynomial.legendre.leggauss(400)
    height = np.cos(HALF_ANGLE) + (height + 1) * (1 - np.cos(HALF_ANGLE)) / 2
    weight = weight * (1 - np.cos(HALF_ANGLE)) / 2
    for ka, field, row in zip(KA, found, ratio, strict=True):
        velocity = np.interp(np.sqrt(1 - height**2), radii, row) * height
        n = np.arange(analytic.n_terms(ka) + 1)
        legendre = analytic.legendre_table(n[-1], height)
        coefficients = (2 * n + 1) / 2 * (legendre @ (weight * velocity))
        exact = analytic.sphere_farfield(ka, ANGLES, coefficients) * radiating.RHO_C / ka
        assert radiating.relative_error(field, exact) < 0.04


def test_the_series_of_a_table_is_that_of_a_rigid_cap_where_it_says_so():
    """The quadrature of the test above, checked by itself."""
    height, weight = np.polynomial.legendre.leggauss(60)
    height = np.cos(HALF_ANGLE) + (height + 1) * (1 - np.cos(HALF_ANGLE)) / 2
    weight = weight * (1 - np.cos(HALF_ANGLE)) / 2
    n = np.arange(12)
    found = (2 * n + 1) / 2 * (analytic.legendre_table(11, height) @ (weight * height))
    np.testing.assert_allclose(found, analytic.cap_coefficients(11, HALF_ANGLE, "axial"))


def test_breathing_moves_more_air_than_pumping():
    """Volume velocities of the round cap: 2 pi (1 - cos) and pi sin^2, references section 1."""
    mesh = bodies.capped_sphere(0.08, HALF_ANGLE)
    flow = {
        kind: abs(normal_velocity(mesh, [cap(motion=kind)], 1.0)[0] @ mesh.areas) * 2 * np.pi
        for kind in ("radial", "axial")
    }
    assert flow["radial"] == pytest.approx(2 * np.pi * (1 - np.cos(HALF_ANGLE)), rel=0.02)
    assert flow["axial"] == pytest.approx(np.pi * np.sin(HALF_ANGLE) ** 2, rel=0.02)
