# SPDX-License-Identifier: GPL-3.0-or-later
"""The paragraph on a leader says what its numbers say."""

from dataclasses import replace

import numpy as np
import patterns
import pytest

from bafflelens.report.curves import towards_of
from bafflelens.report.leaders import leader_summary
from bafflelens.report.words import directions_of
from bafflelens.scoring.ranking import CandidateResult, rank
from bafflelens.scoring.score import ScoreSettings, score
from bafflelens.scoring.target import default_target

TARGET = default_target()
BAND_HZ = ScoreSettings().band_hz


def falling(up_db, aside_db):
    return patterns.shaped(
        lambda _, azimuth, elevation: (
            -up_db * (np.sin(np.radians(elevation)) / np.sin(np.radians(45))) ** 2
            - aside_db * (np.sin(np.radians(azimuth)) / np.sin(np.radians(60))) ** 2
        )
    )


@pytest.fixture(scope="module")
def data():
    return {
        "baseline": patterns.dataset(falling(1.5, 2.0)),
        "c001": patterns.dataset(falling(5.5, 3.5)),
        "c002": patterns.dataset(falling(1.0, 2.0)),
    }


@pytest.fixture(scope="module")
def rows(data):
    results = [
        CandidateResult(
            id=name,
            label="",
            is_baseline=name == "baseline",
            values={},
            score=score(dataset, TARGET),
            status="solved",
        )
        for name, dataset in data.items()
    ]
    return {row.candidate.id: row for row in rank(results)}


def told(rows, data, name, **changes):
    found = directions_of(
        towards_of(data[name], TARGET), towards_of(data["baseline"], TARGET), TARGET, BAND_HZ
    )
    row = replace(rows[name], **changes)
    return leader_summary(row, rows["baseline"], "plain baffle", found, {name: name}), found


def test_gains_and_costs_are_those_of_the_levels(rows, data):
    text, found = told(rows, data, "c001")
    less = -found["ceiling"].whole.change_db
    lost = -found["side"].whole.change_db
    assert less > 1
    assert lost > 0.5
    assert text.startswith(f"Place 1, {rows['c001'].better_by_db:.1f} dB better than the plain")
    gains, pays = text.split("Costs: ")
    assert f"{less:.1f} dB less towards the ceiling" in gains
    assert f"{lost:.1f} dB less at the edge of the ±60° window" in pays
    assert "Its score is made of" in text


def test_a_worse_one_is_not_praised(rows, data):
    text, _ = told(rows, data, "c002")
    assert "dB worse than the plain baffle" in text
    assert "more towards the ceiling" in text.split("Costs: ")[1]


def test_side_effects_are_told_by_what_they_cost(rows, data):
    own = rows["c001"].candidate
    terms = tuple(
        replace(term, value_db=2.5, excess_db=2.0) if term.name == "on_axis_ripple" else term
        for term in own.score.terms
    )
    rippled = replace(own, score=replace(own.score, terms=terms))
    text, _ = told(rows, data, "c001", candidate=rippled)
    assert "on axis ripple 1.00 dB worse" in text.split("Costs: ")[1]


def test_dominated_and_unranked_are_said(rows, data):
    text, _ = told(rows, data, "c001", dominated_by="c009")
    assert text.endswith("c009 is no worse in anything and clearly better in something.")
    text, _ = told(rows, data, "c001", place=None, reasons=("4000 Hz failed: it diverged",))
    assert text == "It has no place: 4000 Hz failed: it diverged."
