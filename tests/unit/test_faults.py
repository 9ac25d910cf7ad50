# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs in processes of their own, disturbed at random moments; many more in the benchmark.

The seed is in the message of a test that fails: `disturbing.disturbed` with it does the same.
"""

import json
import os
import time

import disturbing
import pytest
import small_job

from bafflelens import store
from bafflelens.base.errors import StoreError
from bafflelens.report.summary import rank_run
from bafflelens.run.pipeline import resume_run, run_job


@pytest.mark.parametrize("name", disturbing.KINDS)
def test_a_disturbed_run_ends_as_an_undisturbed_one(name, tmp_path):
    """One fault a time; which, and when, is drawn."""
    kind = disturbing.KINDS[name]
    job = small_job.write(tmp_path / "job", *kind.changes)
    alone = disturbing.undisturbed(job, kind, tmp_path / "undisturbed")
    seed = time.time_ns() % 10**6
    faults = ("kill a worker", "kill the run", "kill the run, cut the newest file short")
    fault = faults[seed % len(faults)]
    found = disturbing.disturbed(job, kind, tmp_path / "disturbed", fault, alone, seed)
    said = f"seed {seed}, {found}"
    assert found.codes[-1] == 0, said
    assert found.ranking == alone.ranking, said
    assert found.repeated <= disturbing.most_repeated(kind, found), said


# ----------------------------------------------- each file of a run folder, cut short


CUT = {
    "run.json": (0, 0),
    "catalog.sqlite": (0, 0),
    "candidates.jsonl": (0, 0),
    "status.json": (0, 0),
    "log.txt": (0, 0),
    "report.html": (0, 0),
    "candidates/c001/directivity.nc": (1, 4),
    "candidates/c001/mesh.npz": (1, 4),
}


def test_whichever_file_is_cut_short_the_run_goes_on(write_job, options, stub):
    """For each file: how many meshes and bands are made again."""
    folder = run_job(write_job(), options).folder
    ranking = repr(rank_run(folder))
    kept = {path: path.read_bytes() for path in folder.path.rglob("*") if path.is_file()}
    for name, (meshed, solved) in CUT.items():
        for share in (0.0, 0.6) if name == "catalog.sqlite" else (0.6,):
            for path, content in kept.items():
                path.write_bytes(content)
            os.truncate(folder.path / name, int(share * (folder.path / name).stat().st_size))
            stub.meshed.clear()
            stub.solved.clear()
            assert repr(resume_run(folder.path, options).rows) == ranking, (name, share)
            trial_meshes = 2  # of the plan
            again = len(stub.meshed) - trial_meshes, len(stub.solved)
            assert again == (meshed, solved), (name, share)
            assert folder.load_record().status == store.FINISHED


def test_what_is_mended_is_told(write_job, options):
    folder = run_job(write_job(), options).folder
    (folder.path / "catalog.sqlite").write_bytes(b"")
    (folder.path / "candidates/c002/directivity.nc").write_bytes(b"")
    (folder.path / "run.json").write_text("{", encoding="utf-8")
    resume_run(folder.path, options)
    log = (folder.path / "log.txt").read_text(encoding="utf-8")
    assert "the catalogue was damaged and is made anew from what is solved" in log
    assert "c002 was damaged and is solved again" in log
    assert "the record is begun anew: Invalid run record" in log
    (remark,) = folder.load_record().remarks
    assert remark.startswith("the record of this run was damaged and begun anew")


def test_without_the_list_of_candidates_a_damaged_catalogue_is_one_line(write_job, options):
    """As in the folder of an older version."""
    folder = run_job(write_job(), options).folder
    (folder.path / "catalog.sqlite").write_bytes(b"no database at all, but long enough" * 99)
    (folder.path / "candidates.jsonl").unlink()
    with pytest.raises(StoreError, match=r"candidates.jsonl'. Must be in a folder that can"):
        resume_run(folder.path, options)
    assert (folder.path / "catalog.sqlite").exists()


def test_a_run_that_another_process_works_on_is_not_mended(write_job, options):
    folder = run_job(write_job(), options).folder
    (folder.path / "run.json").write_text("{", encoding="utf-8")
    expected = "one that no other process is working on"
    with folder.locked(), pytest.raises(StoreError, match=expected):
        resume_run(folder.path, options)
    with pytest.raises(json.JSONDecodeError):
        json.loads((folder.path / "run.json").read_text(encoding="utf-8"))
