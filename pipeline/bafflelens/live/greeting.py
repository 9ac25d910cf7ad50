# SPDX-License-Identifier: GPL-3.0-or-later
"""What a page is told of a run at first, and how far the run and what is known of it are."""

from __future__ import annotations

from typing import Any

import numpy as np

from bafflelens.live.frames import json_number, limits_of_target
from bafflelens.live.known import Known
from bafflelens.live.solved import Judge
from bafflelens.live.told import draft_frequencies, sliders_of
from bafflelens.run.queueing.overview import run_overview


def greeting(judge: Judge, known: Known) -> dict[str, Any]:
    """Return what a page must know once."""
    frequencies = np.array(draft_frequencies(judge.loaded))
    return {
        "kind": "hello",
        "title": judge.loaded.job.title,
        "run": judge.folder.name,
        "sliders": sliders_of(judge),
        "start": dict(known.start()),
        "target": limits_of_target(judge.target, frequencies),
    }


def known_so_far(known: Known, *, is_writing: bool) -> dict[str, Any]:
    """Return how far a run is, its ranking, and how much is known.

    Parameters
    ----------
    known : Known
        What is known of its shapes.
    is_writing : bool
        Whether this process writes to the run, so that its status is that before.
    """
    folder, learned = known.judge.folder, known.learned
    overview = run_overview(folder)
    standing = overview.standing
    return {
        "status": folder.load_record(with_tasks=False).status
        if is_writing
        else str(overview.status),
        "step": standing.step if standing else "",
        "share": json_number(standing.share) if standing else None,
        "left_s": json_number(overview.left_s()),
        "rows": known.ranking(),
        "baseline": known.mark_of_baseline,
        "known": learned.estimator.n_shapes if learned else 0,
        "drafts": len(known.drafts),
        "full": known.n_full,
        "needed": known.fewest,
        "score_off_db": json_number(learned.score_off_db) if learned else None,
    }
