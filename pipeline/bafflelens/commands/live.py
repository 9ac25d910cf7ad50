# SPDX-License-Identifier: GPL-3.0-or-later
"""A page on this machine that answers while a dimension moves."""

from __future__ import annotations

import time
import webbrowser
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from bafflelens.base.run_files import require_run
from bafflelens.base.shipped import found_or_shipped
from bafflelens.commands import options
from bafflelens.commands.console import say
from bafflelens.commands.options import FINE, USUAL, Means, Results, prepare_compiler, stoppable

if TYPE_CHECKING:
    from bafflelens.run.options import RunOptions


def live(
    job_or_run: Annotated[Path, Parameter(help="Job file, or the folder of a run.")],
    /,
    *,
    results: Results = Path("results"),
    port: Annotated[int, Parameter(help="Port of the page; 0 for any that is free.")] = 0,
    no_browser: Annotated[
        bool, Parameter(negative="", help="Only print the address; open no browser.")
    ] = False,
    means: Means = USUAL,
) -> int:
    """Open a page on this machine where a dimension is moved and the levels follow at once."""
    prepare_compiler()
    from bafflelens.live.server import LiveServer, require_port

    require_port(port)
    if job_or_run.is_dir():
        require_run(job_or_run)
    else:
        job_or_run = _queued(job_or_run, options.run_options(results, means))
    server = LiveServer(port=port)
    with stoppable(), ExitStack() as stack:
        try:
            # The browser starts while the run is read: both take a second or two.
            server.start()
            stack.callback(server.stop)
            say(f"open in a browser of this machine: {server.address}")
            if not no_browser:
                webbrowser.open(server.address)
            from bafflelens.live.desk import open_desk
            from bafflelens.store import open_run

            folder = open_run(job_or_run)
            desk = open_desk(folder)
            stack.callback(desk.close)
            desk.open()
            server.give(desk)
            desk.wait_for_a_page()
            desk.equip(options.run_options(folder.path.parent, means))
            say("Ctrl-C ends the page; what is solved is kept")
            while True:
                time.sleep(0.5)
        except KeyboardInterrupt:
            say("the page is closed")
    return FINE


def _queued(path: Path, given: RunOptions) -> Path:
    """Return the folder of a new run, which waits."""
    from bafflelens.run.pipeline import queue_run

    folder = queue_run(found_or_shipped(path), given)
    say(f"run folder: {folder.path}")
    return folder.path
