# SPDX-License-Identifier: GPL-3.0-or-later
"""Stages of fidelity: drafts first, the promising in full, the best once more."""

from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from bafflelens import store
from bafflelens.base.errors import JobError
from bafflelens.cli import main
from bafflelens.job.fidelity import finals_job, look_job, promoted
from bafflelens.job.job_file import load_job
from bafflelens.report.summary import rank_run, view_of
from bafflelens.report.words import grouped_failures
from bafflelens.run.pipeline import resume_run, run_job
from bafflelens.run.queueing import overview
from bafflelens.store import open_run

MANY = ("candidates = 3", "candidates = 9")
LOOK = ('quality = "draft"', 'quality = "standard"\n[first_look]\nkeep_pct = 30\nmargin_db = 0')
FINALS = (
    'quality = "draft"',
    'quality = "draft"\n[finalists]\ncount = 2\nbetter_quality = "standard"',
)
BOTH = (LOOK[0], LOOK[1] + "\n[finalists]\ncount = 2")


def by_status(folder):
    found = {}
    for candidate in folder.candidates():
        found.setdefault(candidate.status, []).append(candidate.id)
    return found


def test_the_best_share_is_promoted_and_what_is_within_the_margin():
    scores = {f"c{n}": float(n) for n in range(1, 11)} | {"bad": float("nan")}
    assert promoted(scores, 30, 0.0) == ("c1", "c2", "c3")
    assert promoted(scores, 21, 0.0) == ("c1", "c2", "c3")  # a share is rounded up
    assert promoted(scores, 30, 1.0) == ("c1", "c2", "c3", "c4")
    assert promoted(scores, 1, 0.0) == ("c1",)
    assert len(promoted(scores, 100, 0.0)) == 10
    assert promoted({}, 30, 0.3) == ()


def test_a_look_is_a_draft_of_the_band_that_is_scored(write_job):
    loaded = load_job(write_job(LOOK, ("from_hz = 2000\nto_hz = 4000\nper", "to_hz = 8000\nper")))
    look = look_job(loaded).job
    assert (look.frequencies.from_hz, look.frequencies.to_hz) == (2000, 4000)
    assert look.solve.quality == "draft"
    assert not look.solve.keep_surface
    assert finals_job(loaded).job.solve.quality == "fine"
    assert finals_job(loaded).job.frequencies == loaded.job.frequencies


def test_only_the_promising_are_solved_in_full(write_job, stub, options):
    result = run_job(write_job(MANY, LOOK), options)
    folder = result.folder
    found = by_status(folder)
    looks = folder.scores_at(store.FIRST_LOOK)
    assert set(looks) == {"baseline", *(f"c00{n}" for n in range(1, 10))}
    best = sorted(looks.keys() - {"baseline"}, key=lambda name: looks[name].total_db)
    assert sorted(found[store.SOLVED]) == sorted(["baseline", *best[:3]])
    assert sorted(found[store.LOOKED_AT]) == sorted(best[3:])
    assert not result.has_failures
    rows = rank_run(folder)
    assert [row.status for row in rows] == 4 * ["ranked"] + 6 * ["looked at"]
    assert [row.candidate.id for row in rows[4:]] == best[3:]  # in the order of their looks
    assert rows[4].reasons[0].startswith("first look: ")
    assert not (folder.path / "candidates" / best[3]).exists()
    (remark,) = [r for r in folder.load_record().remarks if r.startswith("first look")]
    assert "3 of 9 candidates are promising: the best 30 per cent" in remark


def test_what_had_a_first_look_only_is_one_line_and_no_failure_on_the_page(
    write_job, stub, options
):
    folder = run_job(write_job(MANY, LOOK), options).folder
    view = view_of(folder, folder.load_job(), folder.load_record())
    assert [row.status for row in view.rows] == 4 * ["ranked"]
    looked_at = [row for row in rank_run(folder) if row.status == "looked at"]
    line = f"6 were solved as drafts only, the best of them {looked_at[0].candidate.id} at "
    assert [remark for remark in view.remarks if remark.startswith(line)]
    assert grouped_failures(view) == ()


def test_finalists_are_solved_once_more_and_lead_the_ranking(write_job, stub, options):
    result = run_job(write_job(MANY, FINALS), options)
    finals = result.folder.scores_at(store.FINALS)
    leaders = [row for row in result.rows if not row.candidate.is_baseline][:2]
    assert set(finals) == {"baseline", *(row.candidate.id for row in leaders)}
    for row in leaders:
        total_db = finals[row.candidate.id].total_db
        assert row.candidate.final_db == total_db
        assert f"finalist: {total_db:.2f} dB at a better quality" in row.reasons


def test_the_baseline_is_its_own_shape_at_every_stage(write_job, stub, options):
    job = write_job(MANY, BOTH)
    run_job(job, options)
    planned = 1
    assert stub.shapes.count("plain") == planned + 3  # its look, in full, beside the finalists


def test_what_disappoints_at_a_better_quality_falls_behind_the_other_finalist(
    write_job, stub, options
):
    result = run_job(write_job(MANY, FINALS), options)
    first, second = [row.candidate.id for row in result.rows if not row.candidate.is_baseline][:2]
    finals = result.folder.scores_at(store.FINALS)
    worse = replace(finals[first], total_db=finals[second].total_db + 2.0)
    result.folder.enter_stage(first, store.FINALS, worse)
    again = [row.candidate.id for row in rank_run(result.folder) if not row.candidate.is_baseline]
    assert again[:2] == [second, first]


def test_a_run_in_stages_that_is_stopped_ends_as_an_undisturbed_one(
    write_job, stub, options, tmp_path
):
    job = write_job(("candidates = 3", 'plan = "directed"\ncandidates = 12'), BOTH)
    undisturbed = run_job(job, replace(options, results=tmp_path / "other"))
    number = len(stub.solved)
    for stop in range(3, number, 17):
        stub.solved.clear()
        stub.on_solve = lambda band, stop=stop: _stop(stub, stop)
        with suppress(KeyboardInterrupt):  # the last stops come after the end
            resume_run(only(options), options) if options.results.exists() else run_job(
                job, options
            )
    stub.on_solve = lambda band: None
    resumed = resume_run(only(options), options)
    assert repr(resumed.rows) == repr(undisturbed.rows)
    for stage in (store.FIRST_LOOK, store.FINALS):
        assert repr(resumed.folder.scores_at(stage)) == repr(undisturbed.folder.scores_at(stage))


def test_a_candidate_whose_status_was_lost_in_a_power_cut_is_not_left_waiting(
    write_job, stub, options
):
    """Its score and its status are entered one after the other: the log may end in between."""
    folder = run_job(write_job(MANY, LOOK), options).folder
    ranking = repr(rank_run(folder))
    worst = by_status(folder)[store.LOOKED_AT][0]
    folder.update_candidate(worst, status=store.WAITING)
    stub.solved.clear()
    resume_run(folder.path, options)
    assert repr(rank_run(folder)) == ranking
    assert stub.solved == []


def test_the_best_draft_is_told_while_nothing_is_solved_in_full(
    write_job, stub, options, monkeypatch, capsys
):
    stub.on_solve = lambda band: _stop(stub, 20)
    with suppress(KeyboardInterrupt):
        run_job(write_job(MANY, LOOK), options)
    folder = open_run(only(options))
    looks = folder.scores_at(store.FIRST_LOOK)
    best = min(looks.keys() - {"baseline"}, key=lambda name: looks[name].total_db)
    counts = folder.counts()
    assert (counts.best, counts.best_look) == (None, (best, looks[best].total_db))
    monkeypatch.setattr(overview.RunFolder, "is_worked_on", property(lambda self: True))
    assert main(["status", str(options.results)]) == 0
    line = f"  best so far: {best} at {looks[best].total_db:.2f} dB as a draft"
    assert line in capsys.readouterr().out.splitlines()
    stub.on_solve = lambda band: None
    counts = resume_run(folder.path, options).folder.counts()
    assert counts.best is not None
    assert counts.best_look is None


def only(options):
    (path,) = options.results.iterdir()
    return path


def _stop(stub, number):
    if len(stub.solved) >= number:
        raise KeyboardInterrupt


def test_a_shape_that_fails_its_first_look_is_a_failure(write_job, stub, options):
    stub.fail_mesh = lambda values: values.get("lens.opening_height_mm", 0) > 140
    result = run_job(write_job(MANY, LOOK), options)
    assert result.has_failures
    failed = [row for row in result.rows if row.status == "failed"]
    assert failed
    assert all("gmsh can mesh" in row.reasons[0] for row in failed)


def test_what_is_promising_but_was_not_solved_in_time_waits(write_job, stub, options, monkeypatch):
    now = [datetime(2026, 1, 30, 22, 15, tzinfo=UTC)]

    def tick(band):
        now[0] += timedelta(seconds=60)

    stub.on_solve = tick
    end = now[0] + timedelta(minutes=50)  # ten looks take 40
    options = replace(options, workers=1, now=lambda: now[0], deadline=end)
    result = run_job(write_job(MANY, LOOK), options)
    assert now[0] <= end
    found = by_status(result.folder)
    assert found[store.WAITING]
    assert not result.has_failures
    assert any("left unsolved" in remark for remark in result.folder.load_record().remarks)
    resumed = resume_run(result.folder.path, replace(options, deadline=None))
    assert len(by_status(resumed.folder)[store.SOLVED]) == 4


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("[first_look]\nkeep_pct = 0", "first_look.keep_pct' '0'. Must be a number from 1 to 100"),
        ("[first_look]\nper_octave = 5", "first_look.per_octave' '5'. Must be one of 3, 6, 12"),
        ("[first_look]\nquality = 'x'", "first_look.quality"),
        ("[finalists]\ncount = -1", "finalists.count' '-1'. Must be a whole number from 0 to 20"),
        (
            "[finalists]\nbetter_quality = 'draft'",
            "finalists.better_quality' 'draft'. Must be one of standard",
        ),
    ],
)
def test_wrong_stages_are_refused(write_job, text, match):
    with pytest.raises(JobError, match=match):
        load_job(write_job(('quality = "draft"', f'quality = "draft"\n{text}')))
