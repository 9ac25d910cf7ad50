# SPDX-License-Identifier: GPL-3.0-or-later
"""Run a function of this package in a process of its own, from one that is ready for it.

As `bafflelens.base.child_process`, for work that is done often and takes little longer than a
process takes to start and import its libraries. One process for each thread imports the module
and waits; each piece of work is done by a copy of it, which the system makes in milliseconds
(fork) and which ends with the work: what hangs, crashes or keeps global state does so there.

Where several threads need them, or several modules, one process may import all of it beforehand
(`prepared`); those that wait for a thread are then copies of that one.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import os
import select
import signal
import socket
import subprocess
import sys
import threading
import time
import traceback
import weakref
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import IO, Final, TypeAlias

from bafflelens.base.child_process import (
    OUTPUT,
    die_with_parent,
    environment_of_child,
    how_it_ended,
    run_module,
)
from bafflelens.base.loading import without_collector

_SERVER: Final = """
import sys
from bafflelens.base.child_process import die_with_parent
from bafflelens.base.ready_process import serve_folders
die_with_parent(int(sys.argv[1]))
sys.exit(serve_folders(sys.argv[2]))
"""
_SOURCE: Final = """
import sys
from bafflelens.base.child_process import die_with_parent
from bafflelens.base.ready_process import serve_copies
die_with_parent(int(sys.argv[1]))
serve_copies(int(sys.argv[2]), sys.argv[3:])
"""
_Stream: TypeAlias = IO[bytes] | socket.SocketIO
_LONGEST_NAME: Final = 4096
_CLOSING_S: Final = 2.0


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
# Of the whole process: what is prepared at the moment, the latest last.
_sources: list[_Source] = []


@contextlib.contextmanager
def prepared(*modules: str) -> Iterator[None]:
    """Have one process import modules at once, beside what this one does, and keep it ready.

    Within, a thread that calls `run_ready` for one of the modules gets a copy of that process
    instead of one that imports everything once more. Nothing is started if that is so already.

    Parameters
    ----------
    modules : str
        Names of modules, the one that is needed first in front. One that cannot be imported is
        left to whoever runs it.
    """
    if not hasattr(os, "fork") or _source_of(modules) is not None:
        yield
        return
    source = _Source(modules)
    _sources.append(source)
    try:
        yield
    finally:
        _sources.remove(source)
        known: dict[str, _Ready] = _here.__dict__.setdefault("known", {})
        for module in [name for name, ready in known.items() if ready.source is source]:
            known.pop(module).close()
        source.close()


def _source_of(modules: Sequence[str]) -> _Source | None:
    """Return the process that has imported modules and sees what this one sees, if there is."""
    environment = environment_of_child()
    for source in reversed(_sources):
        if source.is_alive and source.environment == environment and source.knows(modules):
            return source
    return None


def _waiting(module: str) -> _Ready:
    """Return the process that waits for work of a module, one that sees what this one sees."""
    known: dict[str, _Ready] = _here.__dict__.setdefault("known", {})
    environment = environment_of_child()
    found = known.get(module)
    if found is None or found.environment != environment or not found.is_alive:
        if found is not None:
            found.close()
        source = _source_of([module])
        found = source.copy_for(module) if source else _started(module, environment)
        known[module] = found
    return found


def close_all() -> None:
    """End the processes that wait for work of this thread."""
    known: dict[str, _Ready] = _here.__dict__.setdefault("known", {})
    while known:
        known.popitem()[1].close()


def _popen(
    code: str, environment: Mapping[str, str], *arguments: str, pipes: int, keep: tuple[int, ...]
) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-P", "-c", code, str(os.getpid()), *arguments],
        env=environment,
        stdin=pipes,
        stdout=pipes,
        stderr=subprocess.DEVNULL,
        bufsize=0,  # or a second answer could hide behind the first
        start_new_session=True,  # Ctrl-C is not for it
        pass_fds=keep,
    )


class _Source:
    """A process that has imported modules and makes copies of itself that wait for work."""

    def __init__(self, modules: Sequence[str]) -> None:
        self.environment = environment_of_child()
        self._modules = frozenset(modules)
        self._owner = os.getpid()
        self._one_at_a_time = threading.Lock()
        self._control, theirs = socket.socketpair()
        with theirs:
            self._process = _popen(
                _SOURCE,
                self.environment,
                str(theirs.fileno()),
                *modules,
                pipes=subprocess.DEVNULL,
                keep=(theirs.fileno(),),
            )

    @property
    def is_alive(self) -> bool:
        """Whether it serves this process."""
        return self._owner == os.getpid() and self._process.poll() is None

    def knows(self, modules: Sequence[str]) -> bool:
        """Tell whether it has been told to import modules."""
        return self._modules.issuperset(modules)

    def copy_for(self, module: str) -> _Ready:
        """Return a copy that waits for work of a module.

        Raises
        ------
        _LostError
            If this process has gone.
        """
        ours, theirs = socket.socketpair()
        with ours, theirs, self._one_at_a_time:
            try:
                socket.send_fds(self._control, [module.encode()], [theirs.fileno()])
                if not self._control.recv(1):
                    raise _LostError
            except OSError as error:
                raise _LostError from error
            asked, told = ours.makefile("wb", 0), ours.makefile("rb", 0)
        # It ends when nobody can ask it any more.
        return _Ready(
            self.environment, asked, told, lambda: self.is_alive, lambda: None, source=self
        )

    def close(self) -> None:
        """End it, and its copies, which have a moment to end by themselves."""
        self._control.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(timeout=_CLOSING_S)
        _end(self._process)


def _started(module: str, environment: Mapping[str, str]) -> _Ready:
    """Return a new process that imports a module and waits for work."""
    process = _popen(_SERVER, environment, module, pipes=subprocess.PIPE, keep=())
    assert process.stdin is not None  # they are pipes
    assert process.stdout is not None
    return _Ready(
        environment,
        process.stdin,
        process.stdout,
        lambda: process.poll() is None,
        lambda: _end(process),
    )


class _Ready:
    """A process that has imported a module and waits for work.

    Parameters
    ----------
    environment : mapping of str to str
        What it sees.
    asked, told : binary streams
        Where it reads what to do, and where it answers.
    is_there : callable
        Whether it has not ended.
    end : callable
        Makes sure that it ends, after the streams have been closed.
    source : _Source, optional
        What it is a copy of.
    """

    def __init__(
        self,
        environment: Mapping[str, str],
        asked: _Stream,
        told: _Stream,
        is_there: Callable[[], bool],
        end: Callable[[], None],
        source: _Source | None = None,
    ) -> None:
        self.environment = dict(environment)
        self.source = source
        self._owner = os.getpid()
        self._asked, self._told, self._is_there = asked, told, is_there
        self.close = weakref.finalize(self, _close, (asked, told), end)

    @property
    def is_alive(self) -> bool:
        """Whether it waits, for this process."""
        return self._owner == os.getpid() and self._is_there()

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
            self.close()
            raise
        return f"the time limit of {time_limit_s:g} s"

    def _ask(self, folder: Path) -> None:
        try:
            self._asked.write(f"{folder}\0".encode())
        except OSError as error:
            raise _LostError from error

    def _has_answer(self, deadline: float) -> bool:
        """Wait until it says something; tell whether that came in time."""
        left = max(deadline - time.monotonic(), 0.0)
        return bool(select.select([self._told], [], [], left)[0])

    def _answer(self) -> int:
        """Return the next number that it says."""
        try:
            line = self._told.readline()
        except OSError as error:
            raise _LostError from error
        if not line.endswith(b"\n"):
            raise _LostError
        return int(line)


def _kill_group(leader: int) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.killpg(leader, signal.SIGKILL)


def _close(streams: Sequence[_Stream], end: Callable[[], None]) -> None:
    for stream in streams:
        with contextlib.suppress(OSError):
            stream.close()
    end()


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a process, which takes its copies with it."""
    process.kill()
    process.wait()


def serve_copies(control: int, modules: Sequence[str]) -> None:
    """Import modules, and make a copy of this process for each request, which serves folders.

    A request on the socket is the name of a module with a socket of the copy's own; a byte goes
    back once it is taken. Nobody waits for a module that is imported later than what is asked for.
    """
    source, to_come = os.getpid(), deque(modules)
    with socket.socket(fileno=control) as asking:
        while True:
            if to_come and not select.select([asking], [], [], 0)[0]:
                _import(to_come.popleft())
                continue
            name, channels, _, _ = socket.recv_fds(asking, _LONGEST_NAME, 1)
            if not channels:  # nobody asks any more
                _wait_for_copies(0)
                os._exit(0)  # there is nothing here to clear away
            channel = channels[0]
            _import(name.decode())
            gc.freeze()  # a collector at work in a copy writes to all that they share
            if not os.fork():
                asking.close()
                _serve_channel(name.decode(), channel, source)
            os.close(channel)
            asking.send(b"1")
            _wait_for_copies(os.WNOHANG)


def _import(module: str) -> None:
    """Import a module, if it has not been; whoever runs one that cannot be is told."""
    with without_collector(), contextlib.suppress(Exception):
        importlib.import_module(module)


def _wait_for_copies(options: int) -> None:
    """Take note of copies that have ended."""
    with contextlib.suppress(ChildProcessError):
        while os.waitpid(-1, options)[0]:
            pass


def _serve_channel(module: str, channel: int, source: int) -> None:
    """Serve the folders that come through a socket in this copy, and end it."""
    try:
        die_with_parent(source)
        os.dup2(channel, 0)
        os.dup2(channel, 1)
        os.close(channel)
        serve_folders(module)
    finally:
        os._exit(0)


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
