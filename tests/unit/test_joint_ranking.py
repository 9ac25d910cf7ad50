# SPDX-License-Identifier: GPL-3.0-or-later
"""Several runs in one ranking."""

from dataclasses import replace

import pytest

from bafflelens import report
from bafflelens.base.errors import InputError
from bafflelens.base.progress import Silent
from bafflelens.report import summary
from bafflelens.report.joint_ranking import rank_together
from bafflelens.report.summary import rank_run
from bafflelens.run.options import RunOptions
from bafflelens.run.pipeline import run_job
from bafflelens.scoring.ranking import Remeshing


class Told(Silent):
    def __init__(self):
        self.lines = []

    def say(self, text):
        self.lines.append(text)


@pytest.fixture
def run(tmp_path, stub, open_pool, monkeypatch, write_job):
    """Return a function that carries out the small job, changed, in a folder of its own."""
    monkeypatch.setattr(report, "write_report", lambda view, path: path.write_text(view.title))
    monkeypatch.setattr(summary, "leader_pictures", lambda *_: ())
    monkeypatch.setattr(summary, "_target_picture", lambda loaded: b"")

    def carry_out(name, *changes):
        options = RunOptions(
            results=tmp_path / "results", methods=stub.methods, open_pool=open_pool
        )
        job = write_job(*changes)
        return run_job(job.rename(job.with_name(f"{name}.toml")), options).folder

    return carry_out


def scores(rows):
    return {row.candidate.id: row.candidate.score.total_db for row in rows}


def test_runs_judged_alike_keep_their_scores_and_come_in_one_order(run, stub):
    folders = [run("one"), run("two", ("candidates = 3", "candidates = 2\nseed = 7"))]
    solved = len(stub.solved)
    told = Told()
    joint = rank_together(folders, told)
    assert told.lines == []
    assert len(stub.solved) == solved
    expected = {}
    for folder in folders:
        expected |= {f"{folder.name}/{k}": v for k, v in scores(rank_run(folder)).items()}
    assert scores(joint.rows) == expected
    totals = [row.candidate.score.total_db for row in joint.rows]
    assert totals == sorted(totals)
    assert [row.candidate.is_baseline for row in joint.rows].count(True) == 2
    best = joint.rows[0].candidate.id
    folder, own = joint.origin[best]
    assert best == f"{folder.name}/{own}"
    first_baseline = expected[f"{folders[0].name}/baseline"]
    assert joint.rows[0].better_by_db == pytest.approx(first_baseline - totals[0])


def test_a_run_judged_otherwise_is_judged_anew_by_the_first(run):
    plain = run("plain")
    other = run("other", ("[solve]", "[score.vertical_control]\nweight = 3\n[solve]"))
    told = Told()
    joint = rank_together([plain, other], told)
    assert told.lines == [f"judging {other.name} anew by the job of the first run"]
    found = scores(joint.rows)
    for name in ("baseline", "c001", "c002", "c003"):  # the same shapes, so the same scores
        assert found[f"{other.name}/{name}"] == pytest.approx(found[f"{plain.name}/{name}"])
    kept = scores(rank_run(other))
    assert kept["c001"] != pytest.approx(found[f"{other.name}/c001"])


def test_an_older_run_is_judged_by_the_terms_of_today(run):
    folder = run("one")
    (first, *_) = (c for c in folder.candidates() if c.id == "c001")
    fewer = replace(first.score, terms=first.score.terms[:5], total_db=1.0)
    folder.update_candidate("c001", status="solved", score=fewer)
    joint = rank_together([folder], Silent())
    assert scores(joint.rows)[f"{folder.name}/c001"] == pytest.approx(first.score.total_db)


def test_what_could_not_be_judged_is_not_the_better_for_it(run):
    """Third-octaves of the small job do not show ripple; twelfths do."""
    coarse = run("coarse")
    fine = run("fine", ("per_octave = 3", "per_octave = 24"))
    assert any(not t.is_judged for c in coarse.candidates() for t in c.score.terms)
    joint = rank_together([fine, coarse], Silent())
    status = {row.candidate.id.partition("/")[0]: row.status for row in joint.rows}
    assert status == {fine.name: "ranked", coarse.name: "incomplete"}
    reason = joint.rows[-1].reasons[0]
    assert reason.startswith("on axis ripple is not judged: frequencies too far apart")
    assert reason.endswith("but was judged in other runs")
    alone = rank_together([coarse], Silent())
    assert {row.status for row in alone.rows} == {"ranked"}


def test_the_largest_of_the_smallest_differences_counts(run):
    folders = [run("one"), run("two", ("candidates = 3", "candidates = 1"))]
    wide = Remeshing(candidate="c001", scores_db=(1.0, 2.0))
    folders[1].save_record(replace(folders[1].load_record(), remeshing=wide))
    assert rank_together(folders, Silent()).remeshing == wide


def test_what_failed_stays_in_the_list(run, stub):
    good = run("good")
    stub.fail_mesh = lambda values: values.get("lens.opening_height_mm", 0) > 140
    poor = run("poor", ("[solve]", "[score.vertical_control]\nweight = 3\n[solve]"))
    joint = rank_together([good, poor], Silent())
    failed = [row for row in joint.rows if row.status == "failed"]
    assert failed
    assert all(row.candidate.id.startswith(f"{poor.name}/") for row in failed)
    assert "Invalid shape" in failed[0].reasons[0]


def test_a_run_named_twice_is_refused(run):
    folder = run("one")
    with pytest.raises(InputError, match=r"Invalid run folder 'one_\w+'. Must be named once"):
        rank_together([folder, folder], Silent())
