# SPDX-License-Identifier: GPL-3.0-or-later
"""Lobes of two sources against the closed form |cos((k d sin(angle) + phase)/2)|."""

from pathlib import Path

import numpy as np
import patterns
import pytest

import bafflelens.report
from bafflelens.directivity.crossover import Crossover, Way, sum_of_ways
from bafflelens.directivity.filters import Filter
from bafflelens.directivity.lobe import _lobe, handovers, region_of, tilt_at, vertical_lobes

C = patterns.AIR.sound_speed
SPACING_M = 0.15
FREQUENCY = np.array([1000.0, 1500.0, 2000.0, 3000.0, 4000.0, 5000.0])


def pair(delay_s=0.0, frequency=FREQUENCY, failed=()):
    dataset = patterns.point_sources(
        [[0, 0, SPACING_M / 2], [0, 0, -SPACING_M / 2]],
        ["tweeter", "midrange"],
        frequency,
        failed=failed,
    )
    ways = (Way(name="tweeter", delay_s=delay_s), Way(name="midrange"))
    return sum_of_ways(
        dataset, Crossover(ways=ways, mode="electrical"), np.ones((2, len(frequency)), complex)
    )


def test_nulls_are_where_the_closed_form_has_them():
    """Null where sin(angle) = wavelength / (2 spacing)."""
    for lobe in vertical_lobes(pair()):
        sine = C / lobe.frequency_hz / (2 * SPACING_M)
        if sine > 0.95:  # no null, or one at the edge of the front
            continue
        null_deg = np.degrees(np.arcsin(sine))
        assert lobe.null_above_deg == pytest.approx(null_deg, abs=0.1)
        assert lobe.null_below_deg == pytest.approx(-null_deg, abs=0.1)


def test_the_lobe_of_equal_sources_points_ahead():
    for lobe in vertical_lobes(pair()):
        assert lobe.tilt_deg == pytest.approx(0, abs=0.05)
        assert lobe.top_deg == pytest.approx(0, abs=0.05)


def test_edges_are_where_the_closed_form_is_3_db_down():
    lobe = vertical_lobes(pair())[3]
    half = np.arccos(10 ** (-3 / 20))
    edge = np.degrees(np.arcsin(2 * half / (2 * np.pi * 3000 / C * SPACING_M)))
    assert lobe.upper_deg == pytest.approx(edge, abs=0.05)
    assert lobe.lower_deg == pytest.approx(-edge, abs=0.05)


def test_the_report_says_of_what_the_tilt_is_the_middle():
    """Of sines: a lobe from 0 to 30 degrees has sin(tilt) = 1/4, 14.5 degrees, not 15."""
    angle = np.arange(-90.0, 91.0, 1.0)
    sine = np.sin(np.radians(angle))
    # Level falls with the square of the sine from its top, 3 dB down at sines of 0 and 1/2.
    field = 10 ** (-3.0103 * ((sine - 0.25) / 0.25) ** 2 / 20)
    found = _lobe(1000.0, angle, field.astype(complex))
    assert (found.lower_deg, found.upper_deg) == pytest.approx((0.0, 30.0), abs=0.1)
    assert found.tilt_deg == pytest.approx(np.degrees(np.arcsin(0.25)), abs=0.1)
    page = Path(bafflelens.report.__file__).with_name("page.html.jinja").read_text()
    assert "the direction whose sine is the mean of the sines" in page
    assert "the middle of the main lobe" not in page


@pytest.mark.parametrize("delay_s", [3e-5, -8e-5])
def test_a_delay_tilts_the_lobe_by_its_closed_form(delay_s):
    """The lobe turns towards the source that is later: sin(tilt) = c delay / spacing."""
    expected = np.degrees(np.arcsin(C * delay_s / SPACING_M))
    dataset = pair(delay_s)
    for lobe in vertical_lobes(dataset)[2:4]:  # one lobe, whose edges are in front
        assert lobe.tilt_deg == pytest.approx(expected, abs=0.1)
        assert lobe.top_deg == pytest.approx(expected, abs=0.2)
    assert tilt_at(dataset, 2500.0) == pytest.approx(expected, abs=0.1)


def test_a_lobe_without_edges_points_where_it_is_loudest():
    omni = patterns.dataset(patterns.omni, [1000.0])
    (lobe,) = vertical_lobes(omni)
    assert np.isnan([lobe.lower_deg, lobe.upper_deg, lobe.null_above_deg]).all()
    assert abs(lobe.tilt_deg) <= 60


def test_a_failed_frequency_has_no_lobe():
    lobes = vertical_lobes(pair(failed=[2000.0]))
    assert [np.isnan(lobe.tilt_deg) for lobe in lobes] == [False, False, True, False, False, False]
    assert tilt_at(pair(failed=[2000.0]), 2000.0) == pytest.approx(0, abs=0.05)
    assert np.isnan(tilt_at(pair(), 900.0))


def test_handovers_are_where_the_ways_are_equal():
    frequency = patterns.sixth_octaves(500.0, 16_000.0)
    dataset = patterns.point_sources(
        np.zeros((3, 3)), ["tweeter", "midrange", "woofer"], frequency
    )

    def part(kind, hz):
        return Filter(kind=kind, family="linkwitz-riley", order=4, frequency_hz=hz)

    ways = (
        Way(name="tweeter", filters=(part("high-pass", 4200.0),)),
        Way(name="midrange", filters=(part("high-pass", 900.0), part("low-pass", 4200.0))),
        Way(name="woofer", filters=(part("low-pass", 900.0),)),
    )
    first, second = handovers(dataset, Crossover(ways=ways))
    assert (first.lower, first.upper) == ("woofer", "midrange")
    assert first.frequency_hz == pytest.approx(900, rel=0.01)
    assert (second.lower, second.upper) == ("midrange", "tweeter")
    assert second.frequency_hz == pytest.approx(4200, rel=0.01)
    assert handovers(patterns.dataset(patterns.omni), Crossover(ways=ways[:1])) == ()
    assert region_of(2000.0) == pytest.approx((1414.2, 2828.4), abs=0.1)
