# SPDX-License-Identifier: GPL-3.0-or-later
"""Polars of patterns with known answers; sources in tests/references/README.md."""

import csv
from pathlib import Path

import analytic
import numpy as np
import patterns
import pytest

from bafflelens.base.errors import InputError
from bafflelens.directivity import polars

ONE = [2000.0]
PISTON_TABLE = Path(__file__).parents[1] / "references" / "piston.csv"


def only(array):
    assert array.size == 1
    return float(array.values[0])


# ------------------------------------------------------------------ orbits
def test_horizontal_orbit_is_positive_to_the_left():
    data = patterns.dataset(lambda _, azimuth, elevation: azimuth + 1000 * elevation, ONE)
    found = polars.orbit(data, "horizontal")
    assert found.dims == ("frequency", "angle")
    angle = found["angle"].values
    np.testing.assert_array_equal(angle, np.arange(-180, 181, 2.5))
    expected = np.where(angle == -180, 180, angle)
    np.testing.assert_allclose(found.values[0].real, expected)


def test_vertical_orbit_passes_over_the_top():
    def height_and_front(_, azimuth, elevation):
        z = np.sin(np.radians(elevation))
        x = np.cos(np.radians(elevation)) * np.cos(np.radians(azimuth))
        return x + 1j * z

    found = polars.orbit(patterns.dataset(height_and_front, ONE), "vertical")
    angle = np.radians(found["angle"].values)
    np.testing.assert_array_equal(found["angle"].values, np.arange(-180, 181, 2.5))
    np.testing.assert_allclose(found.values[0], np.exp(1j * angle), atol=1e-6)


def test_unknown_names_are_refused():
    data = patterns.dataset(patterns.omni, ONE)
    with pytest.raises(InputError, match=r"plane 'diagonal'. Must be one of horizontal, vertical"):
        polars.orbit(data, "diagonal")
    with pytest.raises(InputError, match=r"reference 'power'. Must be one of listening_window"):
        polars.relative_level_db(data, "vertical", "power")


def test_missing_directions_are_named():
    data = patterns.dataset(patterns.omni, ONE)
    front_less = data.isel(direction=data["azimuth_deg"].values != 0)
    with pytest.raises(InputError, match=r"directions of the dataset '\(0.0, 0.0\)'"):
        polars.on_axis_level_db(front_less)


# ------------------------------------------------------------------ levels
def test_absolute_level_of_one_pascal():
    data = patterns.dataset(patterns.omni, ONE)
    assert only(polars.on_axis_level_db(data)) == pytest.approx(93.979, abs=1e-3)
    assert only(polars.listening_window_level_db(data)) == pytest.approx(93.979, abs=1e-3)
    assert "20 uPa at 1 m" in polars.on_axis_level_db(data).attrs["long_name"]


@pytest.mark.parametrize(
    ("name", "pattern"),
    [
        ("omni", patterns.omni),
        ("dipole", patterns.dipole),
        ("cardioid", patterns.cardioid),
        ("cap20_ka3", patterns.cap(3, 20)),
        ("cap20_ka10", patterns.cap(10, 20)),
    ],
)
def test_listening_window_of_known_patterns(name, pattern):
    # CTA-2034-A averages of exact patterns, re on axis.
    expected = {
        "omni": 0.0,
        "dipole": -0.4333,
        "cardioid": -0.2168,
        "cap20_ka3": -0.2280,
        "cap20_ka10": -1.1181,
    }
    data = patterns.dataset(pattern, ONE)
    found = only(polars.listening_window_level_db(data)) - only(polars.on_axis_level_db(data))
    assert found == pytest.approx(expected[name], abs=1e-4)


def test_levels_have_the_reference_they_say():
    def hollow(_, azimuth, elevation):
        return np.where(patterns.off_axis(azimuth, elevation) < np.radians(5), 0.5, 1.0)

    data = patterns.dataset(hollow, ONE)
    window_db = 10 * np.log10((8 + 0.25) / 9)
    for reference, axis_db, side_db in (
        ("on_axis", 0, 6.0206),
        ("maximum", -6.0206, 0),
        ("listening_window", -6.0206 - window_db, -window_db),
    ):
        level = polars.relative_level_db(data, "horizontal", reference)
        assert only(level.sel(angle=0)) == pytest.approx(axis_db, abs=1e-3)
        assert only(level.sel(angle=90)) == pytest.approx(side_db, abs=1e-3)


def test_an_exact_null_has_a_finite_level():
    def half(_, azimuth, elevation):
        return np.where(np.abs(azimuth) > 90, 0.0, 1.0) + 0 * elevation

    level = polars.relative_level_db(patterns.dataset(half, ONE), "horizontal")
    assert only(level.sel(angle=180)) < -200
    assert np.isfinite(level).all()


# ------------------------------------------------------------------ directivity index
@pytest.mark.parametrize(
    ("pattern", "expected"),
    [
        (patterns.omni, 0.0),
        (patterns.dipole, 4.7712),
        (patterns.cardioid, 4.7712),
        (patterns.axisymmetric(lambda _, theta: 0.25 + 0.75 * np.cos(theta)), 6.0206),
        (patterns.cap(3, 20), analytic.cap_on_sphere_di(3, np.radians(20))),
        (patterns.cap(30, 20), analytic.cap_on_sphere_di(30, np.radians(20))),
    ],
)
def test_directivity_index_of_known_patterns(pattern, expected):
    data = patterns.dataset(pattern, ONE)
    assert only(polars.directivity_index_db(data)) == pytest.approx(expected, abs=1e-4)


# ------------------------------------------------------------------ beamwidth
def test_cardioid_is_6_db_down_where_the_formula_says():
    # (1 + cos t)/2 = 10^(-6/20) at t = 89.87 degrees; interpolation over 2.5 degrees adds 0.01.
    angle = np.degrees(np.arccos(2 * 10 ** (-6 / 20) - 1))
    found = polars.beamwidth(patterns.dataset(patterns.cardioid, ONE), "vertical")
    assert only(found["high_deg"]) == pytest.approx(angle, abs=0.02)
    assert only(found["low_deg"]) == pytest.approx(-angle, abs=0.02)
    assert only(found["width_deg"]) == pytest.approx(2 * angle, abs=0.04)
    assert not found["no_crossing"].any()
    assert not found["re_entrant"].any()


def test_dipole_comes_back_behind():
    found = polars.beamwidth(patterns.dataset(patterns.dipole, ONE), "horizontal")
    expected = np.degrees(np.arccos(10 ** (-6 / 20)))
    assert only(found["high_deg"]) == pytest.approx(expected, abs=0.03)
    assert found["re_entrant"].all()


@pytest.mark.parametrize("ka", [3.0, 5.0, 10.0])
def test_piston_half_angle(ka):
    with PISTON_TABLE.open(newline="") as stream:
        rows = {float(row["ka"]): row for row in csv.DictReader(stream)}
    expected = float(rows[ka]["half_angle_-6dB_deg"])

    def baffled(_, theta):
        front = theta <= np.pi / 2
        return np.where(front, analytic.piston_directivity(ka * np.sin(theta)), 0)

    found = polars.beamwidth(patterns.dataset(patterns.axisymmetric(baffled), ONE), "horizontal")
    assert only(found["high_deg"]) == pytest.approx(expected, abs=0.05)


def test_side_lobes_do_not_widen_the_beam():
    def lobed(_, azimuth, elevation):
        angle = np.abs(azimuth) + np.abs(elevation)
        return np.where((angle > 20) & (angle < 40), 0.1, 1.0)

    found = polars.beamwidth(patterns.dataset(lobed, ONE), "horizontal")
    assert 20 < only(found["high_deg"]) < 22.5
    assert found["re_entrant"].all()


def test_one_sided_beam_reports_the_side_that_falls():
    def left_shaded(_, azimuth, elevation):
        return np.where((azimuth > 40) & (azimuth < 170), 0.1, 1.0) + 0 * elevation

    found = polars.beamwidth(patterns.dataset(left_shaded, ONE), "horizontal")
    assert 40 < only(found["high_deg"]) < 42.5
    assert np.isnan(only(found["low_deg"]))
    assert np.isnan(only(found["width_deg"]))
    assert found["no_crossing"].all()


def test_omni_and_an_axis_below_the_fall_have_no_beam():
    def hollow(_, azimuth, elevation):
        return np.where(patterns.off_axis(azimuth, elevation) < np.radians(5), 0.3, 1.0)

    omni = polars.beamwidth(patterns.dataset(patterns.omni, ONE), "vertical")
    assert np.isnan(only(omni["width_deg"]))
    assert omni["no_crossing"].all()
    dip = polars.beamwidth(patterns.dataset(hollow, ONE), "vertical", reference="listening_window")
    assert np.isnan(only(dip["width_deg"]))
    assert dip["no_crossing"].all()


def test_failed_frequencies_are_nan_everywhere():
    data = patterns.dataset(patterns.cardioid, [1000.0, 2000.0], failed=[1000.0])
    found = polars.beamwidth(data, "horizontal")
    curves = [
        polars.on_axis_level_db(data),
        polars.listening_window_level_db(data),
        polars.directivity_index_db(data),
        found["width_deg"],
        polars.relative_level_db(data, "vertical", "maximum").isel(angle=0),
    ]
    for curve in curves:
        np.testing.assert_array_equal(np.isnan(curve.values), [True, False])
    assert not found["no_crossing"].any()
    assert not found["re_entrant"].any()
