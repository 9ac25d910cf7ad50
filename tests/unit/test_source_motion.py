# SPDX-License-Identifier: GPL-3.0-or-later
"""Velocity of piston and taper, for 1 m/s^2 along the axis."""

import bodies
import numpy as np
import pytest

from bafflelens.mesh.source_motion import SourceMotion, VelocityTable, normal_velocity


def motion(**changes):
    given = {
        "name": "tweeter",
        "axis": (1.0, 0.0, 0.0),
        "centre": (0.0, 0.0, 0.0),
        "piston_surfaces": ("dome",),
        "taper_surfaces": ("surround",),
        "inner_radius_m": 0.010,
        "outer_radius_m": 0.013,
    }
    return SourceMotion(**{**given, **changes})


def dome():
    """Hemispherical dome of 10 mm radius, flat surround to 13 mm, baffle to 30 mm, flat back."""
    angle = np.linspace(0, np.pi / 2, 9)
    flat = np.array([0.0115, 0.013, 0.02, 0.03])
    radius = np.concatenate([0.010 * np.sin(angle), flat, [0.0]])
    x = np.concatenate([0.010 * np.cos(angle), np.zeros(flat.size), [-0.02]])
    names = ["dome"] * 8 + ["surround"] * 2 + ["baffle"] * 2 + ["cabinet"]
    return bodies.revolved(x, radius, np.full(radius.size, 0.002), names)


def test_body_is_what_it_says():
    dome().require_closed()


def test_constant_acceleration():
    """exp(-i omega t): velocity = i / omega times the acceleration, and falls as 1 / f."""
    mesh = dome()
    low, high = (normal_velocity(mesh, [motion()], f) for f in (1000.0, 4000.0))
    assert low.shape == (1, mesh.n_triangles)
    np.testing.assert_allclose(low, 4 * high)
    piston = mesh.surface == "dome"
    np.testing.assert_allclose(low[0, piston], 1j / (2000 * np.pi) * mesh.normals[piston, 0])


def test_only_the_named_surfaces_move():
    mesh = dome()
    velocity = normal_velocity(mesh, [motion()], 1000.0)[0]
    still = ~np.isin(mesh.surface, ["dome", "surround"])
    assert not velocity[still].any()
    assert np.all(np.abs(velocity[mesh.surface == "dome"]) > 0)


def test_taper_is_linear_in_the_radius():
    mesh = dome()
    velocity = normal_velocity(mesh, [motion()], 1000.0)[0] * 2000 * np.pi / 1j
    taper = mesh.surface == "surround"
    radius = np.hypot(mesh.centroids[taper, 1], mesh.centroids[taper, 2])
    # the surround is flat: its normal is the axis
    np.testing.assert_allclose(velocity[taper], (0.013 - radius) / 0.003)
    assert 0 < velocity[taper].real.min() < velocity[taper].real.max() < 1


def test_taper_is_cut_at_both_radii():
    mesh = dome()
    narrow = motion(inner_radius_m=0.0112, outer_radius_m=0.0117)
    velocity = normal_velocity(mesh, [narrow], 1000.0)[0] * 2000 * np.pi / 1j
    taper = mesh.surface == "surround"
    radius = np.hypot(mesh.centroids[taper, 1], mesh.centroids[taper, 2])
    np.testing.assert_allclose(velocity[taper][radius < 0.0112], 1)
    np.testing.assert_allclose(velocity[taper][radius > 0.0117], 0)


def test_no_width_is_a_piston_to_the_rim():
    sharp = motion(inner_radius_m=0.012, outer_radius_m=0.012)
    mesh = dome()
    velocity = normal_velocity(mesh, [sharp], 1000.0)[0] * 2000 * np.pi / 1j
    taper = mesh.surface == "surround"
    radius = np.hypot(mesh.centroids[taper, 1], mesh.centroids[taper, 2])
    np.testing.assert_allclose(velocity[taper], (radius < 0.012) * 1.0)


def test_volume_velocity_of_a_rigid_dome_is_that_of_its_rim():
    """Whatever the dome's height: the closed surface makes it exact, facets included."""
    mesh = dome()
    velocity = normal_velocity(mesh, [motion(taper_surfaces=())], 1000.0)[0]
    flow = np.abs(velocity @ mesh.areas) * 2000 * np.pi
    rim = np.arange(0, 32) * 2 * np.pi / 32  # the ring at 10 mm has 4 * 8 points
    polygon = 0.5 * 0.010**2 * np.sin(2 * np.pi / rim.size) * rim.size
    assert flow == pytest.approx(polygon)


def test_axis_and_centre_of_a_turned_source():
    """Turned by a right angle and shifted: velocities follow."""
    matrix = bodies.rotation((0, 0, 1), np.pi / 2)
    shift = (0.1, -0.2, 0.05)
    straight = normal_velocity(dome(), [motion()], 1000.0)
    turned_motion = motion(axis=(0.0, 1.0, 0.0), centre=shift)
    turned = normal_velocity(bodies.moved(dome(), matrix, shift), [turned_motion], 1000.0)
    np.testing.assert_allclose(turned, straight, atol=1e-12)


def test_several_sources_are_rows():
    mesh = dome()
    names = ("tweeter", "ring")
    both = [motion(), motion(name="ring", piston_surfaces=("baffle",), taper_surfaces=())]
    velocity = normal_velocity(mesh, both, 500.0)
    assert velocity.shape == (len(names), mesh.n_triangles)
    assert not (velocity[0] * velocity[1]).any()


# ------------------------------------------------------------ breathing, and domes that break up
def test_breathing_is_along_the_normal():
    mesh = dome()
    velocity = normal_velocity(mesh, [motion(motion="radial")], 1000.0)[0] * 2000 * np.pi / 1j
    np.testing.assert_allclose(velocity[mesh.surface == "dome"], 1)
    taper = mesh.surface == "surround"
    radius = np.hypot(mesh.centroids[taper, 1], mesh.centroids[taper, 2])
    np.testing.assert_allclose(velocity[taper], (0.013 - radius) / 0.003)


def table(radii_mm=(0.0, 5.0, 10.0), hz=(1000.0, 4000.0), ratio=None):
    shape = (len(hz), len(radii_mm))
    ratio = np.ones(shape) if ratio is None else np.asarray(ratio)
    return VelocityTable(
        frequencies_hz=np.array(hz), radii_m=1e-3 * np.array(radii_mm), ratio=ratio.astype(complex)
    )


@pytest.mark.parametrize("radii_mm", [(0.0, 5.0, 10.0), (3.0,)])
@pytest.mark.parametrize("frequency", [500.0, 1000.0, 2345.0, 9000.0])
def test_a_table_that_says_rigid_is_rigid(frequency, radii_mm):
    mesh = dome()
    rigid = normal_velocity(mesh, [motion()], frequency)
    given = normal_velocity(mesh, [motion(table=table(radii_mm))], frequency)
    np.testing.assert_allclose(given, rigid, rtol=1e-14)


def test_a_table_is_interpolated_in_radius_and_log_frequency():
    found = table(ratio=[[1, 1, 1], [3j, 1j, 1]])
    np.testing.assert_allclose(found.at(np.array([0.0, 5e-3, 1e-2]), 4000.0), [3j, 1j, 1])
    np.testing.assert_allclose(found.at(np.array([2.5e-3]), 4000.0), [2j])
    np.testing.assert_allclose(found.at(np.array([0.0]), 2000.0), [0.5 + 1.5j])  # an octave of two
    np.testing.assert_allclose(found.at(np.array([0.05]), 4000.0), [1])
    np.testing.assert_allclose(found.at(np.array([0.0]), 100.0), [1])
    np.testing.assert_allclose(found.at(np.array([0.0]), 20_000.0), [3j])


def test_the_surround_tapers_from_the_last_value_of_a_table_that_ends_at_the_dome():
    mesh = dome()
    short = table(ratio=[[1, 1, 2j], [1, 1, 2j]])
    velocity = normal_velocity(mesh, [motion(table=short)], 1000.0)[0] * 2000 * np.pi / 1j
    taper = mesh.surface == "surround"
    radius = np.hypot(mesh.centroids[taper, 1], mesh.centroids[taper, 2])
    np.testing.assert_allclose(velocity[taper], 2j * (0.013 - radius) / 0.003)


def test_a_table_that_reaches_over_the_surround_holds_there():
    mesh = dome()
    long = table(radii_mm=(0.0, 10.0, 13.0), ratio=[[1, 1, -1], [1, 1, -1]])
    velocity = normal_velocity(mesh, [motion(table=long)], 1000.0)[0] * 2000 * np.pi / 1j
    taper = mesh.surface == "surround"
    radius = np.hypot(mesh.centroids[taper, 1], mesh.centroids[taper, 2])
    np.testing.assert_allclose(velocity[taper], 1 - 2 * (radius - 0.010) / 0.003)
