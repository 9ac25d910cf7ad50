# SPDX-License-Identifier: GPL-3.0-or-later
"""A page on this machine that answers while a dimension moves."""

from __future__ import annotations

import time
import webbrowser
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from bafflelens.base.shipped import found_or_shipped
from bafflelens.commands import options
from bafflelens.commands.console import say
from bafflelens.commands.options import FINE, USUAL, Means, Results, prepare_compiler, stoppable


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
    from bafflelens.live.desk import open_desk
    from bafflelens.live.server import LiveServer, require_port
    from bafflelens.run.pipeline import queue_run
    from bafflelens.store import is_run, open_run

    require_port(port)
    if is_run(job_or_run):
        folder = open_run(job_or_run)
        given = options.run_options(folder.path.parent, means)
    else:
        given = options.run_options(results, means)
        folder = queue_run(found_or_shipped(job_or_run), given)
        say(f"run folder: {folder.path}")
    desk = open_desk(folder, given)
    server = LiveServer(desk, port)
    with stoppable():
        try:
            server.start()
            desk.open()
            say(f"open in a browser of this machine: {server.address}")
            say("Ctrl-C ends the page; what is solved is kept")
            if not no_browser:
                webbrowser.open(server.address)
            while True:
                time.sleep(0.5)
        except KeyboardInterrupt:
            say("the page is closed")
        finally:
            server.stop()
            desk.close()
    return FINE
