# SPDX-License-Identifier: GPL-3.0-or-later
"""A driver measured close to its plate: its strength is found, whatever the distance.

The plate is a rigid sphere with a breathing cap, whose pressure at any distance is known:

    p(r) = i rho c sum u_n h_n(kr) / h_n'(ka) P_n(cos theta)

Source: P. M. Morse and K. U. Ingard, Theoretical Acoustics (1968) ch. 7; references/README.md,
section 1. The microphone stands one radius in front of the cap, where the far-field law is off.
"""

import analytic
import bodies
import numpy as np
import pytest
import radiating

from bafflelens.base.conventions import REFERENCE_PRESSURE_PA
from bafflelens.bem.sweep import solve_band
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.driver import Driver, strength
from bafflelens.directivity.far_field_data import assemble_dataset, microphone_pressure
from bafflelens.directivity.responses import Response
from bafflelens.mesh.quality import Band
from bafflelens.mesh.source_motion import SourceMotion

HALF_ANGLE = np.radians(30)
DISTANCE_M = 2.0
PLANTED = 40 * np.exp(0.7j)  # m/s^2 at 1 V, for exp(-i omega t)
K = np.array([1.5, 3.0])
FREQUENCY = radiating.frequency(K)
CAP = SourceMotion(
    name="tweeter",
    axis=(1.0, 0.0, 0.0),
    centre=(0.0, 0.0, 0.0),
    piston_surfaces=("cap",),
    taper_surfaces=(),
    inner_radius_m=1.0,
    outer_radius_m=1.0,
    motion="radial",
)


def exact_pressure(distance_m):
    """Pressure on the axis for a radial acceleration of 1 m/s^2, in Pa."""
    found = []
    for k, frequency in zip(K, FREQUENCY, strict=True):
        n = np.arange(analytic.n_terms(k) + 1)
        u = analytic.cap_coefficients(n[-1], HALF_ANGLE)
        radial = 1j * radiating.RHO_C * u * analytic.sph_h(n, k * distance_m)
        velocity = 1j / (2 * np.pi * frequency)
        found.append(velocity * np.sum(radial / analytic.sph_hp(n, k)))
    return np.array(found)


@pytest.fixture(scope="module")
def plate():
    mesh = bodies.capped_sphere(0.1, HALF_ANGLE, ("y", "z"))
    result = solve_band(
        mesh,
        [CAP],
        Band(frequencies_hz=tuple(FREQUENCY), mesh_frequency_hz=FREQUENCY[-1]),
        air=radiating.AIR,
        directions=directions().vectors,
        symmetry=("y", "z"),
        microphones_m=(DISTANCE_M,),
    )
    return assemble_dataset(
        directions(),
        [result],
        ["tweeter"],
        air=radiating.AIR,
        mesh_info={},
        engine="direct",
        versions={},
        microphones_m=(DISTANCE_M,),
    )


def measured():
    electrical = np.conj(PLANTED * exact_pressure(DISTANCE_M))
    response = Response(
        name="exact",
        frequency_hz=FREQUENCY,
        level_db=20 * np.log10(np.abs(electrical) / REFERENCE_PRESSURE_PA),
        phase_deg=np.degrees(np.angle(electrical)),
    )
    return Driver(
        name="tweeter",
        quantity="pressure",
        response=response,
        voltage_v=1.0,
        distance_m=DISTANCE_M,
    )


def test_the_strength_is_that_which_was_planted(plate):
    """Within the mesh's error, 2 % at this size (tests/physics/test_pressure_at_points.py)."""
    found = strength(measured(), plate, FREQUENCY, rated_voltage_v=1.0)
    np.testing.assert_allclose(found, PLANTED, rtol=0.02)


def test_the_far_field_law_would_be_off(plate):
    without = plate.drop_dims("microphone")
    found = strength(measured(), without, FREQUENCY, rated_voltage_v=1.0)
    assert np.abs(found / PLANTED - 1).min() > 0.05


def test_the_microphone_is_kept_with_the_dataset(plate):
    found = microphone_pressure(plate, DISTANCE_M)
    np.testing.assert_allclose(found, exact_pressure(DISTANCE_M), rtol=0.02)
    assert microphone_pressure(plate, 3.0) is None
    assert microphone_pressure(plate.drop_dims("microphone"), DISTANCE_M) is None
