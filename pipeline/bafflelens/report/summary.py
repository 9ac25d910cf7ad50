# SPDX-License-Identifier: GPL-3.0-or-later
"""What a run folder says: its ranking, and its report."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from bafflelens import store
from bafflelens.base.errors import DamagedError, InputError, StoreError, invalid
from bafflelens.base.reading import has_control, shown_text
from bafflelens.base.status import Status
from bafflelens.directivity.loudspeaker import remarks_of
from bafflelens.job.dimensions import dimensions_in
from bafflelens.job.feasibility import bounces_out_of_reach, line_on_reach
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.shape_sections import Choices, Setting, Span
from bafflelens.job.sources import is_plate
from bafflelens.report.leader_pictures import leader_opening, leader_pictures
from bafflelens.scoring.model_error import mock_ups_line
from bafflelens.scoring.notes import SENSES, VERDICTS, Note, rejection, reminders
from bafflelens.scoring.ranking import (
    NOT_MESHED_AGAIN,
    UNDONE,
    WARNING,
    CandidateResult,
    RankedRow,
    Remeshing,
    lines_on_undone,
    rank,
)
from bafflelens.store import RunFolder, RunRecord
from bafflelens.store.system_response import meeting_of, missing_plates, played

if TYPE_CHECKING:  # what draws is slow to load, and a ranking never needs it
    from bafflelens.report import CandidateView, RunView
    from bafflelens.scoring.seat import SeatBounce

_LONGEST_NOTE: Final = 4000
MOST_SHOWN: Final = 60
"""So many candidates does a report draw, the best ones, and the baseline in any case."""

MOST_LISTED: Final = 300
"""So many does it list."""

_NOT_SOLVED: Final = "not solved: the run has not reached it yet"


def rank_run(
    folder: RunFolder, record: RunRecord | None = None, loaded: LoadedJob | None = None
) -> tuple[RankedRow, ...]:
    """Return the ranking of a run, also of one that is not finished.

    Its record is read unless it is given. With its job, the rows have the dimensions that are
    built (`dimensions_in`).
    """
    record = record or folder.load_record(with_tasks=False)
    remeshing = record.remeshing or NOT_MESHED_AGAIN
    rows = rank(candidates_of(folder), remeshing.smallest_difference_db)
    with_lore = lore_of(folder, record)
    found = tuple(with_lore(row, row.candidate) for row in rows)
    if loaded is None:
        return found
    dimensions = dimensions_in(loaded)
    return tuple(
        replace(row, resolved=dimensions(row.candidate.id, row.candidate.values)) for row in found
    )


def lore_of(
    folder: RunFolder, record: RunRecord
) -> Callable[[RankedRow, CandidateResult], RankedRow]:
    """Return what adds to a row what is known of its candidate besides the score.

    That is what small changes do to it, and what was heard or seen of it. The candidate is given
    under the id that it has in its run.
    """
    known = {found.candidate: found for found in record.robustness}
    notes = store.load_notes(folder.path.parent)
    loaded = folder.load_job() if notes else None
    families = folder.domes()

    def with_lore(row: RankedRow, candidate: CandidateResult) -> RankedRow:
        row = replace(row, robustness=known.get(candidate.id), domes=families.get(candidate.id))
        return row if loaded is None else _with_notes(row, candidate, notes, folder.name, loaded)

    return with_lore


def _with_notes(
    row: RankedRow,
    candidate: CandidateResult,
    notes: Sequence[Note],
    run: str,
    loaded: LoadedJob,
) -> RankedRow:
    """Return a row with what notes say of its candidate and of shapes like it."""
    shape = loaded.shape_of(candidate.id)
    values = shape.defaults | dict(candidate.values)
    return replace(
        row,
        notes=reminders(
            notes,
            run=run,
            candidate=candidate.id,
            shape=shape.name,
            values=values,
            spans={
                parameter.key: parameter.high - parameter.low for parameter in shape.parameters
            },
        ),
        rejected=rejection(notes, shape=shape.name, values=values),
    )


def note_on(folder: RunFolder, candidate_id: str, text: str, *, sense: str, verdict: str) -> Note:
    """Record what was heard or seen of a candidate, for this run and all later ones.

    Parameters
    ----------
    folder : RunFolder
        The run.
    candidate_id : str
        A candidate of it, or the baseline.
    text : str
        What was heard or seen.
    sense, verdict : str
        One of `notes.SENSES` and one of `notes.VERDICTS`.

    Raises
    ------
    InputError
        If there is no such candidate, nothing is said, or sense or verdict is unknown.
    StoreError
        If it cannot be written.
    """
    found = {candidate.id: candidate for candidate in candidates_of(folder)}
    if candidate_id not in found:
        raise InputError(invalid("candidate", candidate_id, "one of " + ", ".join(found)))
    said = " ".join(text.split())
    if len(said) > _LONGEST_NOTE or has_control(said):
        rule = f"at most {_LONGEST_NOTE} characters without control characters"
        raise InputError(invalid("note", shown_text(said), rule))
    if not said:
        raise InputError(invalid("note", text, "text that says what was heard or seen"))
    for what, value, choices in (("sense", sense, SENSES), ("verdict", verdict, VERDICTS)):
        if value not in choices:
            raise InputError(invalid(what, value, "one of " + ", ".join(choices)))
    candidate, loaded = found[candidate_id], folder.load_job()
    shape = loaded.shape_of(candidate.id)
    note = Note(
        created_utc=store.utc_now(),
        run=folder.name,
        candidate=candidate_id,
        shape=shape.name,
        values=shape.defaults | dict(candidate.values),
        sense=sense,
        verdict=verdict,
        text=said,
    )
    store.add_note(folder.path.parent, note)
    return note


def remeshing_of(folder: RunFolder) -> Remeshing:
    """Return how far apart the scores of one shape are, meshed several ways; or the estimate."""
    return folder.load_record(with_tasks=False).remeshing or NOT_MESHED_AGAIN


def seat_of(
    folder: RunFolder, candidate_id: str, loaded: LoadedJob | None = None
) -> tuple[SeatBounce, ...]:
    """Return what of a candidate arrives at the seat; empty if it is not solved.

    The job of the run is read unless it is given.
    """
    from bafflelens.scoring.seat import bounces_at_seat

    if not folder.has_directivity(candidate_id):
        return ()
    loaded = loaded or folder.load_job()
    job = loaded.job
    dataset = played(folder, loaded, folder.load_directivity(candidate_id))
    return bounces_at_seat(dataset, job.room.room, job.score.settings.band_hz, job.air.medium)


def solved_candidate(folder: RunFolder, candidate_id: str) -> CandidateResult:
    """Return a candidate that is solved.

    Raises
    ------
    InputError
        If the run has none of that name, or has not solved it.
    """
    solved = {c.id: c for c in candidates_of(folder) if folder.has_directivity(c.id)}
    if candidate_id not in solved:
        rule = "one that the run has solved: " + (", ".join(solved) or "there are none yet")
        raise InputError(invalid("candidate", candidate_id, rule))
    return solved[candidate_id]


def candidates_of(folder: RunFolder) -> list[CandidateResult]:
    """Return the candidates of a run, those that wait with the reason; plates are none.

    Raises
    ------
    DamagedError
        If the catalogue has lost the baseline, without which there is no ranking.
    """
    looks, finals = folder.scores_at(store.FIRST_LOOK), folder.scores_at(store.FINALS)
    found = []
    for candidate in folder.candidates():
        if is_plate(candidate.id):
            continue
        look, final = looks.get(candidate.id), finals.get(candidate.id)
        reasons = candidate.reasons
        if candidate.status == store.WAITING:
            reasons = (_NOT_SOLVED,)
        if candidate.status == store.LOOKED_AT and look is not None:
            reasons = (f"first look: {look.total_db:.2f} dB, not promising enough",)
        if reasons is not candidate.reasons:
            candidate = replace(candidate, reasons=reasons)
        if look or final:
            candidate = replace(
                candidate,
                look_db=look.total_db if look and look.is_complete else math.nan,
                final_db=final.total_db if final and final.is_complete else math.nan,
            )
        found.append(candidate)
    if not any(candidate.is_baseline for candidate in found):
        rule = "one that holds the baseline: continue the run to have it made anew"
        raise DamagedError(invalid("catalogue", folder.path / "catalog.sqlite", rule))
    return found


def has_failed(row: RankedRow) -> bool:
    """Tell whether anything of a candidate failed that was to be solved."""
    if row.status in UNDONE:
        return False
    reasons = row.candidate.reasons
    return row.status != Status.RANKED or not all(reason.startswith(WARNING) for reason in reasons)


def report_run(
    folder: RunFolder,
    loaded: LoadedJob,
    record: RunRecord,
    *,
    is_filed: bool = False,
    with_appendix: bool = False,
) -> None:
    """Write the report of a run from what its folder holds, and the page of its target.

    Where it is filed, the PDF is written beside the page, with an appendix if that is asked for.
    """
    from bafflelens import report
    from bafflelens.report.style import not_drawn

    try:
        folder.write_target(_target_picture(loaded))
    except StoreError:
        raise
    except Exception as error:  # no picture is worth the report
        folder.log(not_drawn("the target", error))
    view = view_of(folder, loaded, record)
    folder.write_report(lambda path: report.write_report(view, path))
    if is_filed:
        folder.write_filed(report.filed(view, with_appendix=with_appendix))


def view_of(folder: RunFolder, loaded: LoadedJob, record: RunRecord) -> RunView:
    """Gather what a report shows.

    Parameters
    ----------
    folder : RunFolder
        The run.
    loaded : LoadedJob
        Its job.
    record : RunRecord
        Its record, with the status that the report shall state.
    """
    from bafflelens.report import Failure, RunView, Timing
    from bafflelens.report.carvings import carved_views
    from bafflelens.report.origins import origins_of

    job = loaded.job
    rows, searched = rank_run(folder, record, loaded), _searched(job.geometry.parameters)
    with ThreadPoolExecutor(1) as apart:
        views = _views_of(folder, loaded, rows, apart)
    return RunView(
        name=folder.name,
        folder=f"{folder.path.resolve().parent.name}/{folder.name}",
        title=job.title,
        why=job.why,
        scenario=job.scenario,
        job_text=loaded.text,
        created_utc=record.created_utc,
        status=record.status,
        rows=_listed(rows),
        every_row=rows,
        views=views,
        target=job.target.target(job.room.room),
        settings=job.score.settings,
        room=job.room.room,
        ranges=searched,
        origins=origins_of(loaded.shape.parameters, job.geometry.parameters),
        detailed=job.report.detailed,
        carvings=carved_views(folder, loaded),
        failures=tuple(
            Failure(candidate=task.candidate, what=task.task, reason=task.reason)
            for task in record.tasks
            if task.status == store.FAILED
        ),
        remarks=(
            *record.remarks,
            *_lines_on_reach(loaded, rows, views),
            *lines_on_undone(rows),
            *_left_out(sum(row.status not in UNDONE for row in rows)),
            *remarks_of(loaded.loudspeaker, job.air.medium.sound_speed),
            *_lines_of_mock_ups(folder),
        ),
        second_opinion=record.second_opinion,
        remeshing=record.remeshing or NOT_MESHED_AGAIN,
        timings=tuple(
            Timing(step=step, seconds=seconds) for step, seconds in record.timing_s.items()
        ),
        versions=record.versions,
        host=record.host,
    )


def _views_of(
    folder: RunFolder, loaded: LoadedJob, rows: Sequence[RankedRow], apart: Executor
) -> tuple[CandidateView, ...]:
    """Return what a report shows of single candidates; some of the pictures are drawn apart."""
    from bafflelens.report import CandidateView
    from bafflelens.report.dimensions import dimensions_of

    job = loaded.job
    searched = _searched(job.geometry.parameters)
    drawn = [row.candidate.id for row in rows if not row.candidate.is_baseline]
    drawn = drawn[: job.report.detailed]
    views: list[CandidateView] = []
    for row in rows:
        candidate = row.candidate
        if len(views) >= MOST_SHOWN and not candidate.is_baseline:
            continue
        if not folder.has_directivity(candidate.id) or missing_plates(folder, loaded):
            continue
        shape = loaded.shape_of(candidate.id)
        mesh = folder.load_mesh(candidate.id)
        is_drawn = candidate.is_baseline or candidate.id in drawn
        solved = folder.load_directivity(candidate.id)
        dimensions = dimensions_of(row.dimensions, searched, mesh)
        pictures = leader_pictures(mesh, shape.symmetry, apart) if is_drawn else ()
        views.append(
            CandidateView(
                id=candidate.id,
                parameters=shape.parameters,
                dataset=played(folder, loaded, solved),
                solved=solved,
                mesh=mesh,
                pictures=pictures,
                opening=leader_opening(mesh, shape.symmetry, dimensions) if pictures else None,
                dimensions=dimensions,
                meeting=meeting_of(folder, loaded, solved) if is_drawn else None,
                clay=folder.load_clay_map(candidate.id) if is_drawn else None,
            )
        )
    return tuple(views)


def _lines_on_reach(
    loaded: LoadedJob, rows: Sequence[RankedRow], views: Sequence[CandidateView]
) -> tuple[str, ...]:
    """Return what the best candidate sends to each bounce that was estimated out of reach."""
    datasets = {view.id: view.dataset for view in views}
    ranked = [row.candidate for row in rows if row.status == Status.RANKED]
    best = next((c.id for c in ranked if not c.is_baseline and c.id in datasets), None)
    if best is None:
        return ()
    azimuth_deg = loaded.job.target.target(loaded.job.room.room).seat_azimuth_deg
    lines = [
        line_on_reach(best, datasets[best], bounce, azimuth_deg)
        for bounce in bounces_out_of_reach(loaded)
    ]
    return tuple(filter(None, lines))


def _searched(settings: Mapping[str, Setting]) -> dict[str, tuple[float, float]]:
    """Return the lowest and the highest value of each parameter that a job searches."""
    ranges = {}
    for key, setting in settings.items():
        match setting:
            case Span(low, high):
                ranges[key] = (low, high)
            case Choices(values):
                ranges[key] = (min(values), max(values))
    return ranges


def _lines_of_mock_ups(folder: RunFolder) -> tuple[str, ...]:
    """Return what the mock-ups compared so far say, for a reader who weighs differences."""
    line = mock_ups_line(store.load_mock_ups(folder.path.parent))
    return (line,) if line else ()


def _listed(rows: Sequence[RankedRow]) -> tuple[RankedRow, ...]:
    """Return the rows that a report lists: the best, some without a place, and the baseline.

    What waits or had no more than a first look is told of in a line each (`lines_on_undone`).
    """
    ranked = [row for row in rows if row.place is not None]
    others = [row for row in rows if row.place is None and row.status not in UNDONE]
    behind = [row for row in ranked[MOST_LISTED:] if row.candidate.is_baseline]
    return (*ranked[:MOST_LISTED], *behind, *others[:MOST_LISTED])


def _left_out(number: int) -> tuple[str, ...]:
    """Return what is said where the report does not show all candidates."""
    if number <= MOST_SHOWN:
        return ()
    text = f"of {number} shapes the best {MOST_SHOWN} are drawn here"
    if number > MOST_LISTED:
        text += f" and the best {MOST_LISTED} listed"
    return (f"{text}; bafflelens rank --all lists all",)


def _target_picture(loaded: LoadedJob) -> bytes:
    from bafflelens.report.target_file import target_file

    return target_file(loaded)
