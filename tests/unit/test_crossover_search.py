# SPDX-License-Identifier: GPL-3.0-or-later
"""The search over crossovers, on point sources whose best crossover is known."""

import numpy as np
import patterns
import pytest

from bafflelens.base.errors import InputError
from bafflelens.directivity.crossover import Crossover, Way, sum_of_ways
from bafflelens.directivity.filters import Filter
from bafflelens.directivity.polars import on_axis, orbit
from bafflelens.scoring.crossover_search import (
    DEFAULT_SLOPES,
    SearchSpace,
    pair_of,
    search_crossover,
    search_space,
)
from bafflelens.scoring.score import Score, Term

FREQUENCY = patterns.sixth_octaves(500.0, 16_000.0)


def crossover(family="linkwitz-riley", order=4, hz=2000.0, mode="electrical", **upper):
    high, low = (
        Filter(kind=kind, family=family, order=order, frequency_hz=hz)
        for kind in ("high-pass", "low-pass")
    )
    ways = (Way(name="tweeter", filters=(high,), **upper), Way(name="midrange", filters=(low,)))
    return Crossover(ways=ways, mode=mode)


def dataset(behind_m=0.0, spacing_m=0.0):
    return patterns.point_sources(
        [[0, 0, 0], [-behind_m, 0, -spacing_m]], ["tweeter", "midrange"], FREQUENCY
    )


def as_score(value_db, gaps=()):
    term = Term(
        name="vertical_control", value_db=value_db, tolerance_db=0.0, weight=1.0,
        excess_db=value_db, note="",
    )  # fmt: skip
    return Score(terms=(term,), total_db=value_db, gaps=gaps)


def unevenness(heard):
    """A judge that asks for a flat axis."""
    level = 20 * np.log10(np.maximum(np.abs(on_axis(heard)), 1e-3))
    return as_score(float(np.std(level)))


SPACE = SearchSpace(
    frequencies_hz=(1500.0, 2000.0, 3000.0),
    slopes=(("linkwitz-riley", 2), ("linkwitz-riley", 4)),
    delays_s=(-1e-4, -5e-5, 0.0, 5e-5, 1e-4),
)
ONES = np.ones((2, FREQUENCY.size), complex)


def test_each_slope_gets_the_polarity_that_sums_flat():
    told = []
    own, trials = search_crossover(
        dataset(), crossover(), SPACE, unevenness, ONES, tell=lambda: told.append(1)
    )
    assert len(told) == SPACE.n_trials
    assert len({trial.crossover for trial in trials}) == len(trials) <= SPACE.n_trials - 1
    flat = {(t.order, t.is_inverted) for t in trials if t.total_db < 1e-3}
    assert flat == {(2, True), (4, False)}
    assert own.total_db < 1e-3
    assert trials[0].delay_s == 0  # no delay without a reason


def test_a_delay_that_is_needed_is_found():
    """The midrange sits 17 mm back, 50 microseconds: the tweeter must wait."""
    own, trials = search_crossover(
        dataset(behind_m=5e-5 * patterns.AIR.sound_speed), crossover(), SPACE, unevenness, ONES
    )
    assert trials[0].delay_s == pytest.approx(5e-5)
    assert trials[0].total_db < 1e-3 < own.total_db
    (tweeter, midrange) = trials[0].crossover.ways
    assert (tweeter.delay_s, midrange.delay_s) == (pytest.approx(5e-5), 0)


def test_a_negative_delay_holds_the_lower_way_back():
    _, trials = search_crossover(
        dataset(behind_m=-5e-5 * patterns.AIR.sound_speed), crossover(), SPACE, unevenness, ONES
    )
    (tweeter, midrange) = trials[0].crossover.ways
    assert (tweeter.delay_s, midrange.delay_s) == (0, pytest.approx(5e-5))


def test_lobing_pulls_the_crossover_down():
    """A judge of the level 20 degrees below the axis: a long wavelength sees no spacing."""

    def evenness(heard):
        below = orbit(heard, "vertical").sel(angle=-20).values
        return as_score(float(np.abs(20 * np.log10(np.abs(below / on_axis(heard)))).max()))

    _, trials = search_crossover(
        dataset(spacing_m=0.12), crossover(mode="acoustic-target"), SPACE, evenness
    )
    assert trials[0].frequency_hz == 1500  # the lowest that was asked for, refined or not
    whole = [trial for trial in trials if (trial.order, trial.is_inverted) == (4, False)]
    by_frequency = {trial.frequency_hz: trial.total_db for trial in whole if not trial.delay_s}
    assert by_frequency[1500.0] < by_frequency[2000.0] < by_frequency[3000.0]


def test_the_sums_that_were_judged_are_those_of_the_crossovers_returned():
    _, trials = search_crossover(dataset(0.01, 0.1), crossover(), SPACE, unevenness, ONES)
    for trial in trials[::7]:
        again = unevenness(sum_of_ways(dataset(0.01, 0.1), trial.crossover, ONES))
        assert again.total_db == pytest.approx(trial.total_db)
    assert [t.total_db for t in trials] == sorted(t.total_db for t in trials)


def test_a_lower_crossover_asks_for_more_excursion():
    """12 dB an octave at the same level in front (excursion goes with 1/f^2)."""
    space = SearchSpace(
        frequencies_hz=(1500.0, 2000.0, 3000.0), slopes=(("linkwitz-riley", 4),), delays_s=(0.0,)
    )
    _, trials = search_crossover(dataset(), crossover(mode="acoustic-target"), space, unevenness)
    at = {t.frequency_hz: t.excursion_db for t in trials if not t.is_inverted}
    assert at[2000.0] == pytest.approx(0, abs=0.2)
    assert at[1500.0] == pytest.approx(40 * np.log10(2000 / 1500), abs=0.5)
    assert at[3000.0] == pytest.approx(-40 * np.log10(3000 / 2000), abs=0.5)


def test_what_cannot_be_judged_is_not_the_best():
    def only_the_fourth_order(heard):
        found = unevenness(heard)
        return found if found.total_db < 1e-3 else as_score(-1.0, gaps=("2000 Hz failed",))

    _, trials = search_crossover(dataset(), crossover(), SPACE, only_the_fourth_order, ONES)
    assert trials[0].score.is_complete
    assert not trials[-1].score.is_complete


def test_other_filters_gains_and_ways_stay():
    woofer = Way(
        name="woofer",
        filters=(Filter(kind="low-pass", family="bessel", order=2, frequency_hz=600.0),),
    )
    subsonic = Filter(kind="high-pass", family="butterworth", order=2, frequency_hz=600.0)
    plain = crossover(gain_db=-3.0)
    midrange = Way(name="midrange", filters=(subsonic, *plain.ways[1].filters))
    three = Crossover(ways=(plain.ways[0], midrange, woofer), mode="acoustic-target")
    sources = patterns.point_sources(
        np.zeros((3, 3)), ["tweeter", "midrange", "woofer"], FREQUENCY
    )
    _, trials = search_crossover(sources, three, SPACE, unevenness)
    tweeter, middle, low = trials[0].crossover.ways
    assert low == woofer
    assert subsonic in middle.filters
    assert len(middle.filters) == 2
    assert tweeter.gain_db == -3.0
    assert pair_of(sources, three).lower == midrange


def test_the_space_lies_around_the_job_s_crossover_and_in_what_was_solved():
    pair = pair_of(dataset(), crossover())
    space = search_space(dataset(), pair, from_hz=None, to_hz=None, slopes=(), delay_s=1e-4)
    assert space.frequencies_hz[0] == pytest.approx(2000 / 1.5)
    assert space.frequencies_hz[-1] == pytest.approx(3000)
    assert len(space.frequencies_hz) == 8
    assert space.slopes == DEFAULT_SLOPES
    np.testing.assert_allclose(space.delays_s, np.linspace(-1e-4, 1e-4, 7), atol=1e-12)
    narrow = search_space(
        dataset(), pair, from_hz=100.0, to_hz=30_000.0, slopes=(("bessel", 3),), delay_s=0.0
    )
    assert (narrow.frequencies_hz[0], narrow.frequencies_hz[-1]) == pytest.approx((500, 16_000))
    assert narrow.delays_s == (0.0,)
    with pytest.raises(InputError, match=r"range of the search '20000 to 30000 Hz'. Must be ris"):
        search_space(dataset(), pair, from_hz=20_000.0, to_hz=30_000.0, slopes=(), delay_s=0.0)


def test_one_way_cannot_be_searched():
    alone = patterns.point_sources([[0, 0, 0]], ["tweeter"], FREQUENCY)
    with pytest.raises(
        InputError, match=r"ways of the shape to be searched 'tweeter'. Must be tw"
    ):
        pair_of(alone, crossover())
    bare = Crossover(ways=(Way(name="tweeter"), Way(name="midrange")))
    with pytest.raises(InputError, match=r"'tweeter, midrange'. Must be two at least, one with a"):
        pair_of(dataset(), bare)


def test_ways_that_cancel_are_not_judged():
    """Coincident sources with the wrong polarity: there is nothing to be judged at 2 kHz."""
    space = SearchSpace(frequencies_hz=(2000.0,), slopes=(("linkwitz-riley", 4),), delays_s=(0.0,))
    _, trials = search_crossover(dataset(), crossover(), space, unevenness, ONES)
    (wrong,) = [trial for trial in trials if trial.is_inverted and trial.frequency_hz == 2000]
    assert wrong.score.gaps == ("the ways cancel in front at 2000 Hz",)
    assert wrong is trials[-1]
