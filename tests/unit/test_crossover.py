# SPDX-License-Identifier: GPL-3.0-or-later
"""Sums of sources through a crossover, against closed forms."""

from dataclasses import replace

import numpy as np
import patterns
import pytest

from bafflelens.base.conventions import from_electrical
from bafflelens.base.errors import InputError
from bafflelens.directivity.crossover import (
    Crossover,
    Way,
    accelerations,
    electrical_transfers,
    owner_of,
    sum_of_ways,
)
from bafflelens.directivity.far_field_data import is_solved, source_named
from bafflelens.directivity.filters import Filter
from bafflelens.directivity.polars import on_axis, orbit, window_amplitude
from bafflelens.directivity.responses import Response
from bafflelens.directivity.source_sums import radiated_power, source_sum
from bafflelens.scoring.ranking import CandidateResult, rank
from bafflelens.scoring.score import ScoreSettings, score
from bafflelens.scoring.target import default_target

FREQUENCY = patterns.sixth_octaves(500.0, 16_000.0)
CROSS = 2000.0


def ways(family="linkwitz-riley", order=4, *, inverted=False, frequency=CROSS, **upper):
    high, low = (
        Filter(kind=kind, family=family, order=order, frequency_hz=frequency)
        for kind in ("high-pass", "low-pass")
    )
    return (
        Way(name="tweeter", filters=(high,), is_inverted=inverted, **upper),
        Way(name="midrange", filters=(low,)),
    )


def pair(spacing_m, *, behind_m=0.0, amplitudes=None, failed=(), frequency=FREQUENCY):
    """A tweeter at the origin and a midrange below it."""
    positions = [[0, 0, 0], [-behind_m, 0, -spacing_m]]
    return patterns.point_sources(
        positions, ["tweeter", "midrange"], frequency, amplitudes, failed
    )


def level_on_axis(dataset):
    return 20 * np.log10(np.abs(on_axis(dataset)))


# ------------------------------------------------------------------------ coincident sources
@pytest.mark.parametrize(("order", "inverted"), [(2, True), (4, False), (6, True), (8, False)])
@pytest.mark.parametrize("mode", ["acoustic-target", "electrical"])
def test_linkwitz_riley_of_coincident_sources_sums_flat(order, inverted, mode):
    """Second order with one polarity inverted (Linkwitz 1976, from memory)."""
    dataset = pair(0.0)
    crossover = Crossover(ways=ways(order=order, inverted=inverted), mode=mode)
    total = sum_of_ways(dataset, crossover, np.ones((2, FREQUENCY.size), complex))
    np.testing.assert_allclose(level_on_axis(total), 0, atol=1e-5)
    np.testing.assert_allclose(np.ptp(np.abs(source_sum(total).values), axis=1), 0, atol=1e-6)


def test_the_wrong_polarity_leaves_a_null():
    total = sum_of_ways(pair(0.0), Crossover(ways=ways(order=2)))
    assert np.abs(on_axis(total))[FREQUENCY == CROSS] < 1e-6


# ---------------------------------------------------------------------------------- lobing
@pytest.mark.parametrize("spacing_m", [0.12, 0.2])
def test_two_coherent_sources_have_their_nulls_where_the_closed_form_has_them(spacing_m):
    """Null where sin(angle) = wavelength / (2 spacing); the field is 2 cos(k d sin(angle)/2)."""
    dataset = patterns.point_sources(
        [[0, 0, spacing_m / 2], [0, 0, -spacing_m / 2]], ["tweeter_upper", "tweeter_lower"]
    )
    total = sum_of_ways(dataset, Crossover(ways=(Way(name="tweeter"),), reference="on-axis"))
    vertical = orbit(total, "vertical")
    k = 2 * np.pi * total["frequency"].values / patterns.AIR.sound_speed
    angle = np.radians(vertical["angle"].values)
    closed = 2 * np.cos(np.outer(k, np.sin(angle)) * spacing_m / 2)
    np.testing.assert_allclose(vertical.values, closed, atol=2e-6)
    null_hz = patterns.AIR.sound_speed / (2 * spacing_m * np.sin(np.radians(45)))
    at_null = patterns.point_sources(
        [[0, 0, spacing_m / 2], [0, 0, -spacing_m / 2]],
        ["tweeter_upper", "tweeter_lower"],
        [null_hz],
    )
    field = orbit(sum_of_ways(at_null, Crossover(ways=(Way(name="tweeter"),))), "vertical")
    assert abs(field.sel(angle=45).item()) < 1e-6
    assert abs(field.sel(angle=-45).item()) < 1e-6
    assert abs(field.sel(angle=0).item()) > 0.5


def test_at_the_crossover_frequency_the_pair_lobes_like_two_equal_sources():
    spacing_m = 0.14
    dataset = pair(spacing_m, frequency=[1000.0, CROSS, 4000.0])
    total = sum_of_ways(dataset, Crossover(ways=ways(), reference="on-axis"))
    row = np.abs(orbit(total, "vertical").values[1])
    angle = np.radians(orbit(total, "vertical")["angle"].values)
    k = 2 * np.pi * CROSS / patterns.AIR.sound_speed
    np.testing.assert_allclose(row, np.abs(np.cos(k * spacing_m * np.sin(angle) / 2)), atol=1e-6)


# --------------------------------------------------------------------------- time convention
def test_a_delay_turns_the_phase_like_a_longer_way():
    """With exp(-i omega t) a wave that has come further is exp(+ikr); so is a delayed one."""
    near, far = 0.0, 0.05
    moved = patterns.point_sources([[-far, 0, 0]], ["tweeter"], FREQUENCY)
    still = patterns.point_sources([[near, 0, 0]], ["tweeter"], FREQUENCY)
    delayed = sum_of_ways(
        still,
        Crossover(
            ways=(Way(name="tweeter", delay_s=far / patterns.AIR.sound_speed),), mode="electrical"
        ),
        np.ones((1, FREQUENCY.size), complex),
    )
    np.testing.assert_allclose(on_axis(delayed), on_axis(moved), atol=1e-6)
    assert np.angle(on_axis(delayed))[0] > 0


def test_a_delay_lines_up_a_driver_that_sits_behind():
    behind_m = 0.03
    strengths = np.ones((2, FREQUENCY.size), complex)
    dataset = pair(0.0, behind_m=behind_m)
    for sign, is_flat in ((1, True), (-1, False)):
        delay_s = sign * behind_m / patterns.AIR.sound_speed
        crossover = Crossover(ways=ways(delay_s=delay_s), mode="electrical")
        level = level_on_axis(sum_of_ways(dataset, crossover, strengths))
        assert (np.abs(level).max() < 1e-5) == is_flat


def test_filters_are_conjugated():
    """The low-pass lags: positive phase for exp(-i omega t), as a delay has."""
    given = electrical_transfers(pair(0.0), Crossover(ways=ways(order=2)))
    below = FREQUENCY < CROSS / 2
    assert (np.angle(given[1, below]) > 0).all()
    np.testing.assert_array_equal(given[1], np.conj(ways(order=2)[1].at(FREQUENCY)))
    assert from_electrical(np.array([1j]))[0] == -1j


def test_a_network_from_a_file_enters_with_its_phase():
    """A pure delay of 0.1 ms, written as a falling phase, delays."""
    delay_s = 1e-4
    frequency = np.geomspace(100, 20_000, 400)
    network = Response(
        name="delay.txt",
        frequency_hz=frequency,
        level_db=np.full(400, -6.0),
        phase_deg=-360 * frequency * delay_s,
    )
    by_file = Crossover(ways=(Way(name="tweeter", network=network),), mode="electrical")
    by_key = Crossover(ways=(Way(name="tweeter", delay_s=delay_s, gain_db=-6),), mode="electrical")
    one = patterns.point_sources([[0, 0, 0]], ["tweeter"], FREQUENCY)
    ones = np.ones((1, FREQUENCY.size), complex)
    np.testing.assert_allclose(
        accelerations(one, by_file, ones), accelerations(one, by_key, ones), atol=1e-9
    )


def test_an_offset_in_phase_tilts_the_lobe_towards_the_later_driver():
    """A delayed tweeter, above: the lobe turns up, to where the midrange's way is longer."""
    dataset = pair(0.14, frequency=[1000.0, CROSS, 4000.0])
    delay_s = 5e-5
    total = sum_of_ways(dataset, Crossover(ways=ways(delay_s=delay_s)))
    row = orbit(total, "vertical").sel(angle=slice(-60, 60))
    loudest = float(row["angle"][int(np.abs(row.values[1]).argmax())])
    expected = np.degrees(np.arcsin(delay_s * patterns.AIR.sound_speed / 0.14))
    assert loudest == pytest.approx(expected, abs=1.3)  # the orbit has steps of 2.5 degrees


# ----------------------------------------------------------------------------- both modes
def test_electrical_sums_are_linear():
    rng = np.random.default_rng(1)
    dataset = pair(0.13, behind_m=0.02)
    shape = (2, FREQUENCY.size)
    one, other = (rng.normal(size=shape) + 1j * rng.normal(size=shape) for _ in range(2))
    crossover = Crossover(ways=ways(), mode="electrical")
    fields = [
        source_sum(sum_of_ways(dataset, crossover, strengths)).values
        for strengths in (one, other, 2 * one - 3j * other)
    ]
    np.testing.assert_allclose(fields[2], 2 * fields[0] - 3j * fields[1], atol=2e-5)
    power = radiated_power(sum_of_ways(dataset, crossover, 2 * one)).values
    np.testing.assert_allclose(
        power, 4 * radiated_power(sum_of_ways(dataset, crossover, one)).values
    )


@pytest.mark.parametrize("reference", ["on-axis", "listening-window"])
def test_an_acoustic_target_is_met_whatever_the_driver_does(reference):
    """Strength, place and own phase of the drivers drop out in front."""
    crossover = Crossover(ways=ways(order=2, inverted=True), reference=reference)
    plain = sum_of_ways(pair(0.14), crossover)
    odd = pair(0.14, behind_m=0.04, amplitudes=[3.0, -0.2j])
    total = sum_of_ways(odd, crossover)
    ratio = np.abs(on_axis(total)) / np.abs(on_axis(plain))
    np.testing.assert_allclose(ratio, 3.0, rtol=1e-6)  # the level of the tweeter remains
    if reference == "on-axis":
        np.testing.assert_allclose(np.abs(on_axis(plain)), 1, rtol=1e-6)


def test_the_window_s_reference_keeps_a_dip_that_only_the_axis_has():
    def dipped(frequency, azimuth, elevation):
        return np.where((azimuth == 0) & (elevation == 0), 0.5, 1.0)

    dataset = patterns.dataset(dipped, FREQUENCY)
    crossover = Crossover(ways=(Way(name="tweeter"),))
    total = sum_of_ways(dataset, crossover)
    expected = 20 * np.log10(0.5 / np.sqrt((8 + 0.25) / 9))
    difference = level_on_axis(total) - 20 * np.log10(window_amplitude(total))
    np.testing.assert_allclose(difference, expected, atol=1e-6)
    on_the_axis = Crossover(ways=(Way(name="tweeter"),), reference="on-axis")
    np.testing.assert_allclose(
        level_on_axis(sum_of_ways(dataset, on_the_axis)), 20 * np.log10(0.5), atol=1e-6
    )


@pytest.mark.parametrize("reference", ["on-axis", "listening-window"])
def test_the_sum_is_as_loud_as_the_mean_level_over_octaves(reference):
    """Of a driver that rises by 6 dB an octave that is its level at the middle of the band."""
    frequency = np.array([500.0, 700.0, 2000.0, 4000.0, 8000.0])
    rising = patterns.dataset(lambda f, az, el: f / 1000 * np.ones_like(az), frequency)
    total = sum_of_ways(rising, Crossover(ways=(Way(name="tweeter"),), reference=reference))
    np.testing.assert_allclose(np.abs(on_axis(total)), np.sqrt(0.5 * 8.0), rtol=1e-6)


def test_no_filter_fills_an_exact_null():
    def nulled(frequency, azimuth, elevation):
        at_null = (azimuth == 0) & (elevation == 0) & (frequency == 4000)
        return np.where(at_null, 0.0, 1.0)

    dataset = patterns.dataset(nulled, [1000.0, 2000.0, 4000.0])
    crossover = Crossover(ways=(Way(name="tweeter"),), reference="on-axis")
    given = np.abs(accelerations(dataset, crossover))[0]
    assert given[2] / given[0] == pytest.approx(10 / np.sqrt(8 / 9), rel=0.2)


def test_a_way_s_drivers_in_parallel_follow_the_slope_together():
    """Two midranges around a tweeter: each gives half."""
    dataset = patterns.point_sources(
        [[0, 0, 0], [0, 0, 0.14], [0, 0, -0.14]],
        ["tweeter", "midrange_upper", "midrange_lower"],
        FREQUENCY,
    )
    total = sum_of_ways(dataset, Crossover(ways=ways(), reference="on-axis"))
    np.testing.assert_allclose(level_on_axis(total), 0, atol=1e-5)
    given = accelerations(dataset, Crossover(ways=ways(), reference="on-axis"))
    np.testing.assert_allclose(given[1], given[2])
    np.testing.assert_allclose(np.abs(given[1, 0] * 2), np.abs(ways()[1].at(FREQUENCY)[0]))


def test_a_source_with_a_way_of_its_own_leaves_the_common_one():
    assert owner_of("midrange_upper", ["midrange", "midrange_upper"]) == "midrange_upper"
    assert owner_of("midrange_lower", ["midrange", "midrange_upper"]) == "midrange"
    assert owner_of("midranges", ["midrange"]) is None


# ------------------------------------------------------------------- failures and refusals
def test_a_failed_frequency_stays_failed():
    total = sum_of_ways(pair(0.1, failed=[FREQUENCY[3]]), Crossover(ways=ways()))
    assert list(np.flatnonzero(~is_solved(total))) == [3]
    assert np.isnan(source_sum(total).values[3]).all()
    assert np.isfinite(np.delete(source_sum(total).values, 3, axis=0)).all()


def test_a_strength_that_is_not_known_fails_where_the_source_is_heard():
    strengths = np.ones((2, FREQUENCY.size), complex)
    strengths[1, FREQUENCY > 3000] = np.nan  # the midrange was measured to 3 kHz
    total = sum_of_ways(pair(0.1), Crossover(ways=ways(), mode="electrical"), strengths)
    lost = FREQUENCY[~is_solved(total)]
    midrange_db = 20 * np.log10(np.abs(ways()[1].at(FREQUENCY) / ways()[0].at(FREQUENCY)))
    np.testing.assert_array_equal(lost, FREQUENCY[(FREQUENCY > 3000) & (midrange_db > -40)])
    assert "the strength of midrange is not known here" in set(total["reason"].values)
    assert np.isfinite(source_sum(total).values[-1]).all()


def test_refusals():
    dataset = pair(0.1)
    with pytest.raises(InputError, match=r"source 'midrange'. Must be driven by a way; .*tweeter"):
        accelerations(dataset, Crossover(ways=(Way(name="tweeter"),)))
    with pytest.raises(InputError, match=r"crossover 'electrical'. Must be given with the stren"):
        accelerations(dataset, Crossover(ways=ways(), mode="electrical"))
    with pytest.raises(InputError, match=r"crossover mode 'equal'. Must be one of acoustic-targ"):
        Crossover(ways=ways(), mode="equal")
    with pytest.raises(InputError, match=r"crossover reference 'mean'. Must be one of listening"):
        Crossover(ways=ways(), reference="mean")
    with pytest.raises(InputError, match=r"ways of a crossover 'tweeter'. Must be .*no name twic"):
        Crossover(ways=(*ways(), Way(name="tweeter")))
    with pytest.raises(InputError, match=r"ways of a crossover ''. Must be at least one"):
        Crossover(ways=())


def test_a_crossover_in_words():
    text = Crossover(ways=ways(inverted=True, delay_s=1e-4, gain_db=-2.0)).text
    assert text == (
        "acoustic-target, re listening-window; tweeter: high-pass linkwitz-riley 4 at 2000 Hz, "
        "-2 dB, delay 0.1 ms, inverted; midrange: low-pass linkwitz-riley 4 at 2000 Hz"
    )


# ------------------------------------------------------ the trade of mouth height and spacing
def mouth_over_midrange(height_m, frame_m=0.075):
    """A mouth of a height, and a midrange below it.

    Vertically the mouth radiates like an even line as high as the mouth, but never higher than
    what is 6 dB down at 40 degrees, f = 0.6 c/(H sin t): walls hold that angle above. The
    midrange is a point half the height and its frame away (both common practice, no source).
    """
    frequency = patterns.sixth_octaves(1000.0, 12_500.0)
    x, _, z = patterns.directions().vectors.T
    c = patterns.AIR.sound_speed
    k = 2 * np.pi * frequency[:, np.newaxis] / c
    line_m = np.minimum(height_m, 0.6 * c / (frequency * np.sin(np.radians(40))))[:, np.newaxis]
    front = (1 + x) / 2
    mouth = front * np.sinc(k * line_m / 2 * z / np.pi)
    cone = front * np.exp(1j * k * (height_m / 2 + frame_m) * z)
    return patterns.assembled(
        [patterns.band(np.stack([mouth, cone]), frequency)], ["tweeter", "midrange"]
    )


def early_target():
    """The default target with control asked for from 1 kHz, where mouths of all heights differ."""
    limits = {"frequencies_hz": (1000.0, 2000.0, 4000.0, 10_000.0), "weights": (1.0,) * 4}
    target = default_target()
    return replace(
        target,
        floor=replace(target.floor, levels_db=(-2.0, -4.0, -5.0, -5.0), **limits),
        ceiling=replace(target.ceiling, levels_db=(-3.0, -5.0, -6.0, -6.0), **limits),
    )


def ranked_heights(crossover):
    """Heights of mouths in mm in the order of the ranking; the lowest stands for the baseline."""
    candidates = []
    for height_mm in (100, 140, 180, 220):
        dataset = mouth_over_midrange(1e-3 * height_mm)
        if crossover is None:
            heard = source_named(dataset, "tweeter")
        else:
            heard = sum_of_ways(dataset, crossover)
        found = score(heard, early_target(), ScoreSettings(from_hz=1000.0, to_hz=12_000.0))
        candidates.append(
            CandidateResult(
                id=f"{height_mm}",
                label="mouth",
                is_baseline=height_mm == 100,
                values={},
                score=found,
                status="solved",
            )
        )
    return {int(row.candidate.id): row for row in rank(candidates)}


def test_a_taller_mouth_is_better_alone_and_worse_with_its_midrange():
    """It pushes the midrange away, and the lobes of the crossover take back what it gains."""
    alone = ranked_heights(None)
    assert list(alone)[-2:] == [140, 100]  # the lowest mouths are the worst
    assert alone[180].better_by_db > 0.5
    played = ranked_heights(Crossover(ways=ways(frequency=3000.0)))
    assert list(played) == [100, 140, 180, 220]
    assert played[180].better_by_db < -0.3
    assert not played[100].is_tied


def test_a_lower_crossover_frequency_gives_the_height_back():
    """Where the wavelength is long against the spacing, lobing is not what counts."""
    low = ranked_heights(Crossover(ways=ways(frequency=1600.0)))
    high = ranked_heights(Crossover(ways=ways(frequency=3000.0)))
    assert low[180].better_by_db > high[180].better_by_db + 0.3
    assert low[220].candidate.score.total_db < high[220].candidate.score.total_db - 0.5
