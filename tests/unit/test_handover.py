"""The octave around a handover: holes and tilts are seen wherever the score looks."""

from types import SimpleNamespace

import numpy as np
import patterns
import pytest

from bafflelens.directivity.crossover import Crossover, Way, sum_of_ways
from bafflelens.directivity.filters import Filter
from bafflelens.directivity.lobe import vertical_lobes
from bafflelens.job.feasibility import handover_remarks
from bafflelens.scoring.crossover_search import SearchSpace, search_crossover
from bafflelens.scoring.handover import handover_quality
from bafflelens.scoring.score import Score, Term

FREQUENCY = patterns.sixth_octaves(500.0, 16_000.0)
ONES = np.ones((2, FREQUENCY.size), complex)


def crossover(hz=1400.0, order=4, **upper):
    high, low = (
        Filter(kind=kind, family="linkwitz-riley", order=order, frequency_hz=hz)
        for kind in ("high-pass", "low-pass")
    )
    ways = (Way(name="tweeter", filters=(high,), **upper), Way(name="midrange", filters=(low,)))
    return Crossover(ways=ways, mode="electrical")


def dataset(spacing_m=0.0):
    return patterns.point_sources(
        [[0, 0, 0], [0, 0, -spacing_m]], ["tweeter", "midrange"], FREQUENCY
    )


def quality(spacing_m=0.0, **changes):
    heard = sum_of_ways(dataset(spacing_m), crossover(**changes), ONES)
    return handover_quality(heard, 1400.0, 10.0)


def test_two_ways_at_one_place_sum_without_a_flaw():
    """Linkwitz-Riley filters of fourth order sum to one amplitude at every frequency."""
    found = quality()
    assert found.axis_dip_db == pytest.approx(0.0, abs=0.02)
    assert found.tilt_deg == pytest.approx(0.0, abs=0.1)
    assert found.flaws == ()


def test_a_wrong_polarity_is_a_hole():
    found = quality(is_inverted=True)
    assert found.axis_dip_db > 6
    assert found.window_dip_db > 6
    assert "a dip of" in found.flaws[0]


def test_a_delay_between_ways_that_are_apart_is_a_tilt():
    """50 microseconds are 17 mm; over 150 mm that is an angle of asin(17 / 150), 6.6 degrees."""
    path = 5e-5 * patterns.AIR.sound_speed
    heard = sum_of_ways(dataset(0.15), crossover(delay_s=5e-5), ONES)
    found = handover_quality(heard, 1400.0, 3.0)
    at_handover = np.degrees(np.arcsin(path / 0.15))
    assert abs(found.tilt_deg) == pytest.approx(at_handover, abs=2.5)
    assert any("a lobe tilted by" in flaw for flaw in found.flaws)


@pytest.mark.parametrize(("wavelengths", "is_flaw"), [(0.62, False), (0.9, True)])
def test_ways_far_apart_have_a_side_lobe(wavelengths, is_flaw):
    """Two alike in phase, d apart: cos(pi d sin(t) / wavelength), at 90 degrees beyond its null.

    At the handover both are alike; above it the tweeter leads, and the null is shallower.
    """
    spacing = wavelengths * patterns.AIR.sound_speed / 1400.0
    heard = sum_of_ways(dataset(spacing), crossover(), ONES)
    found = handover_quality(heard, 1400.0, 30.0)
    here = int(np.argmin(np.abs(FREQUENCY - 1400.0)))
    lobe = vertical_lobes(heard)[here]
    apart = wavelengths * FREQUENCY[here] / 1400.0
    wanted = 20 * np.log10(abs(np.cos(np.pi * apart)))
    assert lobe.side_lobe_db == pytest.approx(wanted, abs=0.3)
    assert found.side_lobe_db >= lobe.side_lobe_db
    assert any("a side lobe" in flaw for flaw in found.flaws) == is_flaw


def test_ways_close_together_have_none():
    assert np.isnan(quality().side_lobe_db)


def only_above_2_khz(heard):
    """A judge that does not see the handover, and likes the inverted way best."""
    level = np.abs(heard["far_field_real"].values).sum()
    term = Term(
        name="vertical_control", value_db=0.0, tolerance_db=0.0, weight=1.0, excess_db=0.0,
        note="",
    )  # fmt: skip
    return Score(terms=(term,), total_db=float(level), gaps=())


def test_an_offer_with_a_hole_is_never_the_best():
    space = SearchSpace(
        frequencies_hz=(1400.0,), slopes=(("linkwitz-riley", 4),), delays_s=(-1e-4, 0.0, 1e-4)
    )
    blind = search_crossover(dataset(), crossover(), space, only_above_2_khz, ONES)[1]
    assert blind[0].is_inverted or blind[0].delay_s  # this is what happens without
    _, trials = search_crossover(
        dataset(), crossover(), space, only_above_2_khz, ONES, tilt_limit_deg=10.0
    )
    assert trials[0].flaws == ()
    assert not trials[0].is_inverted
    assert any(trial.flaws for trial in trials)


@pytest.mark.parametrize(
    ("from_hz", "to_hz", "n_remarks"), [(2000, 12000, 1), (900, 1500, 1), (900, 12000, 0)]
)
def test_a_handover_outside_the_scored_band_is_said(from_hz, to_hz, n_remarks):
    loaded = SimpleNamespace(
        loudspeaker=SimpleNamespace(crossover=crossover()),
        job=SimpleNamespace(score=SimpleNamespace(from_hz=from_hz, to_hz=to_hz)),
    )
    remarks = handover_remarks(loaded)
    assert len(remarks) == n_remarks
    assert all("1400 Hz" in text and "from 990 to 1980 Hz" in text for text in remarks)
