# SPDX-License-Identifier: GPL-3.0-or-later
"""Work done by copies of a process that waits: how it ends is told, and nothing of it stays."""

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from running import is_running, wait_for

import bafflelens
from bafflelens.base.ready_process import prepared, run_ready

NAME = "for_this_test"
TELL = """
import os
imported = os.getpid()
def main(folder):
    done = folder / f"{os.getpid()}.done"
    done.write_text(f"{imported} {os.environ.get('TOLD', '')}")
    assert os.getcwd() == str(folder)
    return 0
"""
HANGING = """
import os, subprocess, sys, time
def main(folder):
    child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    (folder / "pid.part").write_text(f"{os.getpid()} {child.pid}")
    (folder / "pid.part").rename(folder / "pid")
    time.sleep(60)
"""
PARENT = """
import sys
from pathlib import Path
from bafflelens.base.ready_process import prepared, run_ready
run_ready("for_this_test", Path(sys.argv[1]), 60.0)
"""


@pytest.fixture
def module(tmp_path, monkeypatch):
    """Return a function that writes a module which waiting processes import."""
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))

    def write(code: str) -> str:
        (tmp_path / f"{NAME}.py").write_text(code)
        return NAME

    return write


def told(folder: Path) -> list[str]:
    return [path.read_text() for path in sorted(folder.glob("*.done"))]


def test_each_piece_of_work_has_a_process_of_its_own_and_the_module_is_imported_once(
    tmp_path, module
):
    name = module(TELL)
    assert [run_ready(name, tmp_path, 30.0) for _ in range(3)] == [""] * 3
    assert len(told(tmp_path)) == 3
    assert len(set(told(tmp_path))) == 1


def in_a_thread(*arguments) -> None:
    thread = threading.Thread(target=run_ready, args=arguments)
    thread.start()
    thread.join()


def test_threads_share_one_import_where_it_is_prepared_and_nothing_is_left(tmp_path, module):
    name = module(TELL)
    with prepared("no_such_module", name):
        with prepared(name):
            in_a_thread(name, tmp_path, 30.0)
        in_a_thread(name, tmp_path, 30.0)
        assert run_ready(name, tmp_path, 30.0) == ""
    assert len(told(tmp_path)) == 3
    (imported,) = {int(text.split(" ")[0]) for text in told(tmp_path)}
    assert not is_running(imported)
    # What was ready for this thread has ended with it: the next one is its own again.
    assert run_ready(name, tmp_path, 30.0) == ""
    assert len({text.split(" ")[0] for text in told(tmp_path)}) == 2


def test_what_is_prepared_in_another_environment_or_was_killed_is_not_used(
    tmp_path, module, monkeypatch
):
    name = module(TELL)
    with prepared(name):
        monkeypatch.setenv("TOLD", "something")
        assert run_ready(name, tmp_path, 30.0) == ""
        assert told(tmp_path)[0].endswith(" something")
        monkeypatch.delenv("TOLD")
        assert run_ready(name, tmp_path, 30.0) == ""
        (imported,) = {int(t.split(" ")[0]) for t in told(tmp_path) if t.endswith(" ")}
        os.kill(imported, signal.SIGKILL)
        wait_for(lambda: not is_running(imported))
        assert run_ready(name, tmp_path, 30.0) == ""
        assert len({text.split(" ")[0] for text in told(tmp_path)}) == 3


def test_another_environment_is_seen_and_another_thread_has_its_own(tmp_path, module, monkeypatch):
    name = module(TELL)
    assert run_ready(name, tmp_path, 30.0) == ""
    monkeypatch.setenv("TOLD", "something")
    assert run_ready(name, tmp_path, 30.0) == ""
    assert sorted(text.split(" ")[1] for text in told(tmp_path)) == ["", "something"]
    thread = threading.Thread(target=run_ready, args=(name, tmp_path, 30.0))
    thread.start()
    thread.join()
    imported = {int(text.split(" ")[0]) for text in told(tmp_path)}
    assert len(imported) == 3
    wait_for(lambda: sum(map(is_running, imported)) == 1)  # only that of this thread waits


@pytest.mark.parametrize(
    ("work", "ended"),
    [
        ("print('some'); print('last'); return 7", "exit code 7, last words: last"),
        ("raise SystemExit(3)", "exit code 3"),
        ("raise ValueError('no')", "exit code 1, last words: ValueError: no"),
        ("import os; os.kill(os.getpid(), 11)", "signal 11 (Segmentation fault)"),
    ],
)
def test_a_bad_end_is_told_and_the_next_work_is_done(tmp_path, module, work, ended):
    name = module(
        f"def main(folder):\n    if (folder / 'bad').exists():\n        {work}\n    return 0"
    )
    (tmp_path / "bad").touch()
    assert run_ready(name, tmp_path, 30.0) == ended
    (tmp_path / "bad").unlink()
    assert run_ready(name, tmp_path, 30.0) == ""


def test_the_time_limit_kills_the_process_and_its_children(tmp_path, module):
    start = time.monotonic()
    assert run_ready(module(HANGING), tmp_path, 1.0) == "the time limit of 1 s"
    assert time.monotonic() - start < 20
    time.sleep(0.2)
    assert not any(is_running(int(pid)) for pid in (tmp_path / "pid").read_text().split())


def test_where_the_waiting_process_was_killed_work_is_done_all_the_same(tmp_path, module):
    name = module(TELL)
    assert run_ready(name, tmp_path, 30.0) == ""
    (text,) = told(tmp_path)
    os.kill(int(text.split(" ")[0]), 9)
    wait_for(lambda: not is_running(int(text.split(" ")[0])))
    assert run_ready(name, tmp_path, 30.0) == ""
    assert len(set(told(tmp_path))) == 2


def test_what_hangs_ends_with_whoever_waits_for_it(tmp_path, module, monkeypatch):
    module(HANGING)
    monkeypatch.setenv("PYTHONPATH", str(Path(bafflelens.__file__).parents[1]), prepend=os.pathsep)
    with subprocess.Popen([sys.executable, "-c", PARENT, str(tmp_path)]) as parent:
        wait_for((tmp_path / "pid").exists)
        parent.kill()
    copy, _ = map(int, (tmp_path / "pid").read_text().split())
    wait_for(lambda: not is_running(copy))
