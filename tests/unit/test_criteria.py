# SPDX-License-Identifier: GPL-3.0-or-later
"""Each criterion on patterns whose value is known without the code under test."""

from dataclasses import replace

import numpy as np
import patterns
import pytest
from patterns import shaped

from bafflelens.scoring.criteria import (
    bounce_level_db,
    edge_level_db,
    horizontal_width,
    seat_height,
    towards_bounce_db,
    up_down_symmetry,
    vertical_benefit,
    vertical_control,
)
from bafflelens.scoring.target import Limit, Target, default_target

BAND = (2000.0, 12000.0)


def flat(angle_deg, level_db, weights=(1.0, 1.0)):
    return Limit(
        angle_deg=angle_deg,
        frequencies_hz=(2000.0, 10000.0),
        levels_db=(level_db, level_db),
        weights=weights,
    )


TARGET = Target(
    floor=flat(-34, -6),
    ceiling=flat(45, -8),
    horizontal=(flat(60, -3), flat(30, -2)),
    seat=(flat(10, -2),),
)


def value(function, pattern, *arguments, frequencies=None, **options):
    return function(patterns.dataset(pattern, frequencies, **options), *arguments).value_db


# ------------------------------------------------------------------ bounce level
@pytest.mark.parametrize("elevation", [-90.0, -33.69, 5.0, 45.0, 84.0])
def test_omni_is_even_towards_every_bounce(elevation):
    data = patterns.dataset(patterns.omni, [2000.0])
    assert bounce_level_db(data, elevation) == pytest.approx([0], abs=1e-6)


@pytest.mark.parametrize("elevation", [-33.69, 45.0, 60.0])
def test_dipole_over_a_patch_equals_its_integral(elevation):
    # Mean of cos^2(elevation) cos^2(azimuth) over the patch, in closed form.
    low, high = np.radians(elevation - 10), np.radians(elevation + 10)
    cubed = [np.sin(e) - np.sin(e) ** 3 / 3 for e in (low, high)]
    height = (cubed[1] - cubed[0]) / (np.sin(high) - np.sin(low))
    across = 0.5 + np.sin(np.pi / 3) / (2 * np.pi / 3)
    expected = 10 * np.log10(height * across) + 0.4333  # listening window of a dipole
    data = patterns.dataset(patterns.dipole, [2000.0])
    # The grid of 5 degrees stands for the integral within 0.05 dB.
    assert bounce_level_db(data, elevation) == pytest.approx([expected], abs=0.05)


def test_floor_is_below_and_ceiling_above():
    data = patterns.dataset(shaped(lambda f, az, el: np.where(el > 20, 3.0, 0.0)), [2000.0])
    assert bounce_level_db(data, 45) == pytest.approx([3], abs=1e-5)
    assert bounce_level_db(data, -45) == pytest.approx([0], abs=1e-5)


def test_patch_reaches_30_degrees_to_each_side():
    data = patterns.dataset(shaped(lambda f, az, el: np.where(np.abs(az) > 32, 40, 0)), [2000.0])
    assert bounce_level_db(data, 45) == pytest.approx([0], abs=1e-5)


def test_a_pole_counts_with_its_part_of_the_patch():
    # The patch from 75 to 90 degrees; the pole's cell is what lies above 87.5 degrees.
    data = patterns.dataset(shaped(lambda f, az, el: np.where(el == 90, 20.0, 0.0)), [2000.0])
    share = (1 - np.sin(np.radians(87.5))) / (1 - np.sin(np.radians(75)))
    expected = 10 * np.log10(1 + 99 * share)
    assert bounce_level_db(data, 85) == pytest.approx([expected], abs=1e-4)


def test_level_is_continuous_in_the_angle():
    steep = patterns.dataset(shaped(lambda f, az, el: -0.5 * np.abs(el)), [2000.0])
    levels = [bounce_level_db(steep, angle)[0] for angle in np.arange(30, 40, 0.1)]
    assert np.abs(np.diff(levels)).max() < 0.1


def test_nulls_stop_at_20_db():
    data = patterns.dataset(shaped(lambda f, az, el: np.where(el > 30, -200, 0)), [2000.0])
    assert bounce_level_db(data, 45) == pytest.approx([-20])


@pytest.mark.parametrize("azimuth", [25.0, -25.0, 170.0])
def test_the_patch_is_around_the_seat_s_azimuth(azimuth):
    def lit(f, az, el):
        off = np.abs((az - azimuth + 180) % 360 - 180)
        return np.where((off < 34) & (np.abs(el - 45) < 14), 6.0, 0.0)

    data = patterns.dataset(shaped(lit), [2000.0])
    assert bounce_level_db(data, 45, azimuth) == pytest.approx([6], abs=1e-5)
    assert bounce_level_db(data, 45, azimuth + 100) == pytest.approx([0], abs=1e-5)


def test_of_several_seats_the_loudest_counts():
    # 4 dB between 42 and 68 degrees, so that only the patch around 55 degrees is full of it.
    data = patterns.dataset(shaped(lambda f, az, el: np.where(np.abs(el - 55) < 13, 4.0, 0.0)))
    seats = replace(flat(30, -8), more_angles_deg=(45.0, 55.0))
    found = towards_bounce_db(data, seats)
    assert found == pytest.approx(np.full(len(found), 4.0), abs=1e-5)
    assert towards_bounce_db(data, flat(30, -8))[0] == pytest.approx(0, abs=1e-5)
    target = replace(TARGET, ceiling=seats)
    costs = vertical_control(data, target, BAND).value_db
    assert costs == pytest.approx(((6 + 0) + (8 + 4)) / 2, abs=1e-4)


# ------------------------------------------------------------------ vertical control
def test_omni_exceeds_the_target_by_what_it_asks_for():
    assert value(vertical_control, patterns.omni, TARGET, BAND) == pytest.approx((6 + 8) / 2)


def test_omni_against_the_default_target():
    # By octave from 2 kHz, floor then ceiling: the mean of the straight lines over log f, and
    # over the worst third-octave; the octave from 8 kHz is asked for to 10 kHz.
    found = value(vertical_control, patterns.omni, default_target(), BAND, frequencies=None)
    frequency = np.geomspace(2000, 4000, 100_001)
    parts = []
    for levels, plateau in (((2, 4, 6), 6), ((3, 5, 8), 8)):
        line = np.interp(np.log(frequency), np.log([2000, 3000, 4000]), levels)
        worst = line[frequency > 4000 / 2 ** (1 / 3)].mean()
        low = 0.5 * (line.mean() + worst)
        top = np.log2(10 / 8) * 0.75
        parts.append((low + plateau + plateau * top) / (2 + top))
    assert found == pytest.approx(np.mean(parts), abs=0.05)


def test_less_than_the_target_allows_earns_nothing_more():
    quiet = shaped(lambda f, az, el: np.where(np.abs(el) > 15, -9, 0))
    silent = shaped(lambda f, az, el: np.where(np.abs(el) > 15, -19, 0))
    assert value(vertical_control, quiet, TARGET, BAND) == 0
    assert value(vertical_control, silent, TARGET, BAND) == 0


def test_nothing_counts_where_the_target_ends():
    def narrow_above(frequency_hz):
        return shaped(
            lambda f, az, el: np.where((np.abs(el) > 15) & (f > frequency_hz), -15.0, 0.0)
        )

    plain = value(vertical_control, patterns.omni, TARGET, BAND)
    assert value(vertical_control, narrow_above(10_100), TARGET, BAND) == pytest.approx(plain)
    assert value(vertical_control, narrow_above(7000), TARGET, BAND) < plain - 1


def test_a_narrow_fault_counts_more_than_its_mean():
    # Only around 4.5 kHz, a sixth-octave step or two, is the ceiling at 0 dB.
    def fault(f, az, el):
        return np.where((el > 15) & ((f < 4200) | (f > 5000)), -10.0, 0.0) + np.where(
            el < -15, -10.0, 0.0
        )

    found = value(vertical_control, shaped(fault), TARGET, BAND)
    mean = 0.5 * 8 * (1 / 6) / (2 + np.log2(10 / 8))
    assert found > 1.5 * mean


def test_a_hump_on_the_axis_hardly_flatters():
    def hump(f, az, el):
        return np.where(np.degrees(patterns.off_axis(az, el)) < 5, 6.0, 0.0)

    gain = value(vertical_control, patterns.omni, TARGET, BAND) - value(
        vertical_control, shaped(hump), TARGET, BAND
    )
    assert gain == pytest.approx(10 * np.log10((8 + 10**0.6) / 9), abs=1e-3)  # 1.2 of 6 dB


def test_note_names_parts_and_place():
    found = vertical_control(patterns.dataset(patterns.omni), TARGET, BAND)
    assert found.note.startswith("floor 6.0 dB, ceiling 8.0 dB over the target; most around")
    assert "(ceiling, 8.0 dB)" in found.note
    assert found.note.endswith("7.0 dB 2 to 4 kHz, 7.0 dB 4 to 8 kHz, 7.0 dB 8 to 12 kHz")
    assert [octave.mean_db for octave in found.octaves] == pytest.approx([8, 8, 8])


# ------------------------------------------------------------------ horizontal width
def test_shortfall_of_a_shaded_window():
    shaded = shaped(lambda f, az, el: np.where(np.abs(az) > 37, -7.0, 0.0))
    assert value(horizontal_width, shaded, TARGET, BAND) == pytest.approx(4.0, abs=1e-5)
    left = shaped(lambda f, az, el: np.where(az > 37, -7.0, 0.0))
    found = horizontal_width(patterns.dataset(left), TARGET, BAND)
    assert found.value_db == pytest.approx(2.0, abs=1e-5)
    assert found.note.startswith("right 0.0 dB, left 4.0 dB short of the target")


def test_wide_patterns_fall_short_of_nothing():
    assert value(horizontal_width, patterns.omni, TARGET, BAND) == 0
    assert value(horizontal_width, patterns.cardioid, TARGET, BAND) == 0


def test_a_window_that_opens_again_at_its_edge_is_not_open():
    dip = shaped(lambda f, az, el: np.where((np.abs(az) > 37) & (np.abs(az) < 53), -9.0, 0.0))
    data = patterns.dataset(dip, [2000.0])
    assert edge_level_db(data, "horizontal", 60) == pytest.approx(np.full((1, 2), -9), abs=1e-4)
    assert value(horizontal_width, dip, TARGET, BAND) == pytest.approx(6, abs=1e-3)


def test_edge_level_of_a_dipole():
    # Energy mean of cos^2 over 55 to 65 degrees in five steps, re its listening window.
    arc = np.mean(np.cos(np.radians([55, 57.5, 60, 62.5, 65])) ** 2)
    found = edge_level_db(patterns.dataset(patterns.dipole, [2000.0]), "horizontal", 60)
    assert found[0] == pytest.approx([10 * np.log10(arc) + 0.4333] * 2, abs=1e-3)


def test_weight_fades_a_demand_out():
    fading = Target(
        floor=flat(-34, -6),
        ceiling=flat(45, -8),
        horizontal=(flat(60, -3, weights=(1.0, 0.0)),),
    )
    high_fault = shaped(lambda f, az, el: np.where((np.abs(az) > 37) & (f > 7500), -9.0, 0.0))
    full = value(horizontal_width, high_fault, TARGET, BAND)
    assert 0 < value(horizontal_width, high_fault, fading, BAND) < 0.4 * full


# ------------------------------------------------------------------ seat height
def test_a_beam_too_narrow_for_the_seat_costs():
    tight = shaped(lambda f, az, el: np.where(np.abs(el) > 4, -6.0, 0.0))
    window_db = 10 * np.log10((7 + 2 * 10**-0.6) / 9)
    expected = -2 - (-6 - window_db)
    assert value(seat_height, tight, TARGET, BAND) == pytest.approx(expected, abs=1e-4)
    assert value(seat_height, patterns.omni, TARGET, BAND) == 0
    up_only = shaped(lambda f, az, el: np.where(el > 4, -8.0, 0.0))
    found = seat_height(patterns.dataset(up_only), TARGET, BAND)
    assert found.note.startswith("below 0.0 dB, above")


def test_without_a_demand_nothing_is_judged():
    bare = Target(floor=flat(-34, -6), ceiling=flat(45, -8), horizontal=())
    data = patterns.dataset(patterns.omni)
    for found in (seat_height(data, bare, BAND), horizontal_width(data, bare, BAND)):
        assert np.isnan(found.value_db)
        assert found.note.startswith("not judged: the target")


# ------------------------------------------------------------------ symmetry
@pytest.mark.parametrize("pattern", [patterns.omni, patterns.dipole, patterns.cap(10, 20)])
def test_what_is_alike_above_and_below_is_symmetrical(pattern):
    assert value(up_down_symmetry, pattern, TARGET, BAND) == pytest.approx(0, abs=1e-5)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_difference_between_up_and_down_counts_as_it_is(sign):
    tilted = shaped(lambda f, az, el: np.where(sign * el > 12, -3.0, 0.0))
    found = up_down_symmetry(patterns.dataset(tilted), TARGET, BAND)
    # Angles 5 to 45 degrees; the arcs around 5, 10 and 15 degrees reach below 12 degrees.
    arcs = [np.arange(t - 5, t + 5.1, 2.5) for t in range(5, 50, 5)]
    levels = [10 * np.log10(np.mean(np.where(arc > 12, 10**-0.3, 1))) for arc in arcs]
    assert found.value_db == pytest.approx(-np.mean(levels), abs=1e-4)
    assert ("more downwards on average" in found.note) == (sign > 0)


def test_a_lobe_that_turns_over_with_frequency_does_not_cancel():
    turning = shaped(lambda f, az, el: np.where(el > 2, 3.0 if f < 4900 else -3.0, 0.0))
    steady = shaped(lambda f, az, el: np.where(el > 2, 3.0, 0.0))
    both = [value(up_down_symmetry, pattern, TARGET, BAND) for pattern in (turning, steady)]
    assert both[0] == pytest.approx(both[1], rel=0.02)


def test_nothing_solved_is_not_judged():
    data = patterns.dataset(patterns.omni, [4000.0, 4400.0], failed=[4000.0, 4400.0])
    for function in (vertical_control, horizontal_width, seat_height, up_down_symmetry):
        found = function(data, TARGET, BAND)
        assert np.isnan(found.value_db)
        assert found.note.startswith("not judged")


# ------------------------------------------------------------------ benefit
def test_benefit_is_the_difference_of_the_bounces():
    lens = shaped(lambda f, az, el: np.where(el > 15, -4.0, 0) + np.where(el < -15, -2.0, 0))
    found = vertical_benefit(patterns.dataset(lens), patterns.dataset(patterns.omni), TARGET, BAND)
    assert (found.floor_db, found.ceiling_db) == pytest.approx((2, 4), abs=1e-4)
    assert found.mean_db == pytest.approx(3, abs=1e-4)
    assert [octave.mean_db for octave in found.octaves] == pytest.approx([3, 3, 3], abs=1e-4)
    back = vertical_benefit(patterns.dataset(patterns.omni), patterns.dataset(lens), TARGET, BAND)
    assert back.mean_db == pytest.approx(-3, abs=1e-4)


def test_benefit_by_octave_with_other_frequencies_and_failures():
    lens = shaped(lambda f, az, el: np.where((np.abs(el) > 15) & (f > 4000), -6.0, 0.0))
    fine = patterns.dataset(lens, patterns.sixth_octaves(1000, 16000, 24), failed=[8000.0])
    found = vertical_benefit(fine, patterns.dataset(patterns.omni), TARGET, BAND)
    low, middle, high = found.octaves
    assert (low.from_hz, low.to_hz, high.to_hz) == (2000, 4000, 12000)
    assert low.mean_db == pytest.approx(0, abs=0.1)
    assert middle.floor_db == pytest.approx(6, abs=0.15)
    assert high.ceiling_db == pytest.approx(6, abs=1e-4)
    assert found.mean_db == pytest.approx(6 * np.log2(3) / np.log2(6), abs=0.1)


def test_benefit_without_data_is_not_a_number():
    high = patterns.dataset(patterns.omni, [9000.0, 10000.0])
    found = vertical_benefit(high, patterns.dataset(patterns.omni), TARGET, BAND)
    assert np.isnan(found.octaves[0].mean_db)
    assert found.octaves[2].mean_db == pytest.approx(0, abs=1e-6)
