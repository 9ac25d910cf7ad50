# SPDX-License-Identifier: GPL-3.0-or-later
"""Run a module of this package in a process of its own that can be killed.

For libraries that may hang, crash or keep global state (gmsh, VTK). Data go in and out through
a folder; the module is given the folder as its only argument.
"""

from __future__ import annotations

import ctypes
import os
import signal
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from typing import Final

OUTPUT: Final = "output.txt"
"""In its folder a process keeps with this name what it prints."""

_DEATH_OF_PARENT: Final = 1  # PR_SET_PDEATHSIG, prctl(2)
_CHILD: Final = """
import runpy, sys
from bafflelens.base.child_process import die_with_parent
die_with_parent(int(sys.argv.pop(1)))
sys.argv.pop(0)
runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
"""


def die_with_parent(parent: int) -> None:
    """Let the system kill this process when its parent ends, however that ends.

    A library that hangs would stay for ever once a worker that waits for it is killed. Only
    Linux can do that; elsewhere nothing happens.

    Parameters
    ----------
    parent : int
        Process that started this one.
    """
    if not sys.platform.startswith("linux"):
        return
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(_DEATH_OF_PARENT, int(signal.SIGKILL))
    if os.getppid() != parent:  # it was over before this
        os._exit(1)


def run_module(module: str, folder: Path, time_limit_s: float) -> str:
    """Run ``python -m module folder`` to its end or its time limit.

    Parameters
    ----------
    module : str
        Module of this package, for instance ``bafflelens.shapes.meshing.mesher``.
    folder : Path
        Working folder of the process; what it prints is kept there.
    time_limit_s : float
        After this time the process and all its children are killed, in s.

    Returns
    -------
    str
        How it ended if not well, such as "exit code 1" with the last line that it printed;
        empty if all is well.
    """
    with (folder / OUTPUT).open("wb") as output:
        process = subprocess.Popen(
            [sys.executable, "-c", _CHILD, str(os.getpid()), module, str(folder)],
            cwd=folder,
            env=environment_of_child(),
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            start_new_session=True,  # a group of its own, so that it can be killed whole
        )
        try:
            code = process.wait(timeout=time_limit_s)
        except subprocess.TimeoutExpired:
            return f"the time limit of {time_limit_s:g} s"
        finally:
            if process.poll() is None:  # out of time, or interrupted here
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()
    return how_it_ended(code, folder)


def environment_of_child() -> dict[str, str]:
    """Return the environment of a process that is to find this package and have one thread."""
    search_path = [str(Path(__file__).parents[2]), os.environ.get("PYTHONPATH", "")]
    return {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(filter(None, search_path)),
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
    }


def how_it_ended(code: int, folder: Path) -> str:
    """Return how a process ended by its exit code, negative for a signal; empty if well.

    Parameters
    ----------
    code : int
        The code.
    folder : Path
        Its folder, with what it printed.
    """
    if code == 0:
        return ""
    ended = f"exit code {code}"
    if code < 0:
        ended = f"signal {-code} ({signal.strsignal(-code) or 'unknown'})"
    said = (folder / OUTPUT).read_text(errors="replace").strip().splitlines()
    return f"{ended}, last words: {said[-1].strip()}" if said else ended
