# SPDX-License-Identifier: GPL-3.0-or-later
"""A run on a scheduler of its own with workers that share no folder with it, as on other hosts.

Scheduler and workers are processes on the loopback interface, each in a folder of its own; a
worker that opened a file under the results would end at once (`stand_ins`).
"""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
import small_job
import stand_ins

from bafflelens import report, store
from bafflelens.base.errors import BafflelensError, InputError
from bafflelens.report import summary
from bafflelens.run.options import RunOptions
from bafflelens.run.pipeline import resume_run, run_job
from bafflelens.store import open_run
from bafflelens.workers import same_program
from bafflelens.workers.dask_pool import worker_pool

REPOSITORY = Path(__file__).parents[2]


class Lab:
    """A scheduler and its workers, each a process in a folder of its own."""

    def __init__(self, folder, results):
        self._folder, self._results = folder, results
        self._scheduler_file = folder / "scheduler.json"
        self.log = folder / "work.log"
        self.processes = []
        self.scheduler = self._start("scheduler", "--port", "0", "--host", "127.0.0.1")
        # The scheduler makes the file first and writes into it a moment later.
        wait_for(lambda: self._scheduler_file.exists() and self._scheduler_file.stat().st_size)
        self.address = json.loads(self._scheduler_file.read_text())["address"]

    def add_worker(self, **environment):
        options = ["--nworkers", "1", "--nthreads", "1", "--host", "127.0.0.1"]
        output = self._folder / f"worker_{len(self.processes)}" / "output.txt"
        worker = self._start("worker", *options, **environment)
        wait_for(lambda: b"Registered to" in output.read_bytes())
        return worker

    def _start(self, kind, *options, **environment):
        own = self._folder / f"{kind}_{len(self.processes)}"
        own.mkdir()
        paths = [REPOSITORY / "pipeline", REPOSITORY / "tests" / "references"]
        module = f"distributed.cli.dask_{kind}"
        with (own / "output.txt").open("wb") as output:
            process = subprocess.Popen(
                [sys.executable, "-m", module, "--scheduler-file", self._scheduler_file,
                 "--no-dashboard", *options],
                cwd=own,
                stdout=output,
                stderr=subprocess.STDOUT,
                start_new_session=True,
                env={
                    **os.environ,
                    "PYTHONPATH": os.pathsep.join(map(str, paths)),
                    "TMPDIR": str(own),
                    "STAND_IN_LOG": str(self.log),
                    "STAND_IN_SECONDS": "0.1",
                    "STAND_IN_FORBIDDEN": str(self._results),
                    **environment,
                },
            )  # fmt: skip
        self.processes.append(process)
        return process

    def end(self):
        for process in self.processes:
            with process:
                vanish(process)


def vanish(process):
    """End a host without a word: everything on it is gone at once."""
    if process.poll() is None:
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def wait_for(is_so, limit_s=60.0):
    deadline = time.monotonic() + limit_s
    while not is_so():
        assert time.monotonic() < deadline
        time.sleep(0.02)


@pytest.fixture
def results(tmp_path):
    return tmp_path / "results"


@pytest.fixture
def lab(tmp_path_factory, results):
    opened = Lab(tmp_path_factory.mktemp("lab"), results)
    yield opened
    opened.end()


@pytest.fixture
def options(results, lab, monkeypatch):
    monkeypatch.setattr(
        report, "write_report", lambda view, path: path.write_text(view.title, encoding="utf-8")
    )
    monkeypatch.setattr(summary, "leader_pictures", lambda *_: ())
    monkeypatch.setattr(summary, "_target_picture", lambda loaded: b"")
    return RunOptions(results=results, methods=stand_ins.METHODS, scheduler=lab.address)


def test_a_host_that_vanishes_costs_what_it_was_doing_and_a_scheduler_that_does_stops_the_run(
    tmp_path, lab, options, results, open_pool
):
    job = small_job.write(tmp_path / "job", ("candidates = 3", "candidates = 6"))
    local = replace(options, scheduler=None, results=tmp_path / "other", open_pool=open_pool)
    ranking = repr(run_job(job, local).rows)
    first = lab.add_worker()
    lab.add_worker()
    told = set()

    def disturb(text):
        told.update(re.findall(r"(\S+) solved", text))
        if re.match("c00[12] solved", text) and first.poll() is None:
            vanish(first)
        if text.startswith("c004 solved") and lab.scheduler.poll() is None:
            vanish(lab.scheduler)

    with pytest.raises(BafflelensError, match="The scheduler can no longer be reached"):
        run_job(job, replace(options, progress=Told(disturb)))
    (folder,) = store.run_folders(results)
    assert folder.load_record().status == store.STOPPED
    statuses = folder.counts().statuses
    assert "c004" in told
    assert told <= {each.id for each in folder.candidates() if each.status == store.SOLVED}
    assert store.FAILED not in statuses
    done = Counter(line.partition(" ")[2] for line in lab.log.read_text().splitlines())
    assert sum(done.values()) - len(done) <= 2  # of the host that vanished: one in hand, one next
    workers = {line.partition(" ")[0] for line in lab.log.read_text().splitlines()}
    assert len(workers) == 2
    resumed = resume_run(folder.path, local)
    assert repr(resumed.rows) == ranking
    assert open_run(folder.path).load_record().status == store.FINISHED


class Told:
    """Progress that tells a function what was done."""

    def __init__(self, tell):
        self._tell = tell

    def say(self, text):
        pass

    @contextmanager
    def bar(self, total, label=""):
        yield lambda amount, text="": self._tell(text)


def test_a_worker_with_another_program_is_refused_or_left_alone(lab, tmp_path):
    other = tmp_path / "other"
    shutil.copytree(REPOSITORY / "pipeline" / "bafflelens", other / "bafflelens")
    with (other / "bafflelens" / "bem" / "sweep.py").open("a", encoding="utf-8") as changed:
        changed.write("# another program\n")
    lab.add_worker()
    with worker_pool(scheduler=lab.address) as pool:
        lab.add_worker(PYTHONPATH=str(other))
        wait_for(lambda: len(pool._client.scheduler_info(n_workers=-1)["workers"]) == 2)
        pool._look_at_machines()  # it came later: work goes to the others
        assert pool.size == 1
        for number in range(6):
            pool.submit(f"{number}", os.getpid)
        assert len({outcome.value for outcome in pool.outcomes()}) == 1
    expected = (
        r"Invalid scheduler 'tcp://127.0.0.1:\d+'. Must be a dask scheduler whose workers have "
        r"the same versions as this program. Worker tcp://127.0.0.1:\d+: its bafflelens has the "
        r"same version, but other source"
    )
    with pytest.raises(InputError, match=expected), worker_pool(scheduler=lab.address):
        pass


def test_differences_are_named():
    here = {"bafflelens": "0.2.0", "numpy": "2.4.6", "source of bafflelens": "a"}
    unlike = same_program._unlike
    assert unlike(here, here) == ""
    assert unlike({**here, "numpy": "2.4.5"}, here) == "numpy 2.4.5 there, 2.4.6 here"
    assert "same version, but other source" in unlike({**here, "source of bafflelens": "b"}, here)
    older = {"bafflelens": "0.1.0", "source of bafflelens": "b"}
    expected = "bafflelens 0.1.0 there, 0.2.0 here, numpy is missing there, 2.4.6 here"
    assert unlike(older, here) == expected
    missing = ModuleNotFoundError("No module named 'bafflelens'")
    assert unlike(missing, here) == "it has no such program (No module named 'bafflelens')"
