# SPDX-License-Identifier: GPL-3.0-or-later
"""Small changes of a shape: the arithmetic, and a run that makes them with a stub solver."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from bafflelens.base.errors import InputError, JobError
from bafflelens.cli import main
from bafflelens.job.job_file import load_job
from bafflelens.job.perturbations import changed_keys, nearby_job, nearby_shapes
from bafflelens.job.sampling import draw
from bafflelens.run.on_request import change_on_request
from bafflelens.run.options import plan_job
from bafflelens.run.pipeline import resume_run, run_job
from bafflelens.scoring.sensitivity import ParameterChange, Robustness
from bafflelens.store import open_run

LEADERS = ("leaders = 0", "leaders = 1")


def change(less_db, more_db, key="lens.depth_mm", tolerance=2.0):
    return ParameterChange(
        key=key, unit="mm", tolerance=tolerance, less_db=less_db, more_db=more_db
    )


def only_run(options):
    (folder,) = [path for path in options.results.iterdir() if (path / "run.json").exists()]
    return open_run(folder)


# ------------------------------------------------------------------------------ arithmetic


def test_mean_and_spread_are_those_of_sizes_drawn_within_tolerance():
    """Against a million shapes whose sizes are drawn, the score straight on either side."""
    changes = (change(0.3, -0.1), change(0.2, 0.5, key="lens.opening_height_mm"))
    found = Robustness(candidate="c001", score_db=3.0, changes=changes)
    draws = np.random.default_rng(1).uniform(-1, 1, (2, 1_000_000))
    score = sum(
        np.where(draw < 0, -draw * item.less_db, draw * item.more_db)
        for draw, item in zip(draws, changes, strict=True)
    )
    assert found.mean_db == pytest.approx(score.mean(), abs=1e-3)
    assert found.spread_db == pytest.approx(score.std(), abs=1e-3)
    assert found.worst.key == "lens.opening_height_mm"


def test_half_a_decibel_is_reached_on_the_side_that_matters():
    assert change(0.1, 0.25).allowed(0.5) == pytest.approx(4.0)
    assert change(-0.1, -0.2).allowed(0.5) == math.inf
    assert math.isnan(change(None, None).allowed(0.5))


def test_a_side_that_is_not_known_counts_like_the_other():
    assert change(None, 0.4).mean_db == change(0.4, 0.4).mean_db
    assert change(None, 0.4).mean_square_db2 == change(0.4, 0.4).mean_square_db2
    nothing = Robustness(candidate="c001", score_db=3.0, changes=(change(None, None),))
    assert nothing.worst is None
    assert math.isnan(nothing.spread_db)
    assert "small changes do is not known" in nothing.text


# ----------------------------------------------------------------------------- which shapes


def test_what_was_searched_is_changed_by_its_tolerance(write_job):
    extra = (*LEADERS[:1], "leaders = 1\ntolerance_mm = 2\n[robustness.lens]\ndepth_mm = 0.5")
    loaded = load_job(write_job(extra))
    keys = changed_keys(loaded)
    assert set(keys) == {"lens.opening_height_mm", "lens.depth_mm"}
    values = {"lens.opening_height_mm": 100.0, "lens.depth_mm": 20.0}
    shapes = {shape.name: shape.values for shape in nearby_shapes(loaded, "c001", values, keys)}
    assert len(shapes) == 5
    assert shapes["c001.lens.depth_mm.less"]["lens.depth_mm"] == 19.5
    assert shapes["c001.lens.opening_height_mm.more"]["lens.opening_height_mm"] == 102.0
    assert shapes["c001.lens.opening_height_mm.more"]["lens.depth_mm"] == 20.0


def test_they_are_drafts_of_the_score_band(write_job):
    wide = [("from_hz = 2000", "from_hz = 1000"), ("to_hz = 4000", "to_hz = 16000")]
    job = nearby_job(load_job(write_job(*wide, ("per_octave = 3", "per_octave = 24")))).job
    assert (job.frequencies.from_hz, job.frequencies.to_hz) == (1000, 16000)  # both replaced
    assert job.frequencies.per_octave == 6
    assert job.solve.quality == "draft"


def test_their_frequencies_reach_the_ends_of_the_judged_band(write_job):
    """At three an octave 10 kHz is the last below 12 kHz, and too far from it to be judged."""
    solved = (
        "[frequencies]\nfrom_hz = 2000\nto_hz = 4000",
        "[frequencies]\nfrom_hz = 1000\nto_hz = 12600",
    )
    judged = ("[score]\nfrom_hz = 2000\nto_hz = 4000", "[score]\nfrom_hz = 1500\nto_hz = 12000")
    found = nearby_job(load_job(write_job(solved, judged))).job.frequencies.frequencies_hz
    assert found[0] == pytest.approx(1585, abs=1)
    assert found[-1] == pytest.approx(12589, abs=1)


def test_the_plan_counts_them(write_job, options):
    loaded = load_job(write_job(LEADERS))
    plan = plan_job(loaded, draw(loaded), options)
    assert plan.nearby.n_shapes == 5
    alone = replace(plan, nearby=None)
    assert plan.total_seconds == pytest.approx(alone.total_seconds + plan.nearby.total_seconds)


# --------------------------------------------------------------------------------- in a run


def test_the_leader_is_changed_and_the_ranking_says_so(write_job, options, capsys):
    result = run_job(write_job(LEADERS), options)
    (found,) = only_run(options).load_record().robustness
    leader = next(row for row in result.rows if not row.candidate.is_baseline)
    assert found.candidate == leader.candidate.id
    assert leader.robustness == found
    assert {item.key for item in found.changes} == {"lens.opening_height_mm", "lens.depth_mm"}
    assert all(len(item.known_db) == 2 for item in found.changes)
    assert main(["rank", str(result.folder.path)]) == 0
    assert "small changes move the score by" in capsys.readouterr().out


def test_small_changes_are_quick_looks_and_candidates_are_not(write_job, options, stub):
    """What is a tolerance away from others is well enough known by a combination of them."""
    looked = []

    def solve_band(*given, **named):
        looked.append(named.get("is_look", False))
        return stub.solve_band(*given, **named)

    methods = replace(options.methods, solve_band=solve_band)
    run_job(write_job(), replace(options, methods=methods))
    assert looked
    assert not any(looked)
    run_job(write_job(LEADERS), replace(options, methods=methods))
    assert any(looked)


def test_what_is_solved_is_not_solved_again(write_job, options, stub):
    result = run_job(write_job(LEADERS), options)
    before = len(stub.solved)
    resume_run(result.folder.path, options)
    assert len(stub.solved) == before


def test_a_change_that_is_no_shape_is_left_out_with_its_reason(write_job, options):
    narrow = ("opening_height_mm = { from = 90, to = 160 }", "opening_height_mm = [200]")
    result = run_job(write_job(LEADERS, narrow), options)
    (found,) = result.folder.load_record().robustness
    opening = next(c for c in found.changes if c.key == "lens.opening_height_mm")
    assert opening.more_db is None
    assert opening.less_db is not None
    assert "more:" in opening.reasons[0]


def test_a_draft_that_fails_is_said(write_job, options, stub):
    result = run_job(write_job(), options)
    third = next(c for c in result.folder.candidates() if c.id == "c003").values
    stub.fail_mesh = lambda values: values.get("lens.depth_mm") == third["lens.depth_mm"]
    with pytest.raises(InputError, match="one whose draft can be solved"):
        change_on_request(result.folder.path, "c003", options)
    assert result.folder.load_record().status == "finished"
    assert any("draft failed" in text for text in result.folder.load_record().remarks)


def test_on_request_every_parameter_is_changed(write_job, options):
    result = run_job(write_job(), options)
    assert result.folder.load_record().robustness == ()
    found = change_on_request(result.folder.path, "c002", options, all_parameters=True)
    keys = {parameter.key for parameter in load_job(write_job()).shape.parameters}
    assert {item.key for item in found.changes} == keys
    assert result.folder.load_record().status == "finished"


@pytest.mark.parametrize("stop", [KeyboardInterrupt, MemoryError, "killed"])
def test_a_finished_run_stays_finished_whatever_stops_its_changes(
    write_job, options, monkeypatch, stop
):
    """Also while it is at work: whoever kills it leaves a finished run."""
    result = run_job(write_job(), options)
    seen = []

    def stopped(run, *_):
        seen.append(run.folder.load_record().status)
        raise KeyboardInterrupt if stop == "killed" else stop

    monkeypatch.setattr("bafflelens.run.on_request.change_candidate", stopped)
    with pytest.raises(KeyboardInterrupt if stop == "killed" else stop):
        change_on_request(result.folder.path, "c002", options)
    assert [*seen, result.folder.load_record().status] == ["finished", "finished"]
    assert main(["status", str(result.folder.path)]) == 0


@pytest.mark.parametrize(
    ("candidate", "message"),
    [
        ("c099", "candidate 'c099'. Must be one that the run has solved: baseline, c001"),
        ("baseline", "candidate 'baseline'. Must be a candidate"),
    ],
)
def test_what_cannot_be_changed_is_refused(write_job, options, candidate, message):
    result = run_job(write_job(), options)
    with pytest.raises(InputError, match=re.escape(message)):
        change_on_request(result.folder.path, candidate, options)


def test_a_job_that_changes_nothing_is_refused(write_job, options):
    fixed = [
        ("opening_height_mm = { from = 90, to = 160 }", "opening_height_mm = 100"),
        ("depth_mm = { from = 10, to = 40 }", "depth_mm = 20"),
        ("candidates = 3", 'plan = "list"'),
    ]
    result = run_job(write_job(*fixed), options)
    with pytest.raises(InputError, match="with parameters that are searched or have a tolerance"):
        change_on_request(result.folder.path, "c001", options)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("leaders = 21", "key 'robustness.leaders' '21'. Must be a whole number from 0 to 20"),
        (
            "leaders = 1\n[robustness.lens]\ndepth_mm = 0",
            "'robustness.lens.depth_mm' '0'. Must be a number above 0, at most 20",
        ),
        (
            "leaders = 1\n[robustness.lens]\ndpeth_mm = 1",
            "key 'robustness.lens.dpeth_mm'. Must be a known key; the nearest is "
            "'robustness.lens.depth_mm'",
        ),
    ],
)
def test_a_wrong_section_is_refused(write_job, text, message):
    with pytest.raises(JobError, match=re.escape(message)):
        load_job(write_job(("leaders = 0", text)))
