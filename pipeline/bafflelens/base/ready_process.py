# SPDX-License-Identifier: GPL-3.0-or-later
"""Run a function of this package in a process of its own, from one that is ready for it.

As `bafflelens.base.child_process`, for work that is done often and takes little longer than a
process takes to start and import its libraries. One process for each thread imports the module
and waits; each piece of work is done by a copy of it, which the system makes in milliseconds
(fork) and which ends with the work: what hangs, crashes or keeps global state does so there.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import select
import signal
import subprocess
import sys
import threading
import time
import traceback
import weakref
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from bafflelens.base.child_process import (
    OUTPUT,
    die_with_parent,
    environment_of_child,
    how_it_ended,
    run_module,
)

_CLOSING_S: Final = 2.0
_SERVER: Final = """
import sys
from bafflelens.base.child_process import die_with_parent
from bafflelens.base.ready_process import serve_folders
die_with_parent(int(sys.argv[1]))
sys.exit(serve_folders(sys.argv[2]))
"""


class _LostError(Exception):
    """The process that waits for work has gone."""


def run_ready(module: str, folder: Path, time_limit_s: float) -> str:
    """Call ``module.main(folder)`` in a process of its own, to its end or its time limit.

    Parameters
    ----------
    module : str
        Module whose function ``main`` takes a folder and returns an exit code.
    folder : Path
        Working folder of the process; what it prints is kept there.
    time_limit_s : float
        After this time the process and all its children are killed, in s.

    Returns
    -------
    str
        As `bafflelens.base.child_process.run_module`, which does it where no process can wait.
    """
    if not hasattr(os, "fork"):
        return run_module(module, folder, time_limit_s)
    try:
        return _waiting(module).run(folder.resolve(), time_limit_s)
    except _LostError:
        return run_module(module, folder, time_limit_s)


# For each thread: the system ends a process with the thread that started it.
_here = threading.local()


def _waiting(module: str) -> _Ready:
    """Return the process that waits for work of a module, one that sees what this one sees."""
    known: dict[str, _Ready] = _here.__dict__.setdefault("known", {})
    environment = environment_of_child()
    found = known.get(module)
    if found is None or found.environment != environment or not found.is_alive:
        if found is not None:
            found.close()
        found = known[module] = _Ready(module, environment)
    return found


def close_all() -> None:
    """End the processes that wait for work of this thread."""
    known: dict[str, _Ready] = _here.__dict__.setdefault("known", {})
    while known:
        known.popitem()[1].close()


class _Ready:
    """A process that has imported a module and waits for work."""

    def __init__(self, module: str, environment: Mapping[str, str]) -> None:
        self.environment = dict(environment)
        self._owner = os.getpid()
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", _SERVER, str(os.getpid()), module],
            env=self.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            bufsize=0,  # or a second answer could hide behind the first
            start_new_session=True,  # Ctrl-C is not for it
        )
        self.close = weakref.finalize(self, _close, self._process)

    @property
    def is_alive(self) -> bool:
        """Whether it waits, for this process."""
        return self._owner == os.getpid() and self._process.poll() is None

    def run(self, folder: Path, time_limit_s: float) -> str:
        """Have a copy do the work in a folder, and tell how it ended if not well.

        Raises
        ------
        _LostError
            If this process has gone.
        """
        deadline = time.monotonic() + time_limit_s
        copy = None
        try:
            self._ask(folder)
            copy = self._answer()
            if self._has_answer(deadline):
                return how_it_ended(self._answer(), folder)
            _kill_group(copy)
            self._answer()
        except BaseException:  # an answer may be on its way still: nobody else should take it
            if copy is not None:
                _kill_group(copy)
            self._process.kill()
            self.close()
            raise
        return f"the time limit of {time_limit_s:g} s"

    def _ask(self, folder: Path) -> None:
        assert self._process.stdin is not None  # it is a pipe
        try:
            self._process.stdin.write(f"{folder}\0".encode())
        except OSError as error:
            raise _LostError from error

    def _has_answer(self, deadline: float) -> bool:
        """Wait until it says something; tell whether that came in time."""
        assert self._process.stdout is not None  # it is a pipe
        left = max(deadline - time.monotonic(), 0.0)
        return bool(select.select([self._process.stdout], [], [], left)[0])

    def _answer(self) -> int:
        """Return the next number that it says."""
        assert self._process.stdout is not None  # it is a pipe
        line = self._process.stdout.readline()
        if not line.endswith(b"\n"):
            raise _LostError
        return int(line)


def _kill_group(leader: int) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.killpg(leader, signal.SIGKILL)


def _close(process: subprocess.Popen[bytes]) -> None:
    """End a process that waits, which takes its copies with it."""
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(timeout=_CLOSING_S)
    if process.poll() is None:
        process.kill()
        process.wait()


def serve_folders(module: str) -> int:
    """Import a module, then do the work of each folder that comes in by a copy of this process.

    Folders come on the standard input, each with a zero behind it. For each there are two lines
    on the standard output: the copy's process number, which is that of its group, too, and its
    exit code, negative for a signal.
    """
    loaded = importlib.import_module(module)
    while folder := _next_folder():
        server = os.getpid()
        begun, told = os.pipe()
        copy = os.fork()
        if not copy:
            _work(loaded.main, Path(folder), server, begun, told)
        os.close(told)
        os.read(begun, 1)  # it leads its group now, or has ended
        os.close(begun)
        _answer_with(copy)
        _, status = os.waitpid(copy, 0)
        _answer_with(os.waitstatus_to_exitcode(status))
    return 0


def _answer_with(number: int) -> None:
    os.write(1, f"{number}\n".encode())


def _next_folder() -> str:
    """Return what the standard input asks for next; empty at its end."""
    read = b""
    while not read.endswith(b"\0"):
        byte = os.read(0, 1)
        if not byte:
            return ""
        read += byte
    return os.fsdecode(read[:-1])


def _work(main: object, folder: Path, server: int, begun: int, told: int) -> None:
    """Do the work of a folder in this copy, and end it."""
    code = 1
    try:
        os.setsid()
        os.close(begun)
        os.close(told)
        die_with_parent(server)
        os.chdir(folder)
        output = os.open(OUTPUT, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666)
        nothing = os.open(os.devnull, os.O_RDONLY)
        for source, target in ((nothing, 0), (output, 1), (output, 2)):
            os.dup2(source, target)
        assert callable(main)
        code = int(main(folder))
    except SystemExit as error:
        code = error.code if isinstance(error.code, int) else int(error.code is not None)
        if error.code is not None and not isinstance(error.code, int):
            sys.stderr.write(f"{error.code}\n")  # as the interpreter does
    except BaseException:
        traceback.print_exc()
    finally:
        with contextlib.suppress(Exception):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(code)
