# SPDX-License-Identifier: GPL-3.0-or-later
"""What is solved before anybody asks: a small spread of shapes, and what a first draft needs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from bafflelens.base.errors import BafflelensError
from bafflelens.job.sampling import BASELINE_ID, baseline_values, low_discrepancy, settings_of
from bafflelens.job.shape_sections import Choices
from bafflelens.live.known import Known, key_of
from bafflelens.live.solved import Answer, Judge, limits_of
from bafflelens.live.study import Study

if TYPE_CHECKING:
    from bafflelens.live.solves import Bench

_TRIED_A_SHAPE: Final = 50

NEIGHBOUR_SHARE: Final = 0.02
"""So far from a shape, as a share of their ranges, its neighbours lie: two steps of a slider."""
_MOST_NEIGHBOURS: Final = 8  # what a mesh keeps of earlier answers holds these and a few more


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
    place : mapping of str to float
        The shape whose neighbours are solved, or have been.
    neighbours : list of mapping
        Those that are not solved yet.
    """

    known: Known
    study: Study
    say: Callable[..., None]
    is_warm: bool = False
    place: Mapping[str, float] = field(default_factory=dict)
    neighbours: list[dict[str, float]] = field(default_factory=list)

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
        drawn = None if is_over() else bench.draft("", start, is_over, is_ahead=True)
        if drawn is None:
            self.is_warm = False
        else:
            self.known.add_draft(start, drawn)

    def has_neighbours_left(self, values: Mapping[str, float]) -> bool:
        """Tell whether the neighbours of a shape are not all solved.

        Those of a shape that is hardly another do as well.
        """
        judge = self.known.judge
        if self.place != values and not _is_near(judge, self.place, values):
            self.place, self.neighbours = dict(values), neighbours_of(judge, values)
        return bool(self.neighbours)

    def solve_neighbour(self, bench: Bench, is_over: Callable[[], bool]) -> None:
        """Solve a draft of the next neighbour, in small pieces: a move waits for one at most.

        A combination of their answers is then the draft of whatever lies between.
        """
        values = self.neighbours[0]
        if key_of(values) not in self.known.drafts:
            self.say(doing=f"preparing drafts near this shape, {len(self.neighbours)} left")
            try:
                drawn = bench.draft("", values, is_over, is_ahead=True)
            except BafflelensError:  # one that cannot be meshed is no neighbour
                self.neighbours.remove(values)
                return
            if drawn is None:
                return
            self.known.add_draft(values, drawn)
            self.study.ask()
        self.neighbours.remove(values)

    def require_draft_baseline(self, bench: Bench, is_over: Callable[[], bool]) -> None:
        """Solve the baseline as drafts are, so that these are judged beside it."""
        if self.known.draft_baseline is not None:
            return
        values = baseline_values(bench.judge.loaded)
        drawn = bench.draft(BASELINE_ID, values, is_over, is_ahead=True)
        if drawn is not None:
            self.known.draft_baseline = Answer(id=BASELINE_ID, values=values, dataset=drawn)
            self.say()


def neighbours_of(judge: Judge, values: Mapping[str, float]) -> list[dict[str, float]]:
    """Return shapes beside one, a dimension each, that break no rule.

    To first order a small move of any dimension is a combination of theirs.
    """
    found = []
    for key, setting in judge.searched.items():
        low, high = limits_of(setting)
        for way in (1, -1):
            value = values[key] + way * NEIGHBOUR_SHARE * (high - low)
            beside = {**values, key: value}
            if isinstance(setting, Choices) or not low <= value <= high or judge.faults(beside):
                continue
            found.append(beside)
            break
    return found[:_MOST_NEIGHBOURS]


def _is_near(judge: Judge, place: Mapping[str, float], values: Mapping[str, float]) -> bool:
    """Tell whether a shape lies among the neighbours of a place."""
    if set(place) != set(values) or any(
        place[key] != values[key] for key in set(place) - set(judge.searched)
    ):
        return False
    ranges = {key: limits_of(setting) for key, setting in judge.searched.items()}
    return all(
        abs(place[key] - values[key]) <= 1.5 * NEIGHBOUR_SHARE * (high - low)
        for key, (low, high) in ranges.items()
    )
