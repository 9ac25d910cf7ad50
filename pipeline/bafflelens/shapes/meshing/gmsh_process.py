# SPDX-License-Identifier: GPL-3.0-or-later
"""A process of its own that does with gmsh what a folder asks for.

The folder holds ``request.json``. What is wrong is left in ``fault.json``, one line, and the exit
code is 1; who started the process reads it with `fault_left`.
"""

from __future__ import annotations

import json
import signal
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from bafflelens.base.errors import BafflelensError, MeshingError
from bafflelens.shapes.meshing.shape_script import gmsh_missing

_FAULT: Final = "fault.json"


def do_request(folder: Path, work: Callable[[Any, Mapping[str, Any]], None]) -> int:
    """Do what a folder asks for and return the exit code.

    Parameters
    ----------
    folder : Path
        The folder; a ``time_limit_s`` of its request, in s, ends the process.
    work : callable
        Takes gmsh, not started, and the request.
    """
    request = json.loads((folder / "request.json").read_text())
    if "time_limit_s" in request:
        # Should the parent die without killing this process, it ends by itself.
        signal.setitimer(signal.ITIMER_REAL, request["time_limit_s"] + 5.0)
    return do_work(folder, lambda: work(_imported(), request))


def do_work(folder: Path, work: Callable[[], None]) -> int:
    """Do a piece of work, leave its fault in the folder, and return the exit code."""
    try:
        work()
    except BafflelensError as error:
        (folder / _FAULT).write_text(json.dumps({"fault": str(error)}))
        return 1
    return 0


def fault_left(folder: Path, otherwise: str) -> str:
    """Return the fault that a process left in its folder, or something else if it left none."""
    try:
        return str(json.loads((folder / _FAULT).read_text())["fault"])
    except (OSError, ValueError, KeyError):
        return otherwise


def start_gmsh(gmsh: Any) -> None:
    """Start gmsh, silent and on one thread."""
    gmsh.initialize(readConfigFiles=False, interruptible=False)
    gmsh.option.setNumber("General.Terminal", 0)
    gmsh.option.setNumber("General.NumThreads", 1)


def _imported() -> Any:
    try:
        import gmsh
    except (ImportError, OSError) as error:
        raise MeshingError(gmsh_missing(error)) from error
    return gmsh
