# SPDX-License-Identifier: GPL-3.0-or-later
"""Each side effect on patterns whose value is known without the code under test."""

import analytic
import numpy as np
import patterns
import pytest
from patterns import shaped

from bafflelens.scoring.side_effects import (
    index_smoothness,
    on_axis_ripple,
    sensitivity_loss,
    shown_to_hz,
    side_lobes,
    third_octave_change,
    width_smoothness,
    window_nulls,
)
from bafflelens.scoring.target import Limit, Target

BAND = (2000.0, 12000.0)
DETOUR_M = 0.15
FINE = patterns.sixth_octaves(1000, 16000, 24)


def flat(angle_deg, level_db):
    return Limit(
        angle_deg=angle_deg, frequencies_hz=(2000.0, 10000.0), levels_db=(level_db, level_db)
    )


TARGET = Target(floor=flat(-34, -6), ceiling=flat(45, -8), horizontal=(flat(60, -3),))


def value(function, pattern, *arguments, frequencies=None, **options):
    return function(patterns.dataset(pattern, frequencies, **options), *arguments).value_db


# ------------------------------------------------------------------ ripple
def test_a_tilt_and_broad_bends_are_flattened():
    def bent(f, az, el):
        octave = np.log2(f / 5000)
        return 4 * octave - 1.5 * octave**2 + 0.5 * octave**3

    assert value(on_axis_ripple, shaped(bent), BAND, DETOUR_M) == pytest.approx(0, abs=1e-4)


def test_ripple_counts_between_its_mean_and_its_peak():
    def rippled(f, az, el):
        return 2.0 * np.sin(2 * np.pi * 2 * np.log2(f / 1000))

    fine = patterns.sixth_octaves(1000, 16000, 24)
    found = value(on_axis_ripple, shaped(rippled), BAND, DETOUR_M, frequencies=fine)
    assert 2 * 2 / np.pi * 0.95 < found < 2.0


def test_ripple_on_the_axis_alone_counts_half_and_a_little():
    def axis_only(f, az, el):
        on_axis = np.degrees(patterns.off_axis(az, el)) < 5
        return np.where(on_axis, 2.0 * np.sin(4 * np.pi * np.log2(f / 1000)), 0.0)

    fine = patterns.sixth_octaves(1000, 16000, 24)
    found = on_axis_ripple(patterns.dataset(shaped(axis_only), fine), BAND, DETOUR_M)
    assert 0.6 < found.value_db < 1.1
    assert "(on axis" in found.note


def test_spacing_decides_how_far_ripple_is_judged():
    # c/(2 d) = 1144 Hz; the step from 10079 Hz is the first of 1/6 octave that is wider.
    sixth = patterns.dataset(patterns.omni)
    assert shown_to_hz(sixth, BAND, 0.15) == pytest.approx(1000 * 2 ** (20 / 6))
    assert shown_to_hz(sixth, BAND, 0.05) == 12000
    twelfth = patterns.dataset(patterns.omni, patterns.sixth_octaves(1000, 16000, 12))
    assert shown_to_hz(twelfth, BAND, 0.15) == 12000
    failed = patterns.dataset(patterns.omni, failed=[4000.0])
    assert shown_to_hz(failed, BAND, 0.15) == shown_to_hz(sixth, BAND, 0.15)
    octaves = patterns.dataset(patterns.omni, [1000.0, 2000, 4000, 8000, 16000])
    assert shown_to_hz(octaves, BAND, 0.15) == 2000
    assert "judged 2 to 10 kHz" in on_axis_ripple(sixth, BAND, 0.15).note


def test_ripple_is_not_judged_beyond_what_the_spacing_shows():
    high = shaped(lambda f, az, el: np.where(f > 10_500, 5.0, 0.0))
    assert value(on_axis_ripple, high, BAND, DETOUR_M) == pytest.approx(0, abs=1e-5)
    coarse = patterns.dataset(high, [1000.0, 2000, 4000, 8000, 16000])
    for found in (
        on_axis_ripple(coarse, BAND, DETOUR_M),
        width_smoothness(coarse, TARGET, BAND, DETOUR_M),
    ):
        assert np.isnan(found.value_db)
        assert found.note.startswith(
            "not judged: frequencies too far apart to show ripple above 2 kHz"
        )


# ------------------------------------------------------------------ smoothness
def side_level(function):
    """Return a pattern with level function(frequency) beyond 37 degrees to both sides."""
    return shaped(lambda f, az, el: np.where(np.abs(az) > 37, function(f), 0.0))


def test_even_width_is_smooth():
    for pattern in (patterns.omni, patterns.dipole, side_level(lambda f: -10)):
        found = value(width_smoothness, pattern, TARGET, BAND, DETOUR_M)
        assert found == pytest.approx(0, abs=1e-5)


def test_a_step_counts_as_it_is_high():
    # A change of 3 dB within one step is seen from a sixth-octave below to one above.
    step = side_level(lambda f: -3.0 if f > 4100 else 0.0)
    found = width_smoothness(patterns.dataset(step), TARGET, BAND, DETOUR_M)
    assert max(octave.worst_db for octave in found.octaves) == pytest.approx(2.25, abs=0.8)
    twice = side_level(lambda f: -6.0 if f > 4100 else 0.0)
    doubled = value(width_smoothness, twice, TARGET, BAND, DETOUR_M)
    assert doubled == pytest.approx(2 * found.value_db, rel=1e-4)


def test_a_steady_change_counts_as_its_slope():
    slope = side_level(lambda f: -3 * np.log2(f / 1000))  # 1 dB a third-octave
    found = value(width_smoothness, slope, TARGET, BAND, DETOUR_M)
    assert found == pytest.approx(1.0, abs=1e-4)


def test_the_change_that_the_target_wants_is_free():
    falling = Limit(angle_deg=60, frequencies_hz=(1000, 16000), levels_db=(0, -12))  # 3 dB/oct
    target = Target(floor=flat(-34, -6), ceiling=flat(45, -8), horizontal=(falling,))
    as_wanted = side_level(lambda f: -3 * np.log2(f / 1000))
    assert value(width_smoothness, as_wanted, target, BAND, DETOUR_M) == pytest.approx(0, abs=1e-4)
    assert value(width_smoothness, patterns.omni, target, BAND, DETOUR_M) == 0
    rising = side_level(lambda f: -12 + 3 * np.log2(f / 1000))
    assert value(width_smoothness, rising, target, BAND, DETOUR_M) == pytest.approx(1.0, abs=1e-4)


def test_without_a_width_there_is_no_step_of_it():
    bare = Target(floor=flat(-34, -6), ceiling=flat(45, -8), horizontal=())
    found = width_smoothness(patterns.dataset(patterns.omni), bare, BAND, DETOUR_M)
    assert np.isnan(found.value_db)
    assert found.note.startswith("not judged: the target has no width")


# ------------------------------------------------------------------ directivity index
def narrowing(level_behind_db):
    """Return a pattern that is even in front and level_behind_db(frequency) behind."""

    def pattern(frequency, azimuth, elevation):
        front = patterns.off_axis(azimuth, elevation) <= np.pi / 2 + 1e-9
        return np.where(front, 1.0, 10 ** (level_behind_db(frequency) / 20))

    return pattern


def index_of(level_behind_db, frequency):
    """Half the sphere at 0 dB, half at a level behind: index 10 lg 2/(1 + 10^(level/10))."""
    return 10 * np.log10(2 / (1 + 10 ** (level_behind_db(frequency) / 10)))


def test_a_constant_index_is_smooth():
    for pattern in (patterns.omni, patterns.dipole, patterns.cap(10, 20)):
        assert value(index_smoothness, pattern, BAND, DETOUR_M) == pytest.approx(0, abs=1e-5)


def test_a_steady_rise_is_free_and_a_fall_is_not():
    def rising(frequency):  # about 0.25 dB of index a third-octave
        return -1.7 * np.log2(frequency / 1000)

    def falling(frequency):
        return rising(16_000_000 / frequency)

    steps = np.diff(index_of(rising, 1000 * 2 ** (np.arange(4, 11) / 3)))
    assert 0 < steps.min() < steps.max() < 0.5
    found = value(index_smoothness, narrowing(rising), BAND, DETOUR_M)
    assert found == pytest.approx(0, abs=1e-5)
    fall = value(index_smoothness, narrowing(falling), BAND, DETOUR_M)
    assert steps.min() < fall < steps.max() + 0.1


def test_a_step_of_the_index_counts_as_it_is_high():
    def step(frequency):
        return -20.0 if frequency > 4500 else 0.0

    found = index_smoothness(patterns.dataset(narrowing(step), FINE), BAND, DETOUR_M)
    height = index_of(step, 5000.0) - index_of(step, 4000.0)  # 2.97 dB within one step
    worst = max(octave.worst_db for octave in found.octaves)
    assert worst == pytest.approx(height - 0.5, abs=0.35)
    assert "polar correlation" in found.note
    assert "standard deviation of the index" in found.note


def test_the_index_is_not_moved_by_a_dip_on_the_axis():
    def dip(f, az, el):
        on_axis = np.degrees(patterns.off_axis(az, el)) < 5
        return np.where(on_axis & (4000 < f < 5000), -6.0, 0.0)

    found = index_smoothness(patterns.dataset(shaped(dip), FINE), BAND, DETOUR_M)
    assert max(octave.worst_db for octave in found.octaves) < 0.5


def test_change_is_bridged_over_what_failed_and_ends_with_the_curve():
    frequency = np.array([1000.0, 1250, 1600, 2000, 2500, 3150, 4000])
    level = 3 * np.log2(frequency / 1000)
    solved = np.array([True, True, False, True, True, True, True])
    level[2] = np.nan
    change, known = third_octave_change(frequency, level, solved, 3500.0)
    np.testing.assert_allclose(change[1:-1], 1.0, atol=1e-9)
    np.testing.assert_array_equal(known, [False, True, True, True, True, False, False])
    assert not third_octave_change(frequency, level, np.zeros(7, dtype=bool), 3500.0)[1].any()


# ------------------------------------------------------------------ side lobes
def steps(low, high):
    return np.arange(low, high + 0.1, 2.5).tolist()


@pytest.mark.parametrize("pattern", [patterns.omni, patterns.cardioid, patterns.dipole])
def test_what_only_falls_has_no_lobes(pattern):
    assert value(side_lobes, pattern, BAND) == pytest.approx(0, abs=0.02)


def test_a_lobe_counts_from_the_dip_before_it():
    def lobed(f, az, el):  # up and down only
        return np.where((np.abs(el) > 23) & (np.abs(el) < 47), -10.0, 0.0) - 4.0 * (
            np.abs(el) >= 47
        )

    found = side_lobes(patterns.dataset(shaped(lobed)), BAND)
    assert found.value_db == pytest.approx((0 + 6) / 2, abs=1e-4)
    assert found.note.startswith("horizontal 0.0 dB, vertical 6.0 dB rise again")


def test_one_side_is_enough_and_the_back_does_not_count():
    one_side = shaped(lambda f, az, el: np.where((az > 40) & (az < 60), -5.0, 0.0))
    assert value(side_lobes, one_side, BAND) == pytest.approx(2.5, abs=0.01)
    behind = shaped(lambda f, az, el: np.where((np.abs(az) > 100) & (np.abs(az) < 140), -9.0, 0))
    assert value(side_lobes, behind, BAND) == pytest.approx(0, abs=1e-5)


def test_a_lobe_after_an_exact_null_is_counted_from_20_db_down():
    null = shaped(lambda f, az, el: np.where((np.abs(el) > 23) & (np.abs(el) < 47), -300.0, 0.0))
    assert value(side_lobes, null, BAND) == pytest.approx((0 + 20) / 2, abs=0.05)


def test_a_piston_s_first_side_lobe_is_where_the_table_says():
    """2 J1(x)/x has its first side lobe at -17.57 dB: with ka = 10 at 31 degrees, after a null.

    Horizontally the way outwards begins on that lobe, and the next is below -20 dB.
    """

    def baffled(frequency, azimuth, elevation):
        theta = patterns.off_axis(azimuth, elevation)
        return np.where(theta <= np.pi / 2, analytic.piston_directivity(10 * np.sin(theta)), 0)

    found = side_lobes(patterns.dataset(baffled, [4000.0, 4400.0]), (4000.0, 4400.0))
    energy = {
        a: analytic.piston_directivity(10 * np.sin(np.radians(a))) ** 2 for a in steps(0, 90)
    }
    window = np.mean([energy[a] for a in (0, 10, 10, 10, 10, 20, 20, 30, 30)])

    def seen(angle):
        """Through an arc of +-5 degrees; the baffle's other side is dark."""
        arc = [energy.get(a, 0.0) for a in steps(angle - 5, angle + 5)]
        return max(10 * np.log10(np.mean(arc) / window), -20)

    rise = {  # by the edge of the window
        edge: max(seen(far) - seen(near) for far in steps(edge, 90) for near in steps(edge, far))
        for edge in (30, 10)
    }
    assert 10 * np.log10(max(energy[a] for a in steps(25, 40))) == pytest.approx(-17.57, abs=0.1)
    assert rise[10] > 1
    assert found.value_db == pytest.approx((rise[30] + rise[10]) / 2, abs=1e-3)


# ------------------------------------------------------------------ nulls
@pytest.mark.parametrize("pattern", [patterns.omni, patterns.dipole, patterns.cap(10, 20)])
def test_what_falls_off_is_no_null(pattern):
    assert value(window_nulls, pattern, BAND) == pytest.approx(0, abs=1e-5)


def test_two_sources_have_nulls_where_the_closed_form_says():
    """The null at sin(angle) = wavelength / (2 spacing) crosses +-10 degrees as it moves."""
    spacing = 0.5

    def pair(frequency, azimuth, elevation):
        k = 2 * np.pi * frequency / patterns.AIR.sound_speed
        height = np.sin(np.radians(elevation))
        return np.cos(k * spacing * height / 2)

    def null_deg(frequency):
        return np.degrees(np.arcsin(patterns.AIR.sound_speed / (2 * spacing * frequency)))

    def depth_db(frequency):
        band = (frequency / 1.05, frequency * 1.05)
        found = window_nulls(patterns.dataset(pair, [band[0], frequency, band[1]]), band)
        return found.octaves[0].mean_db

    # Beyond the directions looked at; between them and the window, so that its flank reaches in
    # as deep as the edge lies; in the window, where an exact null stops 20 dB below its average.
    assert null_deg(500.0) > 40
    assert depth_db(500.0) == pytest.approx(0, abs=1e-4)
    assert 10 < null_deg(1500.0 * 1.05) < null_deg(1500.0 / 1.05) < 40
    edge = 20 * np.log10(pair(1500.0, None, 10.0))
    assert depth_db(1500.0) == pytest.approx(-edge, abs=0.4)
    assert null_deg(2500.0) < 10
    assert 19 < depth_db(2500.0) < 21.5


def test_a_dip_counts_as_it_is_deep_and_an_exact_null_20_db():
    def dip(depth_db):
        return shaped(lambda f, az, el: np.where((az > 13) & (az < 22) & (el == 0), -depth_db, 0))

    # The window average falls by little: 8 of 9 positions are as loud as before.
    window = 10 * np.log10((8 + 10**-0.6) / 9)
    assert value(window_nulls, dip(6.0), BAND) == pytest.approx(3.0, abs=1e-4)
    assert value(window_nulls, dip(6.0), BAND, failed=[4000.0]) == pytest.approx(3.0, abs=1e-4)
    exact = value(window_nulls, dip(300.0), BAND)
    assert exact == pytest.approx((20 - 10 * np.log10(8 / 9)) / 2, abs=1e-3)
    assert window < 0


def test_a_dip_outside_the_window_is_no_null_in_it():
    outside = shaped(lambda f, az, el: np.where((az > 33) & (az < 45), -12.0, 0.0))
    assert value(window_nulls, outside, BAND) == pytest.approx(0, abs=1e-5)


@pytest.mark.parametrize(("to_deg", "counts"), [(47.0, True), (57.0, True), (63.0, False)])
def test_what_is_louder_within_60_degrees_aside_makes_a_null(to_deg, counts):
    """Down by 6 dB from inside the window to an angle beyond it, and as loud as before again."""
    aside = shaped(lambda f, az, el: np.where((az > 22) & (az < to_deg) & (el == 0), -6.0, 0.0))
    assert value(window_nulls, aside, BAND) == pytest.approx(3.0 * counts, abs=1e-4)


@pytest.mark.parametrize(("to_deg", "counts"), [(27.0, True), (37.0, True), (43.0, False)])
def test_what_is_louder_within_40_degrees_up_makes_a_null(to_deg, counts):
    up = shaped(lambda f, az, el: np.where((el > 7) & (el < to_deg) & (az == 0), -6.0, 0.0))
    assert value(window_nulls, up, BAND) == pytest.approx(3.0 * counts, abs=1e-4)


def test_a_null_at_few_frequencies_counts_more_than_its_mean():
    few = shaped(
        lambda f, az, el: np.where(
            (np.abs(el - 5) < 3) & (4200 < f < 5200) & (az == 0), -12.0, 0.0
        )
    )
    found = value(window_nulls, few, BAND, frequencies=FINE)
    assert found > 1.4 * 0.5 * 12 * np.log2(5200 / 4200) / np.log2(6)


# ------------------------------------------------------------------ sensitivity
def test_sensitivity_is_the_difference_of_the_listening_windows():
    quieter = patterns.dataset(shaped(lambda f, az, el: -3.0))
    plain = patterns.dataset(patterns.omni)
    assert sensitivity_loss(quieter, plain, BAND).value_db == pytest.approx(3, abs=1e-5)
    gained = sensitivity_loss(plain, quieter, BAND)
    assert gained.value_db == pytest.approx(-3, abs=1e-5)
    assert gained.note.startswith("+3.0 dB 2 to 4 kHz, +3.0 dB 4 to 8 kHz, +3.0 dB 8 to 12 kHz")


def test_a_loss_at_one_end_is_not_made_good_by_a_gain_at_the_other():
    """Half the band 4 dB up, half 4 dB down: the worst third-octave of the middle counts."""
    seesaw = patterns.dataset(shaped(lambda f, az, el: 4.0 if f < 4900 else -4.0), FINE)
    found = sensitivity_loss(seesaw, patterns.dataset(patterns.omni), BAND)
    mean_db = 4 - 8 * np.log2(4900 / 2000) / np.log2(6)
    assert mean_db == pytest.approx(0, abs=0.05)
    # The octave from 4 kHz: mean 4 (1 - 2 lb(4.9/4)) dB, worst 4 dB.
    middle = 0.5 * (4 * (1 - 2 * np.log2(4.9 / 4)) + 4)
    top = np.log2(12 / 8)
    assert found.value_db == pytest.approx((-4 + middle + 4 * top) / (2 + top), abs=0.1)


def test_the_baseline_may_have_other_frequencies():
    sloped = shaped(lambda f, az, el: -2 * np.log2(f / 1000))
    fine, coarse = patterns.dataset(sloped, FINE), patterns.dataset(sloped, failed=[4000.0])
    assert sensitivity_loss(fine, coarse, BAND).value_db == pytest.approx(0, abs=1e-4)


def test_without_a_baseline_sensitivity_is_not_judged():
    data = patterns.dataset(patterns.omni)
    lost = patterns.dataset(patterns.omni, [4000.0], failed=[4000.0])
    assert "there is no baseline" in sensitivity_loss(data, None, BAND).note
    assert "nothing to compare was solved" in sensitivity_loss(data, lost, BAND).note
    assert np.isnan(sensitivity_loss(lost, data, BAND).value_db)


def test_nothing_solved_is_not_judged():
    data = patterns.dataset(patterns.omni, [4000.0, 4400.0], failed=[4000.0, 4400.0])
    for found in (
        on_axis_ripple(data, BAND, DETOUR_M),
        width_smoothness(data, TARGET, BAND, DETOUR_M),
        index_smoothness(data, BAND, DETOUR_M),
        side_lobes(data, BAND),
        window_nulls(data, BAND),
    ):
        assert np.isnan(found.value_db)
        assert found.note.startswith("not judged")
