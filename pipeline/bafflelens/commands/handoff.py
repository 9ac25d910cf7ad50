# SPDX-License-Identifier: GPL-3.0-or-later
"""What the shop gets, and what comes back from it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from bafflelens.commands.console import ConsoleProgress, complain, say
from bafflelens.commands.options import FINE, HAS_FAILURES, Folder
from bafflelens.errors import InputError, invalid


def handoff(
    folder: Folder,
    /,
    *candidates: Annotated[str, Parameter(help="Ids of candidates; or --top.")],
    out: Annotated[Path, Parameter(help="Folder that is made: one zip file a candidate.")],
    top: Annotated[int, Parameter(help="So many of the best candidates.")] = 0,
) -> int:
    """Write what the prototype shop needs: solid, templates, drawing, checks, manifest."""
    from bafflelens.handoff.package import hand_off
    from bafflelens.store import open_run

    if top < 0:
        raise InputError(invalid("option '--top'", top, "a whole number of at least 0"))
    progress = ConsoleProgress()
    for handed in hand_off(open_run(folder), candidates, out, progress, top=top):
        say(f"handed off: {out / handed.archive}")
        for remark in handed.remarks:
            say(f"  {remark}")
    return FINE


def verify(folder: Annotated[Path, Parameter(help="Folder of a hand-off.")], /) -> int:
    """Check every file of a hand-off against its manifest."""
    from bafflelens.handoff.manifest import verify_folder

    faults = verify_folder(folder)
    complain(faults)
    if not faults:
        say(f"verified: {folder}, every file is as it was exported")
    return HAS_FAILURES if faults else FINE


def inspect(
    folder: Annotated[Path, Parameter(help="Folder of a hand-off.")],
    readings: Annotated[Path, Parameter(help="CSV file: parameter, reading.")],
    /,
    *,
    candidate: Annotated[str, Parameter(help="Which one, if there are several.")] = "",
) -> int:
    """Compare caliper readings of what was made with the nominal: pass, rework, re-simulate."""
    from bafflelens.handoff.inspection import PASS, inspect_readings

    found = inspect_readings(folder, readings, candidate)
    for reading in found:
        say(reading.text)
    return FINE if all(reading.verdict == PASS for reading in found) else HAS_FAILURES
