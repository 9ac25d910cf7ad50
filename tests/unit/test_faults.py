# SPDX-License-Identifier: GPL-3.0-or-later
"""A run in processes of its own, disturbed, and run folders whose files are damaged.

Many runs of several kinds are disturbed at random moments in ``tests/benchmarks/faults.py``, those
of the real mesher and solver in ``real_faults.py``.
"""

import json
import os
import shutil
import signal
import sqlite3
import threading
import time
from collections import Counter
from contextlib import closing, contextmanager
from dataclasses import replace

import disturbing
import pytest
import small_job
import stand_ins

from bafflelens import store
from bafflelens.base.errors import DamagedError, StoreError
from bafflelens.report.summary import rank_run
from bafflelens.run.pipeline import resume_run, run_job
from bafflelens.store import open_run
from bafflelens.workers.caching.solved import CacheSettings, content_of

STAGES = disturbing.KINDS["directed in stages"].changes


def alone(job, kind, options, monkeypatch):
    """Return what becomes of the job in this process, where nothing disturbs it."""
    log = job.parent / "work.log"

    @contextmanager
    def logged_pool(**given):
        with monkeypatch.context() as patched, options.open_pool(**given) as pool:
            patched.setenv("STAND_IN_LOG", str(log))
            yield pool

    folder = run_job(
        job, replace(options, methods=stand_ins.METHODS, open_pool=logged_pool)
    ).folder
    work = disturbing.work_done(log)
    seconds = kind.seconds * disturbing.pieces(work) / disturbing.WORKERS
    return disturbing.Alone(repr(rank_run(open_run(folder.path))), work, seconds)


@pytest.mark.slow
def test_a_disturbed_run_ends_as_an_undisturbed_one(tmp_path, options, monkeypatch):
    """The seed draws when, and how much; what goes on then, no seed can say."""
    kind = disturbing.KINDS["directed in stages"]
    job = small_job.write(tmp_path / "job", *kind.changes)
    expected = alone(job, kind, options, monkeypatch)
    fault = "kill the run, cut the newest file short"
    found = disturbing.disturbed(job, kind, tmp_path / "disturbed", fault, expected, seed=2)
    assert found.codes[0] == -signal.SIGKILL, found
    assert found.codes[-1] == 0, found
    assert found.ranking == expected.ranking, found
    assert found.repeated <= disturbing.most_repeated(kind, found), found


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
    ranking = repr(rank_run(folder, loaded=folder.load_job()))
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


def test_a_catalogue_damaged_in_any_way_is_made_anew(write_job, options, stub):
    """It holds all candidates again, and a run goes on from there without solving anything."""
    folder = run_job(write_job(), options).folder
    ranking = repr(rank_run(folder, loaded=folder.load_job()))
    known = {(c.id, *c.values.items()) for c in folder.candidates()}
    path = folder.path / "catalog.sqlite"
    sound = path.read_bytes()
    damages = {
        "emptied": b"",
        "a text": b"Dear shop, please find enclosed.\n" * 999,
        "overwritten": sound[:5000] + b"\xff" * (len(sound) - 8000) + sound[-3000:],
        **{f"cut at {at}": sound[:at] for at in (1, 99, 4096, len(sound) // 2, len(sound) - 4096)},
    }
    for what, content in damages.items():
        path.write_bytes(content)
        assert folder.mend() == (
            "the catalogue was damaged and is made anew from what is solved",
        ), what
        assert {(c.id, *c.values.items()) for c in folder.candidates()} == known, what
    path.write_bytes(damages["overwritten"])
    stub.solved.clear()
    assert repr(resume_run(folder.path, options).rows) == ranking
    assert stub.solved == []


def test_who_reads_while_a_catalogue_is_made_anew_finds_all_candidates(write_job, options):
    """A page of another process ranks the run whenever its files change."""
    folder = run_job(write_job(), options).folder
    known, found = {c.id for c in folder.candidates()}, set()
    is_over = threading.Event()

    def read() -> None:
        other = open_run(folder.path)
        while not is_over.is_set():
            found.add(frozenset(c.id for c in other.candidates()))

    reader = threading.Thread(target=read)
    reader.start()
    for _ in range(40):
        folder.renew_catalogue()
    is_over.set()
    reader.join()
    assert found == {frozenset(known)}
    assert [path.name for path in folder.path.glob("catalog.sqlite.part*")] == []


def test_a_renewal_that_was_cut_short_is_begun_again(write_job, options):
    folder = run_job(write_job(), options).folder
    known = {c.id for c in folder.candidates()}
    (folder.path / "catalog.sqlite").write_bytes(b"")
    (folder.path / "catalog.sqlite.part").write_bytes(b"Dear shop, please find enclosed.")
    (folder.path / "catalog.sqlite.part-wal").write_bytes(b"...")
    folder.mend()
    assert {c.id for c in folder.candidates()} == known


def test_a_catalogue_without_its_baseline_is_said_and_mended(write_job, options):
    folder = run_job(write_job(), options).folder
    ranking = repr(rank_run(folder, loaded=folder.load_job()))
    with closing(sqlite3.connect(folder.path / "catalog.sqlite")) as catalog, catalog:
        for table in ("parameters", "scores"):
            catalog.execute(f"DELETE FROM {table} WHERE candidate_id = 'baseline'")
        catalog.execute("DELETE FROM candidates WHERE is_baseline")
    with pytest.raises(DamagedError, match=r"Must be one that holds the baseline: continue the"):
        rank_run(folder)
    assert repr(resume_run(folder.path, options).rows) == ranking


@pytest.fixture(scope="module")
def stages_run(run_in, tmp_path_factory):
    """Return a finished run in stages, and its ranking."""
    folder = run_in(tmp_path_factory.mktemp("stages"), "", *STAGES)
    return folder.path, repr(rank_run(folder, loaded=folder.load_job()))


@pytest.fixture
def in_stages(stages_run, tmp_path):
    """Return a copy of that run, to be damaged, and the ranking."""
    path, ranking = stages_run
    return open_run(shutil.copytree(path, tmp_path / path.name)), ranking


CHANGED = (
    ("scores", "excess_db = excess_db + 0.1"),
    ("parameters", "value = value + 1"),
    ("candidates", "total_db = total_db - 1"),
    ("stages", "score = replace(score, '0', '1')"),
)


@pytest.mark.parametrize(("table", "change"), CHANGED, ids=[table for table, _ in CHANGED])
def test_a_digit_that_has_changed_is_seen(table, change, in_stages, options, stub):
    """SQLite itself reads it without a word."""
    folder, ranking = in_stages
    column = "id" if table == "candidates" else "candidate_id"
    with closing(sqlite3.connect(folder.path / "catalog.sqlite")) as catalog, catalog:
        (name,) = catalog.execute(f"SELECT MAX({column}) FROM {table}").fetchone()
        changed = catalog.execute(f"UPDATE {table} SET {change} WHERE {column} = ?", (name,))
        assert changed.rowcount > 0
    expected = rf"as it was written: {name} has changed since; `bafflelens resume` makes it anew"
    with pytest.raises(DamagedError, match=expected):
        folder.scores_at("first look") if table == "stages" else folder.candidates()
    stub.solved.clear()
    assert repr(resume_run(folder.path, options).rows) == ranking
    assert stub.solved == []


def test_a_catalogue_of_an_older_version_has_nothing_to_compare(write_job, options):
    folder = run_job(write_job(), options).folder
    ranking = repr(rank_run(folder, loaded=folder.load_job()))
    with closing(sqlite3.connect(folder.path / "catalog.sqlite")) as catalog, catalog:
        catalog.execute("DROP TABLE digests")
    assert repr(rank_run(folder, loaded=folder.load_job())) == ranking


def test_a_directed_search_in_stages_survives_the_loss_of_its_catalogue(in_stages, options, stub):
    """It goes by what the catalogue says of its drafts.

    A power cut may also take the log that SQLite writes ahead alone: what was written before is
    sound, and the last candidates are not there.
    """
    folder, ranking = in_stages
    lost = {"c011", "c012"}
    assert lost < {c.id for c in folder.candidates()}
    with closing(sqlite3.connect(folder.path / "catalog.sqlite")) as catalog, catalog:
        for name in lost:
            catalog.execute("DELETE FROM candidates WHERE id = ?", (name,))
            for table in ("parameters", "scores", "stages"):
                catalog.execute(f"DELETE FROM {table} WHERE candidate_id = ?", (name,))
    assert lost.isdisjoint(c.id for c in folder.candidates())
    stub.solved.clear()
    assert repr(resume_run(folder.path, options).rows) == ranking
    log = (folder.path / "log.txt").read_text(encoding="utf-8")
    assert "the catalogue had lost, and has again: c011, c012" in log
    (folder.path / "catalog.sqlite").write_bytes(b"")
    assert repr(resume_run(folder.path, options).rows) == ranking
    assert stub.solved == []


def test_a_lost_cache_costs_the_meshes_of_what_is_open_and_nothing_that_was_solved(
    write_job, options, stub, tmp_path
):
    """Why `disturbing.most_repeated` allows for them where a power cut hits the cache."""
    options = replace(options, cache=CacheSettings(path=tmp_path / "solved.sqlite"))
    job = write_job(*STAGES)
    alone = run_job(job, replace(options, cache=None))
    whole, meshed = Counter(stub.solved), len(stub.meshed)
    stub.solved.clear()
    stub.meshed.clear()

    def stop(band):
        if len(stub.solved) == 9:
            raise KeyboardInterrupt

    stub.on_solve = stop
    with pytest.raises(KeyboardInterrupt):
        run_job(job, options)
    stub.on_solve = lambda band: None
    for path in tmp_path.glob("solved.sqlite*"):
        os.truncate(path, path.stat().st_size // 3)
    folders = {run.path for run in store.run_folders(options.results)} - {alone.folder.path}
    resumed = resume_run(folders.pop(), options)
    assert repr(resumed.rows) == repr(alone.rows)
    assert Counter(stub.solved) == whole
    trial_meshes, most_open = 2, 6  # of the plan; of one worker
    assert 0 < len(stub.meshed) - meshed - trial_meshes <= most_open


def test_what_took_time_is_in_the_cache_at_once(write_job, options, stub, tmp_path):
    """A process that is killed says no word: what it has not written then is lost."""
    path = tmp_path / "solved.sqlite"
    seen = []

    def mesh_shape(*given):
        time.sleep(0.03)
        return stub.mesh_shape(*given)

    def look(band):
        seen.append((len(stub.meshed) - 2, content_of(path).counts["meshes"]))

    stub.on_solve = look
    methods = replace(stub.methods, mesh_shape=mesh_shape)
    run_job(write_job(), replace(options, cache=CacheSettings(path=path), methods=methods))
    assert len(seen) > 4
    assert all(made == kept for made, kept in seen)


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
    message = r"candidates.jsonl'. Must be a readable list of candidates \(No such file"
    with pytest.raises(StoreError, match=message):
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
