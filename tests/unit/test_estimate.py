# SPDX-License-Identifier: GPL-3.0-or-later
"""Estimates between solved shapes, on fields whose form is known: two pistons a path apart."""

import numpy as np
import pytest

from bafflelens.base.errors import InputError
from bafflelens.live import learning
from bafflelens.live.field_levels import about_source, levels_db
from bafflelens.live.learning import estimator_of, fewest_shapes

FREQUENCY_HZ = np.array([2000.0, 3000.0, 4500.0, 7000.0])
ANGLE_DEG = np.arange(-90.0, 91.0, 5.0)
WINDOW = np.flatnonzero(np.abs(ANGLE_DEG) <= 10)
JUDGED = np.flatnonzero(np.abs(ANGLE_DEG) <= 60)
LOW, HIGH = np.array([10.0, 50.0]), np.array([20.0, 90.0])


def field(depth_mm, height_mm, scatter=0.0, seed=0):
    """A point and two edges, half as strong, a height apart and a depth behind."""
    k = 2 * np.pi * FREQUENCY_HZ[:, np.newaxis] / 343.0
    sine = np.sin(np.radians(ANGLE_DEG))
    edges = np.cos(k * 5e-4 * height_mm * sine) * np.exp(1j * k * 1e-3 * depth_mm)
    noise = np.random.default_rng(seed).normal(size=(2, *edges.shape)) * scatter
    return 1 + 0.5 * edges + noise[0] + 1j * noise[1]


def learned(number, scatter=0.0, seed=1):
    values = LOW + (HIGH - LOW) * np.random.default_rng(seed).random((number, 2))
    fields = np.array([field(*row, scatter, 100 + n) for n, row in enumerate(values)])
    return estimator_of(
        values,
        fields,
        np.mean(np.abs(fields) ** 2, axis=2),
        frequency_hz=FREQUENCY_HZ,
        low=LOW,
        high=HIGH,
        window=WINDOW,
        judged=JUDGED,
    )


UNKNOWN = LOW + (HIGH - LOW) * np.random.default_rng(9).random((60, 2))


def off_and_band(known, scatter=0.0):
    estimates = [known.estimate(row) for row in UNKNOWN]
    true = np.array([field(*row, scatter, 500 + n) for n, row in enumerate(UNKNOWN)])
    found = np.array([estimate.field for estimate in estimates])
    off = levels_db(found, WINDOW) - levels_db(true, WINDOW)
    band = np.array([estimate.band_db for estimate in estimates])
    return off[..., JUDGED], band[..., JUDGED]


def test_a_shape_that_was_solved_is_found_again():
    known = learned(20)
    values = known.low + known.points[3] * (known.high - known.low)
    found = known.estimate(values)
    np.testing.assert_allclose(found.field, known.fields[3], atol=2e-3)
    np.testing.assert_allclose(found.power, np.exp(known.log_power[3]), rtol=5e-3)


def test_more_shapes_make_estimates_better():
    rms = [np.sqrt(np.mean(off_and_band(learned(number))[0] ** 2)) for number in (8, 16, 32)]
    assert rms[0] > 2 * rms[1] > 4 * rms[2]
    assert rms[2] < 0.05


@pytest.mark.parametrize("scatter", [0.003, 0.02])
def test_the_band_holds_what_it_says_at_every_frequency(scatter):
    """Scatter of the meshes is not to be taken for a slope; the band is to grow with it."""
    off, band = off_and_band(learned(30, scatter), scatter)
    inside = np.mean(np.abs(off) <= band, axis=(0, 2))
    assert inside.min() > 0.88
    assert 0.93 < inside.mean() < 0.995
    assert np.median(band) < 12 * np.sqrt(np.mean(off**2))


def test_the_band_is_wider_for_scattered_and_for_far_away_shapes():
    calm, rough = learned(20, 0.001), learned(20, 0.02)
    middle, corner = (LOW + HIGH) / 2, HIGH
    assert np.median(rough.estimate(middle).band_db) > 2 * np.median(calm.estimate(middle).band_db)
    assert np.median(calm.estimate(corner).band_db) > np.median(calm.estimate(middle).band_db)


def test_what_is_left_out_in_closed_form_is_what_the_others_say():
    """Leaving a shape out for real, with the kernel as it is, gives the same."""
    known = learned(14)
    fields, _ = known.left_out()
    group = known.groups[1]
    number = int(group.numbers[0])
    others = np.delete(np.arange(14), 5)
    matrix = np.linalg.inv(group.inverse)
    weights = np.linalg.solve(matrix[np.ix_(others, others)], matrix[5, others])
    mean = known.fields[:, number].mean(axis=0)
    expected = mean + weights @ (known.fields[others, number] - mean)
    np.testing.assert_allclose(fields[5, number], expected, atol=1e-4)


def test_too_few_shapes_are_refused():
    assert fewest_shapes(2) == 5
    with pytest.raises(InputError, match=r"solved shapes '4'. Must be at least 5, for 2 dim"):
        learned(4)


def test_about_its_source_a_point_source_has_no_phase_in_any_direction():
    """Free field: exp(-ik d.c) in direction d for a source at c (shift of the origin)."""
    centre = np.array([-0.031, 0.004, 0.012])
    angle = np.radians(ANGLE_DEG)
    directions = np.column_stack([np.cos(angle), 0.6 * np.sin(angle), 0.8 * np.sin(angle)])
    wavenumber = 2 * np.pi * FREQUENCY_HZ / 343.0
    about_origin = np.exp(-1j * np.outer(wavenumber, directions @ centre))
    found = about_source(about_origin, wavenumber, directions, centre)
    np.testing.assert_allclose(found, 1.0, atol=1e-12)


def test_a_phase_that_all_directions_share_changes_nothing():
    values = LOW + (HIGH - LOW) * np.random.default_rng(1).random((20, 2))
    fields = np.array([field(*row) for row in values])
    turned = fields * np.exp(1j * np.linspace(0, 40, 20))[:, np.newaxis, np.newaxis]
    kinds = {"frequency_hz": FREQUENCY_HZ, "low": LOW, "high": HIGH}
    kinds |= {"window": WINDOW, "judged": JUDGED}
    power = np.ones((20, len(FREQUENCY_HZ)))
    one, other = (estimator_of(values, each, power, **kinds) for each in (fields, turned))
    levels = [levels_db(known.estimate(UNKNOWN[0]).field, WINDOW) for known in (one, other)]
    np.testing.assert_allclose(levels[0][:, JUDGED], levels[1][:, JUDGED], atol=2e-3)


def test_kernels_that_were_kept_are_not_looked_for_again(monkeypatch):
    known = learned(14)
    monkeypatch.setattr(learning, "kernel_from", None)
    values = known.low + known.points * (known.high - known.low)
    again = estimator_of(
        values,
        known.fields,
        np.exp(known.log_power),
        frequency_hz=FREQUENCY_HZ,
        low=LOW,
        high=HIGH,
        window=WINDOW,
        judged=JUDGED,
        kernels=known.kernels,
    )
    found = [each.estimate(UNKNOWN[0]) for each in (known, again)]
    np.testing.assert_allclose(found[0].band_db, found[1].band_db, rtol=1e-3)
