# SPDX-License-Identifier: GPL-3.0-or-later
"""What the page says of parameters and limits, on rankings whose cause is known."""

from types import SimpleNamespace

import numpy as np
import pytest

from bafflelens.report.influence import influence_of
from bafflelens.report.style import drawing_style
from bafflelens.scoring.ranking import CandidateResult, rank
from bafflelens.scoring.score import Score, Term
from bafflelens.shapes.meshing.parameters import Parameter

RANGES = {"lens.opening_height_mm": (80.0, 140.0), "lens.wall_half_angle_deg": (30.0, 60.0)}


def scored(vertical_db, side_db=0.0):
    def term(name, cost_db):
        return Term(
            name=name,
            value_db=cost_db,
            tolerance_db=0.0,
            weight=1.0,
            excess_db=cost_db,
            note="",
        )

    terms = (term("vertical_control", vertical_db), term("horizontal_width", side_db))
    return Score(terms=terms, total_db=vertical_db + side_db)


def run_of(heights, vertical_db, angles=None, *, shape_limits=(0.0, 500.0), baseline_db=50.0):
    """Return as much of a run as the section looks at."""
    angles = np.random.default_rng(2).uniform(32, 58, len(heights)) if angles is None else angles
    results = [
        CandidateResult(
            id=f"c{number:03d}",
            label="lens",
            is_baseline=False,
            values={
                "lens.opening_height_mm": float(height),
                "lens.wall_half_angle_deg": float(angle),
                "cabinet.width_mm": 210.0,
            },
            score=scored(float(cost)),
            status="solved",
        )
        for number, (height, angle, cost) in enumerate(
            zip(heights, angles, vertical_db, strict=True), start=1
        )
    ]
    # Far off, and at a height that nobody searched: it must not bend the lines.
    plain = CandidateResult(
        id="baseline",
        label="plain",
        is_baseline=True,
        values={"lens.opening_height_mm": 400.0},
        score=scored(baseline_db),
        status="solved",
    )
    height = Parameter(
        key="lens.opening_height_mm",
        unit="mm",
        default=100.0,
        low=shape_limits[0],
        high=shape_limits[1],
        help="",
    )
    return SimpleNamespace(
        rows=rank([plain, *results]),
        every_row=(),
        ranges=RANGES,
        detailed=3,
        views=(SimpleNamespace(parameters=(height,)),),
    )


def section(run):
    with drawing_style():
        return influence_of(run)


HEIGHTS = np.linspace(80, 140, 12)
# One draw in twenty looks like an effect, as it should at 95 %; this one does not.
NOISE = np.random.default_rng(5).normal(0, 0.05, 12)


def test_effect_is_said_with_its_range_and_the_limit_is_worth_passing():
    found = section(run_of(HEIGHTS, 8 - 0.05 * (HEIGHTS - 80) + NOISE))
    assert found.summary.startswith("One dimension clearly matters: lens opening height (")
    assert "dB from 80 to 140 mm); 12 of 12 candidates" in found.summary
    first = found.rows[0]
    assert first.changes[0].value == pytest.approx(-3, abs=0.2)
    assert first.verdict == "more of it is better"
    assert found.rows[1].verdict == "may be chance: the interval includes zero"
    assert found.leaders == ("c012", "c011", "c010")
    (end,) = [row for row in found.limits if row.title == "lens opening height"]
    assert end.limit == "upper, 140 mm"
    assert end.leaders == ("c012",)
    assert end.advice == "search further above: the score falls all the way to this end"


def test_end_of_the_shape_is_no_place_to_search_further():
    run = run_of(HEIGHTS, 8 - 0.05 * (HEIGHTS - 80) + NOISE, shape_limits=(80.0, 140.0))
    assert section(run).limits[0].advice == "this is as far as the shape itself goes"


def test_best_inside_the_range_is_named():
    found = section(run_of(HEIGHTS, 2 + ((HEIGHTS - 115) / 20) ** 2 + NOISE))
    assert found.rows[0].verdict.startswith("best near 11")
    assert found.rows[0].verdict.endswith("mm, worse to both sides")


def test_chance_is_not_called_an_effect():
    found = section(run_of(HEIGHTS, 5 + 20 * NOISE))
    assert found.summary.startswith("No dimension clearly matters to the score")
    assert any(text.startswith("straight lines explain") for text in found.cautions)


def test_too_few_candidates_are_owned_up_to():
    found = section(run_of(HEIGHTS[:4], 5 + NOISE[:4]))
    assert found.rows == ()
    assert found.drawing is None
    assert "what each dimension did: 4 of 4 candidates" in found.summary
    assert "at least 6 are needed" in found.summary


def test_what_moved_together_is_said():
    found = section(run_of(HEIGHTS, 5 - 0.02 * HEIGHTS + NOISE, angles=HEIGHTS / 2 - 10))
    assert found.cautions[0].startswith(
        "lens wall half angle and lens opening height moved together"
    )


def test_unlisted_candidates_count():
    run = run_of(HEIGHTS, 8 - 0.05 * (HEIGHTS - 80) + NOISE)
    run.every_row, run.rows = run.rows, run.rows[:3]
    assert "12 of 12 candidates" in section(run).summary


def test_nothing_searched_leaves_the_section_out():
    assert section(run_of([100.0], [4.0])) is None
