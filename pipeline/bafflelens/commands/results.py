# SPDX-License-Identifier: GPL-3.0-or-later
"""What a run has found: ranking, notes, report, curves, small changes."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.parameter_words import amount, called
from bafflelens.commands import options
from bafflelens.commands.console import ConsoleProgress, decibel_figure, new_table, say, show_table
from bafflelens.commands.options import (
    FINE,
    HAS_FAILURES,
    Folder,
    Means,
    Workers,
    prepare_compiler,
    require_beside,
)
from bafflelens.commands.ranking_tables import ROWS_SHOWN, print_ranking

if TYPE_CHECKING:
    from bafflelens.scoring.seat import SeatBounce
    from bafflelens.scoring.sensitivity import Robustness
    from bafflelens.store import RunFolder


def rank(
    folder: Folder,
    /,
    *more: Folder,
    everything: Annotated[
        bool, Parameter(name="--all", negative="", help="List all candidates, not the best 40.")
    ] = False,
) -> int:
    """Print the ranking of a run, also of one that is not finished, or of several together."""
    from bafflelens.report.summary import has_failed, rank_run, seat_of
    from bafflelens.scoring.ranking import NOT_MESHED_AGAIN
    from bafflelens.store import open_run

    if not more:
        opened = open_run(folder)
        record = opened.load_record(with_tasks=False)
        loaded = opened.load_job()
        rows = rank_run(opened, record, loaded)
        remeshing = record.remeshing or NOT_MESHED_AGAIN
        seat: Callable[[str], Sequence[SeatBounce]] = partial(seat_of, opened, loaded=loaded)
    else:
        from bafflelens.report.joint_ranking import rank_together

        runs = [open_run(path) for path in (folder, *more)]
        joint = rank_together(runs, ConsoleProgress())
        rows = joint.rows
        remeshing = joint.remeshing
        seat = lambda name: seat_of(*joint.origin[name])  # noqa: E731
    print_ranking(rows, remeshing, seat, most=None if everything else ROWS_SHOWN)
    return HAS_FAILURES if any(has_failed(row) for row in rows) else FINE


def note(
    folder: Folder,
    candidate: Annotated[
        str | None,
        Parameter(help="Id of a candidate, or baseline; without it notes are listed."),
    ] = None,
    text: Annotated[str | None, Parameter(help="What was heard or seen, in quotes.")] = None,
    /,
    *,
    verdict: Annotated[str, Parameter(help="kept, rejected or undecided.")] = "undecided",
    sense: Annotated[str, Parameter(help="heard, seen or measured.")] = "heard",
) -> int:
    """Record what was heard or seen of a candidate; later runs are reminded of it."""
    from bafflelens.report.summary import note_on
    from bafflelens.scoring.notes import notes_of_run
    from bafflelens.store import load_notes, open_run

    opened = open_run(folder)
    if candidate is None:
        lines = notes_of_run(load_notes(folder.parent), opened.name)
        for line in lines or ("no notes on this run",):
            say(line)
        return FINE
    if text is None:
        raise InputError(invalid("note", "", "text that says what was heard or seen"))
    made = note_on(opened, candidate, text, sense=sense, verdict=verdict)
    say(f"noted: {candidate} {made.judgement}")
    return FINE


def report(
    folder: Folder,
    /,
    *,
    pdf: Annotated[
        bool, Parameter(help="Also write report.pdf, two A4 pages for filing.", negative=())
    ] = False,
    appendix: Annotated[
        bool,
        Parameter(help="With --pdf: the whole ranking and every leader's figures.", negative=()),
    ] = False,
    clay_maps: Annotated[
        int, Parameter(help="Of so many leaders, with where to add or take clay.")
    ] = 0,
) -> int:
    """Write the report of a run again."""
    from bafflelens.report.summary import report_run
    from bafflelens.store import open_run

    require_beside("--appendix", "--pdf", is_alone=appendix and not pdf)
    if clay_maps < 0:
        raise InputError(invalid("option '--clay-maps'", clay_maps, "a whole number, 0 or more"))
    opened = open_run(folder)
    with opened.locked():
        if clay_maps:
            _keep_clay_maps(opened, clay_maps)
        report_run(
            opened,
            opened.load_job(),
            opened.load_record(),
            is_filed=pdf,
            with_appendix=appendix,
        )
    for path in (opened.report_path, *([opened.filed_path] if pdf else [])):
        say(f"report: {path}")
    return FINE


def _keep_clay_maps(folder: RunFolder, count: int) -> None:
    """Draw the clay maps of the best candidates that have none, and say which cannot be."""
    prepare_compiler()
    from bafflelens.base.status import Status
    from bafflelens.mockup.clay_map.make import keep_clay_map
    from bafflelens.report.summary import rank_run

    rows = rank_run(folder, folder.load_record(), folder.load_job())
    best = [row for row in rows if row.status == Status.RANKED and not row.candidate.is_baseline]
    for row in best[:count]:
        if folder.load_clay_map(row.candidate.id) is not None:
            continue
        try:
            keep_clay_map(folder, row.candidate.id, ConsoleProgress())
        except InputError as error:
            say(f"no clay map of {row.candidate.id}: {error}")


def curves(
    folder: Folder,
    candidate: Annotated[str, Parameter(help="Its id in the ranking: c009, or baseline.")],
    /,
    *,
    out: Annotated[Path, Parameter(help="File to write: .csv, .png, .pdf or .svg.")],
    rear_wall: Annotated[
        str,
        Parameter(help="Rear wall: A, every angle from 90 degrees back, or B, only three."),
    ] = "A",
) -> int:
    """Write the curves of CTA-2034-A of a candidate, as a table or a picture."""
    from bafflelens.report.standard_file import curves_file
    from bafflelens.store import open_run, write_file

    file_format = out.suffix.removeprefix(".").lower()
    content = curves_file(open_run(folder), candidate, file_format, rear_wall)
    write_file(out, content, replace_existing=True)
    say(f"curves: {out}")
    return FINE


def tolerances(
    folder: Folder,
    candidate: Annotated[str, Parameter(help="Id of a solved candidate.")],
    /,
    *,
    all_parameters: Annotated[
        bool, Parameter(help="Change every parameter of the shape, not only the searched ones.")
    ] = False,
    workers: Workers = None,
) -> int:
    """Change a candidate a little, one parameter at a time, and tell what that costs."""
    prepare_compiler(beside_workers=True)
    from bafflelens.run.on_request import change_on_request

    found = change_on_request(
        folder,
        candidate,
        options.run_options(folder.parent, Means(workers=workers, cache_gib=0)),
        all_parameters=all_parameters,
    )
    _print_robustness(found)
    return FINE


def _print_robustness(found: Robustness) -> None:
    """Print what each small change does."""
    table = new_table(
        f"Small changes of {found.candidate}: rise of the score in dB",
        *("parameter", "change", "less", "more", "costs 0.5 dB", "remark"),
    )
    for change in found.changes:
        allowed = change.allowed(0.5)
        known = "-" if math.isnan(allowed) else "no change seen" if math.isinf(allowed) else ""
        table.add_row(
            called(change.key),
            amount(change.tolerance, change.unit),
            *(
                decibel_figure(math.nan if side is None else side, signed=True)
                for side in (change.less_db, change.more_db)
            ),
            known or amount(allowed, change.unit),
            "; ".join(change.reasons),
        )
    show_table(table)
    say(found.text)
