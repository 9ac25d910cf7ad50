# SPDX-License-Identifier: GPL-3.0-or-later
"""Main effects against outcomes that are known, and limits against leaders placed by hand."""

import numpy as np
import pytest

from bafflelens.scoring.main_effects import FEWEST_SPARE, limits_reached, main_effects

RANGES = {"lens.height_mm": (80.0, 140.0), "lens.depth_mm": (10.0, 30.0), "box.rim_mm": (5.0, 9.0)}


def spread(n_candidates, seed=3):
    """Return places from -1 to 1, (n, 3), and the parameters they stand for."""
    places = np.random.default_rng(seed).uniform(-1, 1, (n_candidates, 3))
    values = [
        {
            key: low + (place + 1) / 2 * (high - low)
            for place, (key, (low, high)) in zip(row, RANGES.items(), strict=True)
        }
        for row in places
    ]
    return places, values


def found(values, outcome):
    return main_effects(values, np.atleast_2d(np.asarray(outcome).T).T, RANGES)


def test_straight_lines_are_found_exactly_and_the_largest_comes_first():
    places, values = spread(12)
    result = found(values, 3 + places @ [0.5, -1.0, 0.0])
    assert [effect.key for effect in result.effects[:2]] == ["lens.depth_mm", "lens.height_mm"]
    assert [effect.changes[0].value for effect in result.effects] == pytest.approx(
        [-2.0, 1.0, 0.0], abs=1e-9
    )
    assert result.explained[0] == pytest.approx(1.0)
    assert result.effects[0].standardised < 0 < result.effects[1].standardised


def test_several_outcomes_are_fitted_side_by_side():
    places, values = spread(12)
    outcomes = np.column_stack([places @ [1, 0, 0], places @ [0, -2, 0]])
    result = main_effects(values, outcomes, RANGES)
    changes = {
        effect.key: [estimate.value for estimate in effect.changes] for effect in result.effects
    }
    assert changes["lens.height_mm"] == pytest.approx([2, 0], abs=1e-9)
    assert changes["lens.depth_mm"] == pytest.approx([0, -4], abs=1e-9)


def test_intervals_agree_with_a_general_library():
    from scipy import stats

    rng = np.random.default_rng(5)
    heights = rng.uniform(80, 140, 15)
    outcome = 0.03 * heights + rng.normal(0, 0.4, 15)
    one = {"lens.height_mm": RANGES["lens.height_mm"]}
    effect = main_effects([{"lens.height_mm": h} for h in heights], outcome[:, None], one)
    line = stats.linregress(heights, outcome)
    reach = 60 * line.stderr * stats.t.ppf(0.975, 13)
    change = effect.effects[0].changes[0]
    assert change.value == pytest.approx(60 * line.slope)
    assert change.high - change.value == pytest.approx(reach)
    assert effect.effects[0].standardised == pytest.approx(line.rvalue)


def test_chance_alone_seldom_looks_certain():
    rng = np.random.default_rng(11)
    lines = bends = 0
    for number in range(400):
        _, values = spread(12, seed=number)
        effects = found(values, rng.normal(0, 1, 12)).effects
        lines += any(effect.changes[0].is_certain for effect in effects)
        bends += any(effect.bend.is_certain for effect in effects)
    # 5 % of 400 are 20; five standard deviations of a binomial count are 22.
    assert 0 < lines < 42
    assert 0 < bends < 42


def test_too_few_candidates_give_no_effects():
    _, values = spread(3 + FEWEST_SPARE)
    result = found(values, np.arange(6.0))
    assert not result.is_known
    assert (result.n_candidates, result.n_needed) == (6, 7)


def test_parameters_that_moved_together_are_not_told_apart():
    places, values = spread(12)
    for row in values:
        row["box.rim_mm"] = 5 + (row["lens.height_mm"] - 80) / 15
    result = found(values, places[:, 0])
    assert result.aliased == {"box.rim_mm": "lens.height_mm"}
    assert {effect.key for effect in result.effects} == {"lens.height_mm", "lens.depth_mm"}


def test_parameter_that_stayed_is_left_out():
    places, values = spread(12)
    for row in values:
        row["box.rim_mm"] = 7.0
    assert "box.rim_mm" not in [e.key for e in found(values, places[:, 0]).effects]


def test_lowest_point_inside_the_range_is_found():
    places, values = spread(20)
    noise = np.random.default_rng(1).normal(0, 0.02, 20)
    outcome = (places[:, 0] - 0.2) ** 2 + noise
    by_key = {effect.key: effect for effect in found(values, outcome).effects}
    assert by_key["lens.height_mm"].best_at == pytest.approx(116, abs=1)
    assert by_key["lens.height_mm"].bend.value == pytest.approx(1, abs=0.1)
    assert by_key["lens.depth_mm"].best_at is None


def test_bend_takes_more_candidates_than_a_line():
    places, values = spread(9)
    result = found(values, places[:, 0] ** 2)
    assert result.is_known
    assert all(effect.bend is None for effect in result.effects)


def test_leaders_at_their_limits():
    leaders = {
        "c007": {"lens.height_mm": 138.0, "lens.depth_mm": 20.0, "box.rim_mm": 5.5},
        "c002": {"lens.height_mm": 140.0, "lens.depth_mm": 10.5, "box.rim_mm": 7.0},
        "c009": {"lens.height_mm": 110.0, "lens.depth_mm": 10.0, "box.rim_mm": 7.0},
    }
    best, other = limits_reached(leaders, RANGES)
    assert (best.key, best.limit, best.is_upper) == ("lens.height_mm", 140.0, True)
    assert best.leaders == ("c007", "c002")
    assert best.includes_best
    assert (other.key, other.is_upper, other.leaders) == ("lens.depth_mm", False, ("c002", "c009"))
    assert not other.includes_best
    assert limits_reached({}, RANGES) == ()
