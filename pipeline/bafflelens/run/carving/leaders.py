# SPDX-License-Identifier: GPL-3.0-or-later
"""Carving in a run: the best few of its ranking, as far as the time allows."""

from __future__ import annotations

from collections.abc import Sequence

from bafflelens.base.errors import BafflelensError
from bafflelens.base.status import Status
from bafflelens.run.carving.carve import carve_candidate, knowing_carved
from bafflelens.run.state import Run
from bafflelens.scoring.carved import is_carved, parent_of
from bafflelens.scoring.ranking import RankedRow


def carve_leaders(run: Run, rows: Sequence[RankedRow]) -> Run:
    """Carve the leading candidates of a ranking that were not, and tell what it gained.

    A candidate that cannot be carved is a remark in the run's record; the run goes on.

    Parameters
    ----------
    run : Run
        The run; its job says how many.
    rows : sequence of RankedRow
        Its ranking.

    Returns
    -------
    Run
        The run, with the shapes that were carved.
    """
    section = run.loaded.job.carve
    ranked = [row.candidate for row in rows if row.status == Status.RANKED]
    done = {parent_of(c.id) for c in run.folder.candidates() if is_carved(c.id)}
    leaders = [c for c in ranked if not (c.is_baseline or is_carved(c.id))][: section.leaders]
    for parent in leaders:
        if parent.id in done:
            continue
        if not run.clock.has_time_for(2 * run.clock.shape_s, run.clock.later_s):
            _remark(run, f"{parent.id} was not carved, no time left")
            continue
        try:
            carved = carve_candidate(run, parent, section)
        except BafflelensError as error:
            _remark(run, f"{parent.id} was not carved: {error}")
            continue
        run = knowing_carved(run)
        scores = {c.id: c.score.total_db for c in run.folder.candidates() if c.score is not None}
        if carved.candidate in scores:
            gained = scores[parent.id] - scores[carved.candidate]
            _remark(run, f"{carved.candidate}: carving {parent.id} gained {gained:.2f} dB")
    return run


def _remark(run: Run, text: str) -> None:
    run.progress.say(text)
    run.journal.add_remark(text)
