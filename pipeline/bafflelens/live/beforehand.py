# SPDX-License-Identifier: GPL-3.0-or-later
"""What is solved before anybody asks: a small spread of shapes, and what a first draft needs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from bafflelens.job.sampling import BASELINE_ID, baseline_values, low_discrepancy, settings_of
from bafflelens.live.known import Known, key_of
from bafflelens.live.solved import Answer
from bafflelens.live.study import Study

if TYPE_CHECKING:
    from bafflelens.live.solves import Bench

_TRIED_A_SHAPE: Final = 50


@dataclass(kw_only=True, eq=False)
class Beforehand:
    """What solves drafts that no page has wished; whoever wishes one ends it.

    Attributes
    ----------
    known : Known
        Drafts go there.
    study : Study
        Told when there is more to learn from.
    say : callable
        Tells pages what is done.
    is_warm : bool
        Whether the first draft finds all that it needs.
    """

    known: Known
    study: Study
    say: Callable[..., None]
    is_warm: bool = False

    def spread(self, bench: Bench, is_over: Callable[[], bool]) -> bool:
        """Solve the next of a small spread of shapes; False if there is none."""
        known, total = self.known.keys, self.known.spread
        self.say(
            doing=f"solving a small spread of shapes, {len(known)} of {total}, so that moves can "
            "be answered by estimates"
        )
        self.require_draft_baseline(bench, is_over)
        points = low_discrepancy(settings_of(bench.judge.loaded), 1, _TRIED_A_SHAPE * total)
        values = next(
            (p for p in points if key_of(p) not in known and not bench.judge.faults(p)), None
        )
        if values is None:
            return False
        drawn = bench.draft("", values, is_over)
        if drawn is not None:
            self.known.add_draft(values, drawn)
            self.study.ask()
            self.say()
        return True

    def warm(self, bench: Bench, is_over: Callable[[], bool]) -> None:
        """Solve drafts of the baseline and of the shape that the page begins with.

        The first move from there finds both, a mesh to be moved and answers to begin with.
        """
        self.say(doing="getting ready for drafts")
        start = self.known.start()
        self.is_warm = True  # what cannot be meshed is tried once
        self.require_draft_baseline(bench, is_over)
        drawn = None if is_over() else bench.draft("", start, is_over)
        if drawn is None:
            self.is_warm = False
        else:
            self.known.add_draft(start, drawn)

    def require_draft_baseline(self, bench: Bench, is_over: Callable[[], bool]) -> None:
        """Solve the baseline as drafts are, so that these are judged beside it."""
        if self.known.draft_baseline is not None:
            return
        values = baseline_values(bench.judge.loaded)
        drawn = bench.draft(BASELINE_ID, values, is_over)
        if drawn is not None:
            self.known.draft_baseline = Answer(id=BASELINE_ID, values=values, dataset=drawn)
            self.say()
