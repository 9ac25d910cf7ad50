# SPDX-License-Identifier: GPL-3.0-or-later
"""The order of the candidates, with a reason for each that has no place in it."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.status import Status
from bafflelens.scoring.dome_family import DomeScores, lines_on_domes
from bafflelens.scoring.references import is_reference
from bafflelens.scoring.score import Score
from bafflelens.scoring.sensitivity import Robustness

ESTIMATED_SMALLEST_DIFFERENCE_DB: Final = 0.1
"""What one shape's scores differ by on different meshes, where nobody has looked."""

_LOWER_BOUND_DB: Final = 0.03
_REPEATABILITY: Final = 2.8


WAITING: Final = Status.WAITING
LOOKED_AT: Final = Status.LOOKED_AT
UNDONE: Final = (LOOKED_AT, WAITING)
"""What was not solved in full, and has not failed: a line tells of it (`lines_on_undone`)."""

_MOST_NAMED: Final = 6
_UNRANKED: Final = (Status.INCOMPLETE, *UNDONE, Status.FAILED)

WARNING: Final = "Warning: "
"""How a reason begins that is no failure: the result stands, with a grain of salt."""


@dataclass(frozen=True, kw_only=True, slots=True)
class CandidateResult:
    """What became of one candidate.

    Attributes
    ----------
    id : str
        Unique in the run.
    label : str
        For people: the geometry, or the baseline's name.
    is_baseline : bool
        Whether the others are compared with it: the baseline, or a reference.
    values : mapping of str to float
        Its parameters, by flat key.
    score : Score or None
        None if it could not be scored.
    status : str
        ``solved``, or ``failed`` if there is nothing to rank.
    reasons : tuple of str
        Why it failed, or what went wrong on the way.
    look_db : float
        Score of a first look, in dB; NaN where there was none.
    final_db : float
        Score as a finalist, in dB; NaN where it was none.
    """

    id: str
    label: str
    is_baseline: bool
    values: Mapping[str, float]
    score: Score | None
    status: str
    reasons: tuple[str, ...] = ()
    look_db: float = math.nan
    final_db: float = math.nan

    @property
    def is_reference(self) -> bool:
        """Whether it is a further baseline, shown beside the one that levels are relative to."""
        return self.is_baseline and is_reference(self.id)


@dataclass(frozen=True, kw_only=True)
class Remeshing:
    """One shape meshed several ways: how far its scores are apart.

    Attributes
    ----------
    candidate : str
        Its id; empty where nothing was meshed again.
    scores_db : tuple of float
        Its score on each mesh, in dB.
    """

    candidate: str
    scores_db: tuple[float, ...]

    @property
    def smallest_difference_db(self) -> float:
        """The smallest difference of two scores that means anything, in dB.

        The repeatability limit, 2.8 standard deviations (ISO 5725-6, from memory): two scores
        of the same shape on different meshes differ by less in 95 % of all cases. Few meshes
        can agree by chance, so it is never below 0.03 dB. An estimate if there is one score.
        """
        if len(self.scores_db) < 2:
            return ESTIMATED_SMALLEST_DIFFERENCE_DB
        spread = _REPEATABILITY * statistics.stdev(self.scores_db)
        return max(spread, _LOWER_BOUND_DB)

    @property
    def text(self) -> str:
        """The smallest difference and where it comes from, in words."""
        start = f"smallest difference that means anything: {self.smallest_difference_db:.2f} dB"
        if len(self.scores_db) < 2:
            return f"{start}, an estimate; no shape was meshed several ways"
        listed = ", ".join(f"{score_db:.2f}" for score_db in self.scores_db)
        ways = len(self.scores_db)
        return f"{start}; {self.candidate} meshed {ways} ways scores {listed} dB"


NOT_MESHED_AGAIN: Final = Remeshing(candidate="", scores_db=())


@dataclass(frozen=True, kw_only=True, slots=True)
class RankedRow:
    """One row of the ranking.

    Attributes
    ----------
    place : int or None
        1 is best; candidates that tie share a place. None if it is not ranked.
    candidate : CandidateResult
        The candidate.
    status : str
        ``ranked``, ``incomplete`` (frequencies of the score band are missing), ``looked at``
        (as a draft, and not solved in full), ``waiting`` (the run has not come to it) or
        ``failed``.
    better_by_db : float
        By how much its score is lower than the baseline's, in dB; NaN if one has none.
    is_tied : bool
        Whether it shares its place.
    reasons : tuple of str
        Why it ties, is dominated, incomplete or failed.
    dominated_by : str
        Id of a candidate that is nowhere worse in vertical control, horizontal width and side
        effects, and clearly better in one; empty for those on the front.
    robustness : Robustness or None
        What small changes do to it; None where nobody has looked.
    notes : tuple of str
        What was heard or seen of it, or of a shape like it.
    rejected : str
        Why the shape itself was rejected, if that is the latest verdict on it.
    domes : DomeScores or None
        What it scores with every plausible motion of its domes; None where that is not asked.
    resolved : mapping of str to float or None
        What is built of its parameters, by key; None where nobody has asked the shape's script.
    """

    place: int | None
    candidate: CandidateResult
    status: str
    better_by_db: float
    is_tied: bool
    reasons: tuple[str, ...]
    dominated_by: str = ""
    robustness: Robustness | None = None
    notes: tuple[str, ...] = ()
    rejected: str = ""
    domes: DomeScores | None = None
    resolved: Mapping[str, float] | None = None

    @property
    def dimensions(self) -> Mapping[str, float]:
        """The dimensions to show, by key: those that are built, or as given if none are known."""
        return self.candidate.values if self.resolved is None else self.resolved

    @property
    def is_on_front(self) -> bool:
        """Whether it is ranked and nothing dominates it."""
        return self.status == Status.RANKED and not self.dominated_by


def rank(
    candidates: Sequence[CandidateResult],
    smallest_difference_db: float = ESTIMATED_SMALLEST_DIFFERENCE_DB,
) -> tuple[RankedRow, ...]:
    """Return the candidates in order of their scores, best first.

    Finalists come before all others, in the order of their scores as such.

    Parameters
    ----------
    candidates : sequence of CandidateResult
        In any order; one at least is a baseline, and the first baseline with a complete score
        that is no reference is what the others are compared with.
    smallest_difference_db : float
        Scores closer than this to the best of their group share its place, in dB; it takes as
        much in one of the three objectives to dominate.

    Returns
    -------
    tuple of RankedRow
        Ranked ones first, then those that are incomplete, wait or failed. None is left out.
        Equal scores come in the order of their ids.

    Raises
    ------
    ValueError
        If there is no baseline, or an id comes twice.
    """
    if not any(candidate.is_baseline for candidate in candidates):
        msg = "Invalid ranking: no baseline. Must have one candidate at least marked as baseline."
        raise ValueError(msg)
    ids = [candidate.id for candidate in candidates]
    if len(set(ids)) != len(ids):
        doubled = next(name for name in ids if ids.count(name) > 1)
        msg = f"Invalid candidate id '{doubled}'. Must be unique in the ranking."
        raise ValueError(msg)

    by_status: dict[str, list[CandidateResult]] = {Status.RANKED: [], **{s: [] for s in _UNRANKED}}
    for candidate in candidates:
        by_status[_status(candidate)].append(candidate)
    complete = {
        candidate.id: candidate.score.total_db
        for candidate in by_status[Status.RANKED]
        if candidate.score is not None
    }
    measures = [c.id for c in candidates if c.is_baseline and not c.is_reference]
    baseline_db = next((complete[name] for name in measures if name in complete), float("nan"))
    finals = {
        candidate.id: candidate.final_db
        for candidate in by_status[Status.RANKED]
        if math.isfinite(candidate.final_db) and not candidate.is_baseline
    }
    ordered = sorted(by_status[Status.RANKED], key=lambda c: (complete[c.id], c.id))
    dominators = dominators_of(ordered, smallest_difference_db)
    first = sorted((c for c in ordered if c.id in finals), key=lambda c: (finals[c.id], c.id))
    groups = _groups(first, finals, smallest_difference_db)
    groups += _groups([c for c in ordered if c.id not in finals], complete, smallest_difference_db)
    rows: list[RankedRow] = []
    for group in groups:
        place = len(rows) + 1
        for candidate in group:
            dominator = dominators[candidate.id]
            reasons = candidate.reasons
            if candidate.id in finals:
                reasons += (f"finalist: {finals[candidate.id]:.2f} dB at a better quality",)
            if candidate is not group[0]:
                reasons += (
                    f"within {smallest_difference_db:.2g} dB of {group[0].id}: "
                    "no difference that means anything",
                )
            if dominator:
                reasons += (
                    f"dominated by {dominator}: no better in anything, worse in something",
                )
            rows.append(
                RankedRow(
                    place=place,
                    candidate=candidate,
                    status=Status.RANKED,
                    better_by_db=baseline_db - complete[candidate.id],
                    is_tied=len(group) > 1,
                    reasons=reasons,
                    dominated_by=dominator,
                )
            )
    for status in _UNRANKED:
        for candidate in sorted(by_status[status], key=_order_of_unranked):
            rows.append(
                RankedRow(
                    place=None,
                    candidate=candidate,
                    status=status,
                    better_by_db=float("nan"),
                    is_tied=False,
                    reasons=_why_unranked(candidate),
                )
            )
    return tuple(rows)


def lines_on_undone(rows: Sequence[RankedRow]) -> tuple[str, ...]:
    """Return a line on the candidates that wait, and one on those with a first look only."""
    lines = []
    waiting = [row.candidate.id for row in rows if row.status == WAITING]
    if waiting:
        named = ", ".join(waiting[:_MOST_NAMED]) + ", ..." * (len(waiting) > _MOST_NAMED)
        lines.append(
            f"{len(waiting)} not solved yet ({named}): bafflelens resume continues with them"
        )
    looked_at = [row.candidate for row in rows if row.status == LOOKED_AT]
    if looked_at:
        best = looked_at[0]  # they come in the order of their looks
        lines.append(
            f"{len(looked_at)} were solved as drafts only, the best of them {best.id} at "
            f"{best.look_db:.2f} dB: bafflelens rank --all lists them"
        )
    return tuple(lines)


def lines_on_families(rows: Sequence[RankedRow], most: int = 5) -> tuple[str, ...]:
    """Return which differences between neighbours in the ranking survive the domes' families."""
    ranked = [row for row in rows if row.status == Status.RANKED and row.domes is not None]
    found = [(row.candidate.id, row.domes) for row in ranked[:most] if row.domes is not None]
    return lines_on_domes(found)


def dominators_of(ordered: Sequence[CandidateResult], least_db: float) -> dict[str, str]:
    """Return for each candidate the first that dominates it, by id; empty where none does.

    One dominates another that is nowhere better in the three objectives (`Objectives`) and
    worse by `least_db` or more in one of them. The others are the Pareto front.

    Parameters
    ----------
    ordered : sequence of CandidateResult
        Candidates with a score, the best first.
    least_db : float
        Smallest difference that means anything, in dB.
    """
    names = [candidate.id for candidate in ordered if candidate.score is not None]
    values = [c.score.objectives.values for c in ordered if c.score is not None]
    columns = np.array(values, dtype=float).reshape(-1, 3).T
    found = {}
    for number, name in enumerate(names):
        one, two, three = (column[number] - column for column in columns)
        least = np.minimum(np.minimum(one, two), three)
        most = np.maximum(np.maximum(one, two), three)
        dominates = (least >= 0) & (most >= least_db) & (most > 0)
        first = int(dominates.argmax())
        found[name] = names[first] if dominates[first] else ""
    return found


def _order_of_unranked(candidate: CandidateResult) -> tuple[float, str]:
    look_db = candidate.look_db
    return look_db if math.isfinite(look_db) else math.inf, candidate.id


def _status(candidate: CandidateResult) -> str:
    if candidate.status in UNDONE:
        return candidate.status
    if candidate.status == Status.FAILED or candidate.score is None:
        return "failed"
    # A score that is not a number has no place either, whatever led to it.
    can_rank = candidate.score.is_complete and math.isfinite(candidate.score.total_db)
    return Status.RANKED if can_rank else Status.INCOMPLETE


def _why_unranked(candidate: CandidateResult) -> tuple[str, ...]:
    found = candidate.reasons + (candidate.score.gaps if candidate.score else ())
    return tuple(dict.fromkeys(found)) or ("no reason recorded",)


def _groups(
    ordered: Sequence[CandidateResult],
    total_db: Mapping[str, float],
    smallest_difference_db: float,
) -> list[list[CandidateResult]]:
    """Return runs of candidates that tie with the first of their run."""
    groups: list[list[CandidateResult]] = []
    for candidate in ordered:
        if groups and total_db[candidate.id] - total_db[groups[-1][0].id] < smallest_difference_db:
            groups[-1].append(candidate)
        else:
            groups.append([candidate])
    return groups
