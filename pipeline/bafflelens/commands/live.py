# SPDX-License-Identifier: GPL-3.0-or-later
"""A page on this machine that answers while a dimension moves."""

from __future__ import annotations

import time
import webbrowser
from contextlib import ExitStack
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

from cyclopts import Parameter

from bafflelens.base.loading import without_collector
from bafflelens.base.run_files import require_run
from bafflelens.base.shipped import found_or_shipped
from bafflelens.commands import options
from bafflelens.commands.console import say
from bafflelens.commands.options import (
    FINE,
    USUAL_TOOLS,
    Results,
    Tools,
    prepare_compiler,
    require_tools,
    stoppable,
)

if TYPE_CHECKING:
    from bafflelens.job.job_file import LoadedJob
    from bafflelens.live.first_view import FirstView
    from bafflelens.store import RunFolder


_SLOW_TO_LOAD: Final = ("pydantic", "pandas", "xarray", "bafflelens.live.desk")
_LOADED_ALONE: Final = "dask"  # by two threads at once, each finds half of it: an ImportError


def live(
    job_or_run: Annotated[Path, Parameter(help="Job file, or the folder of a run.")],
    /,
    *,
    results: Results = Path("results"),
    port: Annotated[int, Parameter(help="Port of the page; 0 for any that is free.")] = 0,
    no_browser: Annotated[
        bool, Parameter(negative="", help="Only print the address; open no browser.")
    ] = False,
    tools: Tools = USUAL_TOOLS,
) -> int:
    """Open a page on this machine where a dimension is moved and the levels follow at once."""
    prepare_compiler()
    with stoppable(), ExitStack() as stack:
        try:
            started = stack.enter_context(ExitStack())
            started.enter_context(without_collector())
            from bafflelens.live.port import require_port
            from bafflelens.live.server import LiveServer

            require_port(port)
            require_tools(tools)
            first = _first_view(job_or_run)
            # A run that has a first view was found to be in order when that was made.
            opened = None if first is not None else _opened(job_or_run, results, tools)
            server = LiveServer(port=port, first=first)
            # The browser starts while the run is read: both take a second or two.
            server.start()
            stack.callback(server.stop)
            say(f"open in a browser of this machine: {server.address}")
            if not no_browser:
                webbrowser.open(server.address)
            server.give_way()
            server.prepare(job_or_run)
            for module in _SLOW_TO_LOAD:
                server.give_way()
                import_module(module)
            from bafflelens.live.desk import open_desk

            folder, loaded = opened or _opened(job_or_run, results, tools)
            desk = open_desk(folder, loaded=loaded)
            stack.callback(desk.close)
            desk.known.read_first()
            server.give(desk)
            server.wait_for_a_page()  # what it shows first is not to wait for all the rest
            started.close()
            import_module(_LOADED_ALONE)
            desk.open()
            desk.equip(options.run_options(folder.path.parent, tools))
            say("Ctrl-C ends the page; what is solved is kept")
            while True:
                time.sleep(0.5)
        except KeyboardInterrupt:
            say("the page is closed")
    return FINE


def _first_view(path: Path) -> FirstView | None:
    """Return what a page shows of a run before that is read; None where that is not known.

    Raises
    ------
    StoreError
        If a folder is no run.
    """
    if not path.is_dir():
        return None
    require_run(path)
    from bafflelens.live.first_view import load_first_view

    return load_first_view(path)


def _opened(path: Path, results: Path, tools: Tools) -> tuple[RunFolder, LoadedJob]:
    """Return a run and its job; of a job file a new run, which waits.

    Raises
    ------
    InputError
        If the job is wrong, or searches nothing: then nothing is made.
    StoreError
        If a folder is no run.
    """
    if path.is_dir():
        require_run(path)
    from bafflelens.job.job_file import load_job
    from bafflelens.job.sampling import searched_of

    if path.is_dir():
        from bafflelens.store import open_run

        folder = open_run(path)
        loaded = folder.load_job()
        searched_of(loaded)
        return folder, loaded
    path = found_or_shipped(path)
    searched_of(load_job(path))
    from bafflelens.run.pipeline import queue_run

    folder = queue_run(path, options.run_options(results, tools))
    say(f"run folder: {folder.path}")
    return folder, folder.load_job()
