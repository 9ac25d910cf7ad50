# SPDX-License-Identifier: GPL-3.0-or-later
"""What the shop gets, and what comes back from it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.loading import without_collector
from bafflelens.commands.console import ConsoleProgress, complain, say
from bafflelens.commands.options import FINE, HAS_FAILURES, Folder, prepare_compiler


def handoff(
    folder: Folder,
    /,
    *candidates: Annotated[str, Parameter(help="Ids of candidates; or --top.")],
    out: Annotated[Path, Parameter(help="Folder to make: one zip file per candidate.")],
    top: Annotated[int, Parameter(help="How many of the best candidates, instead of ids.")] = 0,
    tolerance_map: Annotated[
        bool,
        Parameter(help="Compute what each place may be off where it is not kept.", negative=()),
    ] = False,
) -> int:
    """Write what the prototype shop needs: solid, templates, drawing, checks, manifest."""
    from bafflelens.handoff.helpers import helpers_ready

    if top < 0:
        raise InputError(invalid("option '--top'", top, "a whole number of at least 0"))
    prepare_compiler()
    with helpers_ready():
        with without_collector():
            from bafflelens.handoff.package import hand_off
            from bafflelens.store import open_run

        progress = ConsoleProgress()
        found = hand_off(
            open_run(folder), candidates, out, progress, top=top, tolerance_map=tolerance_map
        )
    for handed in found:
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
    folder: Annotated[
        Path, Parameter(help="A hand-off: its folder, a zip file of it, or that unpacked.")
    ],
    made: Annotated[
        Path,
        Parameter(
            help="A scan (STL, PLY, OBJ), or caliper readings (CSV: parameter or symbol, reading)."
        ),
    ],
    /,
    *,
    candidate: Annotated[str, Parameter(help="Which one, if there are several.")] = "",
    unit: Annotated[str, Parameter(help="Unit of the scan: mm, cm, m or inch.")] = "mm",
    marks: Annotated[Path | None, Parameter(help="TOML file of marks that tell the pose.")] = None,
    scanner_mm: Annotated[
        float, Parameter(help="Accuracy of the scanner over the part, at 95 %.")
    ] = 0.05,
    out: Annotated[
        Path | None, Parameter(help="Folder to make for a scan; otherwise beside it.")
    ] = None,
) -> int:
    """Compare what was made with the nominal: pass, rework (where, by how much), re-simulate."""
    kind = made.suffix.lower()
    if not made.is_file():
        rule = "a file that is there: a scan, or caliper readings"
        raise InputError(invalid("file", made, rule))
    if kind == ".csv":
        return _inspect_readings(folder, made, candidate)
    if kind not in (".stl", ".ply", ".obj"):
        rule = "a scan (.stl, .ply, .obj) or caliper readings (.csv)"
        raise InputError(invalid("file", made, rule))
    from bafflelens.handoff.judging import PASS
    from bafflelens.handoff.scanned import ScanRequest, inspect_scan

    request = ScanRequest(
        folder=folder,
        scan=made,
        out=out or made.with_name(f"{made.stem}_inspection"),
        candidate=candidate,
        unit=unit,
        marks=marks,
        scanner_mm=scanner_mm,
    )
    found = inspect_scan(request, ConsoleProgress())
    say(found.report)
    say(f"folder: {request.out}")
    return FINE if found.verdict == PASS else HAS_FAILURES


def _inspect_readings(folder: Path, readings: Path, candidate: str) -> int:
    from bafflelens.handoff.inspection import PASS, inspect_readings

    found = inspect_readings(folder, readings, candidate)
    for reading in found:
        say(reading.text)
    return FINE if all(reading.verdict == PASS for reading in found) else HAS_FAILURES
