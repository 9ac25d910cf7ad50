# SPDX-License-Identifier: GPL-3.0-or-later
"""Keeps what a page shows first of a run that is over, as `live.first_view` reads it."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from typing import Final

from bafflelens.base.errors import BafflelensError, StoreError
from bafflelens.job.sampling import BASELINE_ID, searched_of
from bafflelens.live.first_estimates import FirstEstimates
from bafflelens.live.first_view import FirstView, load_first_view, view_digest
from bafflelens.live.frames import SOLVED, json_number
from bafflelens.live.greeting import greeting, known_so_far
from bafflelens.live.known import Known
from bafflelens.live.replies import answer_frame, meshed_frames, opened_frames
from bafflelens.live.solved import Judge, limits_of
from bafflelens.live.told import broken_stretches
from bafflelens.store import FINISHED, FINISHED_WITH_FAILURES, RunFolder

_OVER: Final = (FINISHED, FINISHED_WITH_FAILURES)


def keep_view_of_run(folder: RunFolder) -> None:
    """Keep the first view of a run that has just ended; a run that has none goes without."""
    with suppress(BafflelensError, StoreError):
        loaded = folder.load_job()
        searched_of(loaded)  # a job that searches nothing has no page
        known = Known(judge=Judge(loaded=loaded, folder=folder))
        known.read_new()
        known.learn(lambda: None)
        keep_first_view(known)


def keep_first_view(known: Known) -> bool:
    """Keep the first view of a run, unless what is kept still fits; tell whether it was made.

    Nothing is kept while the run goes on, or if what the page begins with is not solved. All
    that is solved must have been read.
    """
    folder = known.judge.folder
    if folder.load_record(with_tasks=False).status not in _OVER or folder.is_worked_on:
        return False
    kept = load_first_view(folder.path)
    if kept is not None and (kept.estimates or known.learned is None):
        return False
    view = first_view_of(known)
    if view is None:
        return False
    with suppress(StoreError):  # a run that cannot be written to goes without
        folder.save_first_view(view.content())
    return True


def first_view_of(known: Known) -> FirstView | None:
    """Return what a page shows first; None if that is not solved, or changes at this moment."""
    judge = known.judge
    searched = judge.searched
    try:
        start = dict(known.start())
    except LookupError:  # a run of no shape
        return None
    found = known.of(start) if set(searched) <= set(start) else None
    if found is None or found[1] != SOLVED or BASELINE_ID not in known.answers:
        return None
    answer, mark, beside = found
    shown = (BASELINE_ID, answer.id)
    folder = judge.folder
    digest = view_digest(folder.path, shown)
    header = {"kind": "answer", "move": 0, "faults": []}
    shapes = meshed_frames(known, 0, answer.values)
    if not shapes:
        return None
    estimates = _estimates_of(known, start)
    more: dict[str, object] = {"doing": "reading the run", "fault": ""}
    if not estimates:
        more |= {"known": 0, "score_off_db": None}
    state = {**known_so_far(known, is_writing=False), **more}
    view = FirstView(
        digest=digest,
        candidates=shown,
        hello={**greeting(judge, known), "state": state},
        values={key: start[key] for key in searched},
        rules=broken_stretches(judge, start),
        levels=answer_frame(judge, header, answer.dataset, mark, beside, answer.id),
        shape=shapes[0],
        reference=BASELINE_ID,
        held=tuple(opened_frames(known, 0, BASELINE_ID)),
        estimates=estimates,
    )
    return view if view_digest(folder.path, shown) == digest else None


def _estimates_of(known: Known, start: Mapping[str, float]) -> bytes:
    """Return what moves are estimated from before the run is read; empty where that is not known.

    Nor for a shape that is no script of its own: what tells its rules is slow to load.
    """
    judge, learned = known.judge, known.learned
    script = judge.loaded.shape.script
    if learned is None or not learned.is_judged or script.suffix != ".py":
        return b""
    first = FirstEstimates(
        estimator=learned.estimator,
        drawing=learned.drawing,
        searched={key: limits_of(setting) for key, setting in judge.searched.items()},
        start=start,
        score_off_db=json_number(learned.score_off_db),
        script=script,
        constraints=[rule.text for rule in judge.loaded.constraints],
    )
    with suppress(ValueError):  # a script that lies elsewhere
        return first.content(judge.folder.path)
    return b""
