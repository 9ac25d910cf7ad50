# SPDX-License-Identifier: GPL-3.0-or-later
"""The oracles themselves: limits, energy balances, reciprocity and published numbers."""

import csv
from pathlib import Path

import analytic
import numpy as np
import pytest
from scipy import integrate

TABLES = Path(__file__).parent


def table(name):
    with (TABLES / name).open(newline="") as stream:
        return list(csv.DictReader(stream))


def test_pulsating_sphere_is_mode_zero():
    k, a, r = 7.3, 0.4, 1.9
    mode = 1j * analytic.sph_h(0, k * r) / analytic.sph_hp(0, k * a)
    assert analytic.pulsating_sphere(k, a, r) == pytest.approx(mode, abs=1e-13)


@pytest.mark.parametrize(("kind", "mode"), [("radial", 0), ("axial", 1)])
def test_cap_of_180_degrees_is_the_whole_sphere(kind, mode):
    expected = np.zeros(21)
    expected[mode] = 1
    coefficients = analytic.cap_coefficients(20, np.pi, kind)
    np.testing.assert_allclose(coefficients, expected, atol=1e-12)


def test_cap_power_by_quadrature_equals_series():
    u = analytic.cap_coefficients(analytic.n_terms(10), np.radians(30))
    n = np.arange(len(u))
    series = np.sum(np.abs(u / analytic.sph_hp(n, 10)) ** 2 / (2 * n + 1))
    mean = analytic.mean_square(lambda t: analytic.sphere_farfield(10, t, u))
    assert mean == pytest.approx(series, rel=1e-10)


def test_small_cap_is_a_point_source():
    theta = [0, 1, 2]
    point = analytic.point_on_sphere_gain(3.0, theta)
    cap = analytic.cap_on_sphere(3.0, 1e-3, theta)
    np.testing.assert_allclose(point / point[0], cap / cap[0], atol=1e-5)


def test_point_source_near_sphere():
    assert abs(analytic.point_on_sphere_gain(1e-3, [0.3])[0]) == pytest.approx(1, abs=2e-3)
    theta = np.array([0.0, 1.0, 2.5])
    near = analytic.point_source_rigid_sphere(3.0, 1.0, 1.0, 5000.0, theta, nmax=40)
    on = analytic.point_on_sphere_gain(3.0, theta)
    np.testing.assert_allclose(np.abs(near), np.abs(on), atol=2e-3)
    there = analytic.point_source_rigid_sphere(4.0, 1.0, 1.7, 3.1, [0.9])
    back = analytic.point_source_rigid_sphere(4.0, 1.0, 3.1, 1.7, [0.9])
    np.testing.assert_allclose(there, back)


def test_scattering_obeys_the_optical_theorem_and_rayleigh():
    section, _, forward = analytic.rigid_sphere_scattering(4.0)
    assert section == pytest.approx(forward.imag, abs=1e-10)  # 4 pi / k with ka = 4
    section, back, _ = analytic.rigid_sphere_scattering(0.02)
    assert section == pytest.approx(7 / 9 * 0.02**4, rel=1e-3)
    assert abs(back) == pytest.approx(5 / 6 * 0.02**2, rel=1e-3)


@pytest.mark.parametrize("ka", [0.5, 2.0, 7.0])
def test_piston_resistance_equals_far_field_power(ka):
    def ring(theta):
        return analytic.piston_directivity(ka * np.sin(theta)) ** 2 * np.sin(theta)

    mean = integrate.quad(ring, 0, np.pi / 2, limit=400)[0]
    assert 2 / mean == pytest.approx(ka**2 / analytic.piston_impedance(ka)[0], abs=1e-6)


def test_pipe_ends():
    # The Levine-Schwinger integral gives 0.6127; the paper prints 0.6133.
    assert analytic.levine_schwinger(1e-4)[1] == pytest.approx(0.61270, abs=5e-5)
    assert analytic.flanged_pipe_end_correction(1) == pytest.approx(8 / (3 * np.pi), abs=1e-5)
    assert analytic.flanged_pipe_end_correction(40) == pytest.approx(0.82190, abs=2e-5)


def test_disk_in_free_space_limits_and_energy():
    impedance = analytic.DiskInFreeSpace(0.05).force_on_piston()
    assert -impedance.imag == pytest.approx(8 / (3 * np.pi) * 0.05, rel=2e-3)
    assert impedance.real == pytest.approx(16 * 0.05**4 / (27 * np.pi**2), rel=1e-2)
    disk = analytic.DiskInFreeSpace(5.0)
    far = 4 * analytic.mean_square(disk.farfield_anti)  # 2 W / (rho c pi b^2 v^2)
    assert far == pytest.approx(disk.force_on_piston().real, rel=1e-4)


def test_one_sided_piston_in_a_round_baffle_keeps_energy():
    disk = analytic.DiskInFreeSpace(5.0, 0.25)
    far = analytic.mean_square(disk.farfield_front_only) * 4 * np.pi  # 2 W / (rho c v^2 b^2)
    even = np.pi * disk.a**2 * analytic.piston_impedance(disk.k * disk.a)[0]
    odd = np.pi * np.sum(disk.coef * disk.vm).real
    assert far == pytest.approx(0.5 * (even + odd), rel=1e-6)
    sideways = 0.25 * disk.k * disk.a**2 * analytic.piston_directivity(disk.k * disk.a)
    assert abs(disk.farfield_front_only(np.pi / 2)[0]) == pytest.approx(sideways, rel=1e-9)


def test_cta_weights_match_the_published_numbers():
    for row in table("cta2034a_weights.csv"):
        weight = analytic.cta2034_weight(float(row["angle_deg"]))
        assert weight == pytest.approx(float(row["weight"]), abs=6e-10)


def test_absorption_matches_iso_9613_2_table_2():
    bands = 1000 * 10 ** (3 * np.arange(-4, 4) / 10)
    db_per_km = analytic.iso9613_1_absorption(bands, 20, 70) * 1000
    expected = [0.1, 0.3, 1.1, 2.8, 5.0, 9.0, 22.9, 76.6]
    np.testing.assert_allclose(np.round(db_per_km, 1), expected, atol=0.06)


@pytest.mark.parametrize("kind", ["radial", "axial"])
def test_cap_table(kind):
    *rows, last = table("cap_on_sphere.csv")
    theta = np.radians([float(row["theta_deg"]) for row in rows])
    for column in rows[0]:
        if column.startswith(kind):
            half_angle, ka = (float(text.lstrip("ak")) for text in column.split("_")[1:])
            field = analytic.cap_on_sphere(ka, np.radians(half_angle), theta, kind)
            level = analytic.db(field) - analytic.db(field[0])
            np.testing.assert_allclose(level, [float(r[column]) for r in rows], atol=6e-4)
            index = analytic.cap_on_sphere_di(ka, np.radians(half_angle), kind)
            assert index == pytest.approx(float(last[column]), abs=6e-4)
