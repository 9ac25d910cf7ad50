# SPDX-License-Identifier: GPL-3.0-or-later
"""The queue: order, snapshots, owners, ends; and what another terminal is told."""

import errno
import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import stand_ins

from bafflelens import store
from bafflelens.base.errors import BafflelensError, InputError, JobError, StoreError
from bafflelens.base.sqlite_file import said_clearly
from bafflelens.base.writing import storing
from bafflelens.cli import main
from bafflelens.run.pipeline import run_job
from bafflelens.run.queueing import waiting, working
from bafflelens.run.queueing.overview import KILLED, overview_of, run_overview
from bafflelens.run.queueing.waiting import DONE, FAILED, RUNNING, WAITING, Queue
from bafflelens.run.queueing.working import add_job, work_through_queue
from bafflelens.store import open_run
from bafflelens.store.status_file import Watched, standing_of

REPOSITORY = Path(__file__).parents[2]


@pytest.fixture
def queue(options):
    return Queue(options.results)


@pytest.fixture
def add(queue, options, write_job):
    """Return a function that queues the small job under a title."""

    def add_titled(title, *replacements):
        path = write_job(("A small job", title), *replacements)
        return add_job(queue, path, options)

    return add_titled


def numbers(queue, status=WAITING):
    return [job.number for job in queue.jobs() if job.status == status]


# --------------------------------------------------------------------------------- order


def test_jobs_run_one_after_another_in_the_order_of_the_queue(queue, options, add):
    for title in ("one", "two", "three"):
        add(title)
    queue.move(3, 1)
    assert [job.title for job in queue.waiting()] == ["three", "one", "two"]
    queue.move(3, 99)  # beyond the last is the last
    queue.move(2, 1)
    ended = work_through_queue(queue, options)
    assert [end.job.title for end in ended] == ["two", "one", "three"]
    assert {job.status for job in queue.jobs()} == {DONE}
    for end in ended:
        folder = open_run(options.results / end.job.folder)
        assert folder.load_record().status == store.FINISHED
        assert folder.report_path.read_text(encoding="utf-8") == f"{end.job.title}: finished"
        assert re.fullmatch(r"best c00\d at \d+\.\d\d dB", end.reason)


def test_what_was_queued_is_what_runs(queue, options, add, tmp_path):
    added = add("as it was")
    (tmp_path / "small.toml").write_text("broken(", encoding="utf-8")
    (tmp_path / "lens.py").write_text("broken(", encoding="utf-8")
    (ended,) = work_through_queue(queue, options)
    assert ended.status == DONE
    record = open_run(options.results / added.folder).load_record()
    assert (record.title, record.status) == ("as it was", store.FINISHED)


def test_a_queued_run_is_made_with_what_there_is_when_it_begins(queue, options, add):
    added = add("one")
    folder = open_run(options.results / added.folder)
    record = folder.load_record()
    assert record.status == store.QUEUED
    folder.save_record(replace(record, versions={"bafflelens": "older"}))
    work_through_queue(queue, options)
    assert folder.load_record().versions["bafflelens"] != "older"


def test_a_job_that_fails_does_not_stop_the_next(queue, options, add, monkeypatch):
    for title in ("refused", "broken", "gone", "good"):
        add(title)
    real = working.resume_run

    def resume(folder, given):
        match open_run(folder).load_record().title:
            case "refused":
                raise InputError(["one thing", "another"])
            case "broken":
                msg = "division\nby zero"
                raise ZeroDivisionError(msg)
        return real(folder, given)

    jobs = queue.jobs()
    monkeypatch.setattr(working, "resume_run", resume)
    store.remove_run(open_run(options.results / jobs[2].folder))
    ended = work_through_queue(queue, options)
    assert [end.status for end in ended] == [FAILED, FAILED, FAILED, DONE]
    assert ended[0].reason == "one thing; another"
    assert ended[1].reason == "ZeroDivisionError: division by zero (more in log.txt)"
    assert "Must be the folder of a run" in ended[2].reason
    log = (options.results / jobs[1].folder / "log.txt").read_text(encoding="utf-8")
    assert "Traceback" in log
    assert [job.reason for job in queue.jobs()] == [end.reason for end in ended]


def test_jobs_added_meanwhile_run_too(queue, options, add, stub):
    add("first")

    def add_second(band):
        if len(queue.jobs()) == 1:
            add("second")

    stub.on_solve = add_second
    assert [end.job.title for end in work_through_queue(queue, options)] == ["first", "second"]


def test_shapes_that_fail_are_counted(queue, options, add, stub):
    add("one", ("candidates = 3", "candidates = 8"))
    stub.fail_mesh = lambda values: values.get("lens.opening_height_mm", 0) > 140
    (ended,) = work_through_queue(queue, options)
    assert ended.status == DONE
    assert re.fullmatch(r"best c\d+ at [\d.]+ dB, [1-7] shapes not ranked", ended.reason)


# ----------------------------------------------------------------------- being interrupted


def test_a_job_that_is_stopped_waits_in_its_place_and_goes_on(queue, options, add, stub):
    for title in ("one", "two"):
        add(title)

    def interrupt(band):
        if len(stub.solved) == 5:
            raise KeyboardInterrupt

    stub.on_solve = interrupt
    with pytest.raises(KeyboardInterrupt):
        work_through_queue(queue, options)
    assert [(job.title, job.status) for job in queue.jobs()] == [
        ("one", WAITING),
        ("two", WAITING),
    ]
    assert not queue.is_worked_on
    stub.on_solve = lambda band: None
    solved_before = len(stub.solved)
    assert [end.job.title for end in work_through_queue(queue, options)] == ["one", "two"]
    assert len(stub.solved) == 2 * 4 * 4  # four shapes of four bands each: none is solved twice
    assert solved_before == 5


def test_a_job_whose_program_was_killed_is_tried_again_but_not_for_ever(queue, options, add):
    for title in ("killer", "next"):
        add(title)
    for attempt in range(1, waiting.MOST_ATTEMPTS + 1):
        assert queue.take_next().title == "killer"  # and then the program is killed
        (found,) = queue.recover()
        assert found.attempts == attempt
    assert found.status == FAILED
    assert found.reason == "begun 3 times, and each time the program was killed while it ran"
    assert [end.job.title for end in work_through_queue(queue, options)] == ["next"]


def test_a_full_disk_stops_the_queue_and_fails_no_job(queue, options, add, stub, monkeypatch):
    for title in ("one", "two"):
        add(title)

    def full(self, candidate_id, number, result, **_):
        with storing(self.path):
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(store.RunFolder, "save_band", full)
    monkeypatch.setattr(store, "has_room", lambda results: False)
    with pytest.raises(BafflelensError, match=r"The run was stopped. .*No space left on device"):
        work_through_queue(queue, options)
    assert numbers(queue) == [1, 2]


# -------------------------------------------------------------------------------- owners


def test_two_starts_are_kept_apart(queue, options, add):
    add("one")
    expected = rf"Must be one that nobody works through: process {os.getpid()} on .* does"
    with queue.owned():
        assert queue.is_worked_on
        with pytest.raises(StoreError, match=expected):
            work_through_queue(Queue(options.results), options)
        assert numbers(queue) == [1]
    assert not queue.is_worked_on


def test_a_lock_whose_owner_was_killed_is_free(queue, options, add):
    add("one")
    code = (
        "import sys, time; from pathlib import Path; "
        "from bafflelens.run.queueing.waiting import Queue; queue = Queue(Path(sys.argv[1]))\n"
        "with queue.owned():\n    queue.take_next(); print('held', flush=True); time.sleep(60)"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", code, str(options.results)], stdout=subprocess.PIPE
    )
    with other:
        assert other.stdout.readline() == b"held\n"
        with pytest.raises(StoreError, match=f"process {other.pid} on"), queue.owned():
            pass
        other.kill()
    assert numbers(queue, RUNNING) == [1]
    (ended,) = work_through_queue(queue, options)
    assert (ended.job.number, ended.status) == (1, DONE)


# ----------------------------------------------------------------------------- bad input


def test_only_what_waits_can_be_moved_or_dropped(queue, options, add):
    for title in ("one", "two"):
        add(title)
    queue.take_next()
    with pytest.raises(InputError, match=r"'1'. Must be that of a job that waits: 2; it runs, so"):
        queue.drop(1)
    queue.finish(1, FAILED, "no")
    with pytest.raises(InputError, match=r"number in the queue '1'. .* waits: 2; it is failed"):
        queue.move(1, 2)
    with pytest.raises(InputError, match=r"number in the queue '9'. .* that waits: 2\."):
        queue.move(9, 1)
    with pytest.raises(InputError, match=r"place in the queue '0'. Must be a whole number"):
        queue.move(2, 0)
    folder = options.results / queue.drop(2).folder
    assert not folder.exists()  # nothing was solved in it
    with pytest.raises(InputError, match="there is none"):
        queue.drop(2)


def test_what_was_begun_is_not_removed_with_its_entry(queue, options, add, stub):
    folder = options.results / add("one").folder

    def interrupt(band):
        raise KeyboardInterrupt

    stub.on_solve = interrupt
    with pytest.raises(KeyboardInterrupt):
        work_through_queue(queue, options)
    queue.drop(1)
    assert folder.exists()
    assert queue.jobs() == ()


def test_a_wrong_job_is_not_queued_and_nothing_is_written(queue, options, add):
    with pytest.raises(JobError, match="candidates"):
        add("one", ("candidates = 3", "candidates = 0"))
    assert not options.results.exists()


def test_a_queue_of_a_newer_version_is_refused_and_left_alone(queue, options, add, capsys):
    add("one")
    path = store.queue_path(options.results)
    with sqlite3.connect(path) as database:
        database.execute("PRAGMA user_version = 99")
    database.close()
    before = path.read_bytes(), sorted(options.results.iterdir())
    expected = r"version of the queue '.*queue.sqlite' '99'. Must be at most 1, what this version"
    for change in (lambda: add("two"), queue.jobs, lambda: work_through_queue(queue, options)):
        with pytest.raises(StoreError, match=expected):
            change()
    assert (path.read_bytes(), sorted(options.results.iterdir())) == before
    assert main(["queue", "list", "--results", str(options.results)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert re.search(expected, line)


def test_a_folder_that_cannot_be_written_is_one_line(queue, options, add, monkeypatch):
    add("one")
    before = sorted(options.results.iterdir())

    monkeypatch.setattr(waiting, "connect", _refuse)
    with pytest.raises(StoreError, match=r"queue of bafflelens in a folder that can be written"):
        add("two")
    assert sorted(options.results.iterdir()) == before  # the new run folder has gone again


def _refuse(path, what, version, schema):
    with said_clearly(path, what):
        msg = "attempt to write a readonly database"
        raise sqlite3.OperationalError(msg)


def test_a_results_folder_that_is_a_file_is_one_line(queue, options, add, tmp_path):
    options.results.write_text("a file", encoding="utf-8")
    with pytest.raises(StoreError, match="Must be in a folder that can be written"):
        add("one")
    with pytest.raises(StoreError, match=r"Invalid queue .* in a folder that can be written"):
        work_through_queue(queue, options)


def test_what_is_no_queue_is_refused(queue, options, add):
    add("one")
    store.queue_path(options.results).write_bytes(b"not a database, but long enough" * 99)
    with pytest.raises(StoreError, match=r"Invalid queue .*Must be a queue of bafflelens"):
        queue.jobs()


# ---------------------------------------------------------------------- the command line


@pytest.fixture
def with_stubs(options, monkeypatch):
    from bafflelens.commands import options as shared

    real = shared.run_options
    monkeypatch.setattr(
        shared,
        "run_options",
        lambda *given: replace(real(*given), methods=options.methods, open_pool=options.open_pool),
    )
    return options.results


def test_the_verbs_of_the_queue(write_job, with_stubs, capsys):
    at = ["--results", str(with_stubs)]
    assert main(["queue", "list", *at]) == 0
    assert "the queue is empty" in capsys.readouterr().out
    assert main(["queue", "start", *at]) == 0
    assert "no job is waiting" in capsys.readouterr().out
    job = str(write_job())
    assert main(["queue", "add", job, job, job, *at]) == 0
    assert re.search(r"job 3: A small job \(.*results/small_\S+\)", capsys.readouterr().out)
    assert main(["queue", "move", "3", "1", *at]) == 0
    assert capsys.readouterr().out == "waiting: 3, 1, 2\n"
    assert main(["queue", "drop", "1", *at]) == 0
    assert capsys.readouterr().out == "dropped job 1: A small job\n"
    assert main(["status", str(with_stubs)]) == 0
    printed = capsys.readouterr().out
    assert "nothing runs" in printed
    assert "queue: 2 waiting; it is not running now" in printed
    assert main(["queue", "start", *at]) == 0
    printed = capsys.readouterr()
    assert re.search(r"^job 3 done: best c00\d at [\d.]+ dB \(.*\)$", printed.out, re.MULTILINE)
    assert "job 2: A small job" in printed.err
    assert main(["queue", "list", *at]) == 0
    printed = capsys.readouterr().out
    assert (
        re.search(r"3 +done +A small job +small_\S+ +best c00\d at", printed) or "done" in printed
    )
    assert main(["queue", "drop", "3", *at]) == 2
    assert "it is done" in capsys.readouterr().err


def test_a_queue_with_a_failed_job_is_exit_code_1(write_job, with_stubs, monkeypatch, capsys):
    def fail(*_):
        msg = "no luck"
        raise BafflelensError(msg)

    monkeypatch.setattr(working, "resume_run", fail)
    at = ["--results", str(with_stubs)]
    main(["queue", "add", str(write_job()), *at])
    assert main(["queue", "start", *at]) == 1
    assert "job 1 failed: no luck" in capsys.readouterr().out


# -------------------------------------------------------------------- from another terminal


def test_the_status_tells_what_runs_how_far_and_the_best_so_far(write_job, options, stub, capsys):
    seen = []

    def look(band):
        if len(stub.solved) == 2 * 4 + 1:
            (path,) = (p for p in options.results.iterdir() if p.is_dir())
            folder = open_run(path)
            folder.save_status(
                {**folder.load_status(), "share": 0.25, "left_s": 300.0,
                 "updated_utc": datetime.now(UTC).isoformat()}
            )  # fmt: skip
            seen.append(run_overview(folder))
            assert main(["status", str(options.results)]) == 0

    stub.on_solve = look
    run_job(write_job(), options)
    (run,) = seen
    assert (run.title, run.status, run.standing.step) == (
        "A small job",
        store.RUNNING,
        "meshing and solving",
    )
    assert run.counts.statuses == {"solved": 2, "waiting": 2}
    assert run.counts.best[0] == "c001"
    printed = capsys.readouterr().out
    assert re.search(r"^  meshing and solving, 25%, about (5\.0 min|29\d s) left", printed, re.M)
    assert f"process {os.getpid()} on" in printed
    assert "  4 shapes: 2 solved, 2 waiting" in printed
    assert re.search(r"^  best so far: c001 at \d+\.\d\d dB$", printed, re.M)
    assert main(["status", str(options.results)]) == 0
    assert capsys.readouterr().out == "nothing runs\n"


def test_a_bar_writes_its_share_and_the_time_left(write_job, options, queue, add):
    folder = open_run(options.results / add("one").folder)
    watched = Watched(options.progress, folder)
    watched.enter("meshing and solving")
    assert standing_of(folder).step == "meshing and solving"
    assert standing_of(folder).share != standing_of(folder).share  # not known yet
    with watched.bar(10.0) as advance:
        watched._written_at = -100.0
        time.sleep(0.02)
        advance(2.5)
    found = standing_of(folder)
    assert found.share == 0.25
    assert 0.05 <= found.left_s < 5


def test_the_time_left_goes_on_running_down(write_job, options, stub, add):
    folder = open_run(options.results / add("one").folder)
    now = datetime.now(UTC)
    folder.save_status(
        {"step": "x", "share": 0.5, "left_s": 60.0, "owner": "o", "updated_utc": now.isoformat()}
    )
    with folder.locked():
        run = run_overview(folder)
    assert run.left_s(now + timedelta(seconds=20)) == pytest.approx(40)
    assert run.left_s(now + timedelta(hours=1)) == 0


def test_a_run_that_was_killed_is_told_from_one_that_runs(write_job, options, capsys):
    result = run_job(write_job(), options)
    folder = result.folder
    folder.save_record(replace(folder.load_record(), status=store.RUNNING))
    assert [run.status for run in overview_of(options.results).runs] == [KILLED]
    assert main(["status", str(folder.path)]) == 0
    printed = capsys.readouterr().out
    assert ", killed\n" in printed
    assert f"continue with: bafflelens resume {folder.path}" in printed


def test_a_damaged_status_or_run_is_passed_over(write_job, options):
    folder = run_job(write_job(), options).folder
    (folder.path / "status.json").write_text("{", encoding="utf-8")
    assert standing_of(folder) is None
    (folder.path / "run.json").write_text("{", encoding="utf-8")
    assert overview_of(options.results).runs == ()


def test_the_status_of_nothing_is_refused(tmp_path, capsys):
    assert main(["status", str(tmp_path / "missing")]) == 2
    assert "Must be a folder of runs, or of one run" in capsys.readouterr().err


# ------------------------------------------------------------------------------- SIGTERM


def stand_in_command(*words):
    return [sys.executable, "-c", "import stand_ins; stand_ins.main()", *map(str, words)]


@pytest.fixture
def environment(tmp_path):
    paths = [REPOSITORY / "pipeline", REPOSITORY / "tests" / "references"]
    return {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(map(str, paths)),
        "STAND_IN_LOG": str(tmp_path / "work.log"),
    }


def test_sigterm_ends_the_queue_within_ten_seconds_and_it_goes_on(
    write_job, tmp_path, environment, queue, options
):
    """Real worker processes, in the middle of a piece of work that never ends."""
    results, stop = tmp_path / "results", tmp_path / "stop"
    at = ["--results", results]
    options = replace(options, methods=stand_ins.METHODS)
    add_job(queue, write_job(("candidates = 3", "candidates = 2")), options)
    stop.touch()
    environment["STAND_IN_STOP"] = str(stop)
    log = Path(environment["STAND_IN_LOG"])
    running = subprocess.Popen(
        stand_in_command("queue", "start", *at), env=environment, stderr=subprocess.PIPE
    )
    with running:
        wait_for(lambda: log.exists() and log.read_text().count("mesh") >= 2 + 2)
        assert overview_of(results).is_worked_on
        told = time.monotonic()
        running.send_signal(signal.SIGTERM)
        code = running.wait(timeout=30)
        took_s = time.monotonic() - told
        said = running.stderr.read().decode()
    assert code == 143
    assert took_s < 10
    assert "continue with: bafflelens resume" in said
    assert said.splitlines()[-1] == "stopped by SIGTERM"
    assert "Traceback" not in said
    (job,) = Queue(results).jobs()
    assert job.status == WAITING
    assert open_run(results / job.folder).load_record().status == store.INTERRUPTED
    workers = {int(line.split()[0]) for line in log.read_text().splitlines()} - {running.pid}
    wait_for(lambda: not any(is_running(pid) for pid in workers))
    (ended,) = work_through_queue(queue, options)
    assert ended.status == DONE


def wait_for(is_so, limit_s=40.0):
    deadline = time.monotonic() + limit_s
    while not is_so():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def is_running(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_the_status_file_is_small_and_plain(write_job, options):
    folder = run_job(write_job(), options).folder
    content = json.loads((folder.path / "status.json").read_text(encoding="utf-8"))
    assert set(content) == {"step", "share", "left_s", "owner", "updated_utc"}
