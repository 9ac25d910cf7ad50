# SPDX-License-Identifier: GPL-3.0-or-later
"""Processes that can be killed: how they end is told, and nothing of them stays."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from running import is_running, wait_for

import bafflelens
from bafflelens.base.child_process import run_module

CHILD_OF_CHILD = """
import pathlib, subprocess, sys, time
child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
pathlib.Path(sys.argv[1], "pid").write_text(str(child.pid))
time.sleep(60)
"""


@pytest.fixture
def module(tmp_path, monkeypatch):
    """Return a function that writes a module which the child process can import."""
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))

    def write(code: str) -> str:
        (tmp_path / "for_this_test.py").write_text(code)
        return "for_this_test"

    return write


def test_a_good_end_says_nothing(tmp_path, module):
    code = "import pathlib, sys; pathlib.Path(sys.argv[1], 'done').touch()"
    assert run_module(module(code), tmp_path, 30.0) == ""
    assert (tmp_path / "done").exists()


def test_an_exit_code_comes_with_the_last_words(tmp_path, module):
    ended = run_module(module("print('some'); print('last'); raise SystemExit(7)"), tmp_path, 30.0)
    assert ended == "exit code 7, last words: last"


def test_a_crash_is_named_by_its_signal(tmp_path, module):
    code = "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)"
    assert run_module(module(code), tmp_path, 30.0) == "signal 11 (Segmentation fault)"


def test_the_time_limit_kills_the_process_and_its_children(tmp_path, module):
    start = time.monotonic()
    ended = run_module(module(CHILD_OF_CHILD), tmp_path, 2.0)
    assert ended == "the time limit of 2 s"
    assert time.monotonic() - start < 20
    time.sleep(0.2)
    assert not is_running(int((tmp_path / "pid").read_text()))


PARENT = """
import sys
from pathlib import Path
from bafflelens.base.child_process import run_module
run_module("for_this_test", Path(sys.argv[1]), 60.0)
"""
HANGING = """
import os, pathlib, sys, time
pathlib.Path(sys.argv[1], "pid.part").write_text(str(os.getpid()))
pathlib.Path(sys.argv[1], "pid.part").rename(pathlib.Path(sys.argv[1], "pid"))
time.sleep(60)
"""


def test_what_hangs_ends_with_whoever_waits_for_it(tmp_path, module, monkeypatch):
    """A worker that is killed leaves no mesher behind."""
    module(HANGING)
    monkeypatch.setenv("PYTHONPATH", str(Path(bafflelens.__file__).parents[1]), prepend=os.pathsep)
    with subprocess.Popen([sys.executable, "-c", PARENT, str(tmp_path)]) as parent:
        wait_for((tmp_path / "pid").exists)
        parent.kill()
    child = int((tmp_path / "pid").read_text())
    wait_for(lambda: not is_running(child))
