# SPDX-License-Identifier: GPL-3.0-or-later
"""Run folders: what is written comes back, and what cannot be written is one clear line."""

import errno
import json
import math
import os
import shutil
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from bafflelens import store
from bafflelens.base import writing
from bafflelens.base.errors import StoreError
from bafflelens.bem.sweep import BandResult, FrequencyOutcome
from bafflelens.job.job_file import load_job
from bafflelens.mesh.mesh import Mesh
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.scoring.score import Score, Term
from bafflelens.store import TaskRecord, create_run, open_run
from bafflelens.store.run_record import first_record, keep_journal

CANDIDATES = [
    CandidateResult(
        id="baseline",
        label="plain",
        is_baseline=True,
        values={"cabinet.width_mm": 210.0},
        score=None,
        status=store.WAITING,
    ),
    CandidateResult(
        id="c001",
        label="lens",
        is_baseline=False,
        values={"lens.depth_mm": 20.5, "cabinet.width_mm": 210.0},
        score=None,
        status=store.WAITING,
    ),
]


@pytest.fixture
def loaded(write_job):
    return load_job(write_job())


@pytest.fixture
def folder(tmp_path, loaded):
    return create_run(tmp_path / "results", loaded, CANDIDATES, first_record(loaded))


def band_result(frequency_hz=2000.0):
    outcome = FrequencyOutcome(
        frequency_hz=frequency_hz,
        status="solved",
        reason="",
        iterations=12,
        residual=1e-6,
        seconds=0.5,
        unknowns=100,
        power_balance=0.99,
    )
    return BandResult(
        frequencies_hz=np.array([frequency_hz]),
        far_field=np.full((1, 1, 3), 1 + 2j),
        cross_power=np.array([[[0.5 + 0j]]]),
        outcomes=(outcome,),
    )


def test_a_new_run_holds_the_job_and_its_scripts(folder, loaded):
    assert folder.name.startswith("small_2")
    assert folder.name.endswith("Z")
    assert (folder.path / "job.toml").read_text(encoding="utf-8") == loaded.text
    again = folder.load_job()
    assert again.job == loaded.job
    assert again.shape.script != loaded.shape.script
    assert again.shape.script.read_bytes() == loaded.shape.script.read_bytes()
    assert [entry.name for entry in sorted(folder.path.parent.iterdir())] == [folder.name]


def test_a_changed_script_does_not_change_a_run(folder, loaded):
    loaded.shape.script.write_text("broken(", encoding="utf-8")
    assert folder.load_job().shape.name == "lens"


STEP_DECLARATION = """
title = "From CAD"
step = "part.step"
other_faces = "cabinet"
[surfaces]
dome = { points_mm = [[0, 0, 0]] }
[[sources]]
name = "tweeter"
axis = [1, 0, 0]
centre_mm = [0, 0, 0]
piston_surfaces = ["dome"]
inner_radius_mm = 13
outer_radius_mm = 16
"""
CLAY_DECLARATION = """
title = "Clay formed after part.toml"
nominal = "part.toml"
deviation = "clay_deviation.npz"
"""


@pytest.mark.parametrize("name", ["part", "clay"])
def test_a_run_keeps_the_files_of_a_solid_made_elsewhere(tmp_path, write_job, name):
    """The clay's nominal shape is a CAD file: two declarations lie side by side."""
    searched = "opening_height_mm = { from = 90, to = 160 }\ndepth_mm = { from = 10, to = 40 }\n"
    path = write_job(
        ("[geometry.lens]\n", ""),
        (searched, ""),
        ('"lens.py"', f'"{name}.toml"'),
        ("candidates = 3", 'plan = "list"'),
    )
    (tmp_path / "part.toml").write_text(STEP_DECLARATION)
    (tmp_path / "clay.toml").write_text(CLAY_DECLARATION)
    (tmp_path / "part.step").write_text("kept as it is")
    (tmp_path / "clay_deviation.npz").write_bytes(b"kept, too")
    folder = create_run(tmp_path / "results", (job := load_job(path)), [], first_record(job))
    shape = folder.load_job().shape
    assert shape.script == folder.path.absolute() / "shapes" / "geometry" / f"{name}.toml"
    kept = {file.name for file in shape.script.parent.iterdir()}
    assert kept == {f"{name}.toml", *(file.name for file in shape.companions)}
    assert (shape.script.parent / "part.step").read_text() == "kept as it is"


def test_runs_never_share_a_folder(tmp_path, loaded, monkeypatch):
    now = store.records.moment()
    monkeypatch.setattr(store.folders, "moment", lambda: now)
    names = {
        create_run(tmp_path / "results", loaded, CANDIDATES, first_record(loaded)).name
        for _ in range(3)
    }
    base = f"small_{now:%Y%m%dT%H%M%SZ}"
    assert names == {base, f"{base}-1", f"{base}-2"}


def test_the_record_comes_back_and_names_no_place(folder, tmp_path):
    record = folder.load_record()
    assert record.status == store.RUNNING
    assert record.versions["bafflelens"]
    assert record.host["processors"] >= 1
    assert str(tmp_path) not in (folder.path / "run.json").read_text(encoding="utf-8")
    assert str(Path.home()) not in (folder.path / "run.json").read_text(encoding="utf-8")


def test_the_catalogue_comes_back(folder):
    assert list(folder.candidates()) == CANDIDATES
    term = Term(
        name="vertical_control",
        value_db=2.5,
        tolerance_db=0.5,
        weight=2.0,
        excess_db=2.0,
        note="floor 2 dB",
    )
    unjudged = Term(
        name="on_axis_ripple",
        value_db=math.nan,
        tolerance_db=0.5,
        weight=1.0,
        excess_db=0.0,
        note="steps too wide",
    )
    score = Score(terms=(term, unjudged), total_db=4.0, gaps=("2000 Hz failed",))
    folder.update_candidate("c001", status=store.SOLVED, score=score, reasons=["2000 Hz failed"])
    folder.update_candidate("baseline", status=store.FAILED, reasons=["mesh: no"])
    baseline, lens = folder.candidates()
    assert (baseline.status, baseline.reasons, baseline.score) == ("failed", ("mesh: no",), None)
    assert lens.reasons == ("2000 Hz failed",)
    assert lens.score.terms[0] == term
    assert math.isnan(lens.score.terms[1].value_db)
    assert lens.score.total_db == 4.0
    assert lens.score.gaps == ("2000 Hz failed",)
    folder.update_candidate("c001", status=store.SOLVED, score=score)
    assert len(folder.candidates()[1].score.terms) == 2


def test_a_newer_catalogue_is_refused(folder):
    with sqlite3.connect(folder.path / "catalog.sqlite") as catalog:
        catalog.execute("PRAGMA user_version = 99")
    catalog.close()
    with pytest.raises(StoreError, match=r"of version '99'. Must be of version 1"):
        folder.candidates()


def test_a_damaged_catalogue_is_one_line(folder):
    (folder.path / "catalog.sqlite").write_bytes(
        b"not a database, but long enough for a header" * 99
    )
    with pytest.raises(StoreError, match=r"that is whole .*`bafflelens resume` makes it anew"):
        folder.candidates()


def test_a_newer_or_damaged_record_is_refused(folder):
    path = folder.path / "run.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps({**content, "format": 99}), encoding="utf-8")
    with pytest.raises(StoreError, match="made by this version of bafflelens or an older one"):
        folder.load_record()
    path.write_text("{", encoding="utf-8")
    with pytest.raises(StoreError, match="Must be a run record written by bafflelens"):
        folder.load_record()


def test_bands_come_back_and_damaged_ones_are_left_out(folder):
    folder.save_band("c001", 0, band_result())
    folder.save_band("c001", 1, band_result(4000.0))
    bands = folder.load_bands("c001")
    assert sorted(bands) == [0, 1]
    assert bands[1].outcomes == band_result(4000.0).outcomes
    np.testing.assert_array_equal(bands[0].far_field, band_result().far_field)
    path = folder.path / "candidates" / "c001" / "bands" / "001.npz"
    path.write_bytes(path.read_bytes()[:200])
    assert sorted(folder.load_bands("c001")) == [0]
    assert folder.load_bands("baseline") == {}


def test_a_damaged_mesh_is_one_line(folder):
    folder.save_mesh("c001", Mesh(np.eye(3), np.array([[0, 1, 2]]), np.array(["dome"])))
    assert folder.load_mesh("c001").n_triangles == 1
    path = folder.path / "candidates" / "c001" / "mesh.npz"
    path.write_bytes(path.read_bytes()[:200])
    with pytest.raises(StoreError, match="Must be a mesh saved by bafflelens"):
        folder.load_mesh("c001")


def test_files_are_whole_or_not_there(folder):
    with pytest.raises(TypeError), writing.replacing(folder.path / "new.txt") as stream:
        stream.writelines([b"half", None])
    assert not list(folder.path.glob("new.txt*"))


def test_files_are_not_overwritten(folder):
    with pytest.raises(StoreError, match="Must be a new name: results are never overwritten"):
        store.write_file(folder.path / "job.toml", b"")


def test_a_full_disk_is_one_line(folder, monkeypatch):
    def full(_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreError, match=r"Must be in a folder that can be written \(No space"):
        folder.save_band("c001", 0, band_result())
    assert folder.load_bands("c001") == {}


def test_a_results_folder_that_cannot_be_made_is_one_line(tmp_path, loaded):
    (tmp_path / "results").write_text("a file", encoding="utf-8")
    with pytest.raises(StoreError, match=r"Invalid path '.*results'. Must be in a folder that"):
        create_run(tmp_path / "results", loaded, CANDIDATES, first_record(loaded))


def test_what_stops_the_making_leaves_nothing(tmp_path, loaded, monkeypatch):
    def full(*_, **__):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(shutil, "copyfile", full)
    with pytest.raises(StoreError, match="No space left"):
        create_run(tmp_path / "results", loaded, CANDIDATES, first_record(loaded))
    assert not list((tmp_path / "results").iterdir())


@pytest.mark.parametrize("name", ["missing", "."])
def test_what_is_no_run_folder_is_refused(tmp_path, name):
    with pytest.raises(StoreError, match=r"Must be the folder of a run, with a run.json"):
        open_run(tmp_path / name)


def test_only_one_process_works_on_a_run(folder):
    expected = "one that no other process is working on"
    other = open_run(folder.path)
    with folder.locked(), pytest.raises(StoreError, match=expected), other.locked():
        pass
    with open_run(folder.path).locked():
        pass


def test_the_report_replaces_the_last_one_when_it_is_whole(folder):
    folder.write_report(lambda path: path.write_text("first", encoding="utf-8"))

    def broken(path):
        path.write_text("half", encoding="utf-8")
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        folder.write_report(broken)
    assert folder.report_path.read_text(encoding="utf-8") == "first"
    assert not list(folder.path.glob("*.part"))


def test_the_journal_ends_with_the_right_status(folder):
    failed = TaskRecord(
        candidate="c001", task="mesh", status=store.FAILED, seconds=1.0, reason="no"
    )
    with keep_journal(folder) as journal:
        assert folder.load_record().status == store.RUNNING
        journal.add_task(failed, "Traceback of it")
        with journal.step("meshing"):
            pass
        journal.has_failures = True
    record = folder.load_record()
    assert record.status == store.FINISHED_WITH_FAILURES
    assert record.tasks == (failed,)
    assert "meshing" in record.timing_s
    assert record.finished_utc >= record.created_utc
    log = (folder.path / "log.txt").read_text(encoding="utf-8")
    assert "c001 mesh failed: no" in log
    assert "Traceback of it" in log


@pytest.mark.parametrize(
    ("error", "status"),
    [(KeyboardInterrupt, store.INTERRUPTED), (ZeroDivisionError, store.STOPPED)],
)
def test_the_journal_is_closed_whatever_happens(folder, error, status):
    with pytest.raises(error), keep_journal(folder):
        raise error
    assert folder.load_record().status == status


def test_work_done_again_replaces_its_record(folder):
    for status in (store.FAILED, store.DONE):
        with keep_journal(folder) as journal:
            journal.add_task(TaskRecord(candidate="c001", task="mesh", status=status, seconds=1.0))
    assert [task.status for task in folder.load_record().tasks] == [store.DONE]


def test_while_a_thread_keeps_the_catalogue_open_others_read_it_too(folder):
    """As pages do while one of them has a shape carved."""
    with folder.kept_open(), ThreadPoolExecutor(1) as elsewhere:
        found = elsewhere.submit(folder.candidates).result()
        assert found == folder.candidates()
        assert [candidate.id for candidate in found] == ["baseline", "c001"]
