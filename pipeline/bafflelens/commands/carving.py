# SPDX-License-Identifier: GPL-3.0-or-later
"""Carving: a shape that moves its own surface down the slope of the score."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from bafflelens.commands import options
from bafflelens.commands.console import say
from bafflelens.commands.options import (
    FINE,
    Folder,
    Hours,
    Means,
    Until,
    Workers,
    prepare_compiler,
)


def carve(
    folder: Folder,
    candidate: Annotated[str, Parameter(help="Id of a solved candidate, or baseline.")],
    /,
    *,
    steps: Annotated[int | None, Parameter(help="Most steps; otherwise the job's.")] = None,
    outward_mm: Annotated[
        float | None, Parameter(help="Most to add; otherwise the job's.")
    ] = None,
    inward_mm: Annotated[
        float | None, Parameter(help="Most to take; otherwise the job's.")
    ] = None,
    radius_mm: Annotated[
        float | None,
        Parameter(help="Smallest radius of the finished surface; otherwise the job's."),
    ] = None,
    quieter_than_baseline: Annotated[
        bool | None,
        Parameter(help="Floor and ceiling quieter than from the baseline, too; else the job's."),
    ] = None,
    workers: Workers = None,
    until: Until = None,
    hours: Hours = None,
) -> int:
    """Let a candidate carve itself down the slope of the score; stopped, it goes on."""
    prepare_compiler(beside_workers=True)
    from bafflelens.run.on_request import carve_on_request
    from bafflelens.store import open_run

    given = {
        "steps": steps,
        "outward_mm": outward_mm,
        "inward_mm": inward_mm,
        "radius_mm": radius_mm,
        "quieter_than_baseline": quieter_than_baseline,
    }
    means = Means(workers=workers, until=until, hours=hours)
    found = carve_on_request(
        folder,
        candidate,
        options.run_options(folder.parent, means),
        changes={key: value for key, value in given.items() if value is not None},
    )
    for path in open_run(folder).carving_paths(found.candidate):
        if path.suffix == ".txt":
            say(path.read_text(encoding="utf-8"))
    say(f"sheet and picture: {open_run(folder).carving_paths(found.candidate)[0].parent}")
    say(f"ranked beside {found.parent}: bafflelens rank {folder}")
    return FINE
