# SPDX-License-Identifier: GPL-3.0-or-later
"""Candidates from search plans."""

import itertools

import numpy as np
import pytest

from bafflelens.base.errors import JobError
from bafflelens.job.job_file import load_job
from bafflelens.job.sampling import draw, low_discrepancy
from bafflelens.job.shape_sections import Choices, Fixed, Span

GRID = ("candidates = 3", 'plan = "grid"')
LIST = ("candidates = 3", 'plan = "list"')
HEIGHT, DEPTH = "{ from = 90, to = 160 }", "{ from = 10, to = 40 }"


def test_the_same_seed_gives_the_same_candidates(write_job):
    first = draw(load_job(write_job()))
    assert draw(load_job(write_job())) == first
    other = draw(load_job(write_job(("candidates = 3", "candidates = 3\nseed = 2"))))
    assert other.candidates != first.candidates
    assert draw(load_job(write_job(("candidates = 3", "candidates = 3\nseed = 1")))) == first


def test_more_candidates_keep_the_first_ones(write_job):
    few = draw(load_job(write_job())).candidates
    many = draw(load_job(write_job(("candidates = 3", "candidates = 20")))).candidates
    assert many[:3] == few
    assert [candidate.id for candidate in few] == ["c001", "c002", "c003"]


def test_samples_that_break_a_rule_are_skipped(write_job):
    sampling = draw(load_job(write_job(("candidates = 3", "candidates = 40"))))
    assert len(sampling.candidates) == 40
    assert sampling.skipped > 0
    assert "Must be at most a quarter of" in sampling.skipped_rule
    for candidate in sampling.candidates:
        values = candidate.values
        assert 90 <= values["lens.opening_height_mm"] <= 160
        assert 10 <= values["lens.depth_mm"] <= values["lens.opening_height_mm"] / 4
        assert values["cabinet.width_mm"] == 210


def test_no_candidates_names_the_usual_rule(write_job):
    path = write_job((HEIGHT, "{ from = 60, to = 70 }"), (DEPTH, "{ from = 30, to = 40 }"))
    with pytest.raises(
        JobError, match=r"Must give at least one candidate; all \d+ samples broke"
    ) as e:
        draw(load_job(path))
    assert len(e.value.faults) == 1
    assert "Must be at most a quarter of" in e.value.faults[0]


def test_fewer_choices_than_candidates_give_what_there_is(write_job):
    path = write_job(
        (HEIGHT, "[90, 120, 150]"), (DEPTH, "[10, 20]"), ("candidates = 3", "candidates = 50")
    )
    assert len(draw(load_job(path)).candidates) == 6


def test_a_range_is_filled_evenly():
    settings = {"a_mm": Span(0.0, 10.0), "b_mm": Span(0.0, 1.0), "c_mm": Fixed(3.0)}
    points = list(itertools.islice(low_discrepancy(settings, seed=1, tries=64), 64))
    for key, top in (("a_mm", 10.0), ("b_mm", 1.0)):
        counts, _ = np.histogram([point[key] for point in points], bins=8, range=(0, top))
        assert counts.min() >= 6  # random numbers would leave a bin with 3 more often than not
    assert {point["c_mm"] for point in points} == {3.0}
    assert all(list(point) == ["a_mm", "b_mm", "c_mm"] for point in points)


def test_values_are_what_a_person_would_write():
    settings = {
        "wide_mm": Span(90.0, 160.0),
        "narrow_mm": Span(1.0, 2.0),
        "kind": Choices((1.0, 5.0)),
    }
    for point in low_discrepancy(settings, seed=3, tries=50):
        assert point["wide_mm"] == round(point["wide_mm"], 1)
        assert point["narrow_mm"] == round(point["narrow_mm"], 2)
        assert point["kind"] in (1.0, 5.0)
        assert all(type(value) is float for value in point.values())


def test_a_grid_is_every_combination_that_breaks_no_rule(write_job):
    path = write_job(GRID, (HEIGHT, "{ from = 100, to = 160, steps = 3 }"), (DEPTH, "[10, 30]"))
    sampling = draw(load_job(path))
    found = [
        (c.values["lens.opening_height_mm"], c.values["lens.depth_mm"])
        for c in sampling.candidates
    ]
    assert found == [(100, 10), (130, 10), (130, 30), (160, 10), (160, 30)]
    assert sampling.skipped == 1


def test_a_grid_has_a_limit(write_job):
    path = write_job(
        GRID,
        (HEIGHT, "{ from = 90, to = 160, steps = 1000 }"),
        (DEPTH, "{ from = 10, to = 20, steps = 1000 }"),
    )
    with pytest.raises(JobError, match=r"'1000000 combinations'. Must be at most 100000"):
        draw(load_job(path))


def test_a_list_is_taken_row_by_row(write_job):
    sampling = draw(load_job(write_job(LIST, (HEIGHT, "[90, 120, 120]"), (DEPTH, "[10, 20, 30]"))))
    found = [
        (c.values["lens.opening_height_mm"], c.values["lens.depth_mm"])
        for c in sampling.candidates
    ]
    assert found == [(90, 10), (120, 20), (120, 30)]


def test_every_bad_row_of_a_list_is_a_fault(write_job):
    path = write_job(LIST, (HEIGHT, "[90, 100, 160]"), (DEPTH, "[30, 40, 20]"))
    with pytest.raises(JobError) as caught:
        draw(load_job(path))
    assert [fault.partition("] ")[2] for fault in caught.value.faults] == [
        "Invalid depth '30 mm'. Must be at most a quarter of 90 mm.",
        "Invalid depth '40 mm'. Must be at most a quarter of 100 mm.",
    ]


def test_the_baseline_takes_what_it_shares(write_job):
    path = write_job(("[baseline]", "[geometry.cabinet]\nwidth_mm = 180\n[baseline]"))
    sampling = draw(load_job(path))
    assert sampling.baseline.values == {"cabinet.width_mm": 180.0}
    assert sampling.baseline.is_baseline
    assert sampling.everything[0] is sampling.baseline
    own = ('script = "plain.py"', 'script = "plain.py"\ncabinet.width_mm = 200')
    path = write_job(("[baseline]", "[geometry.cabinet]\nwidth_mm = 180\n[baseline]"), own)
    assert draw(load_job(path)).baseline.values == {"cabinet.width_mm": 200.0}
