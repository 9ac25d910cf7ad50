# SPDX-License-Identifier: GPL-3.0-or-later
"""The order of the candidates, with a reason for each that has no place in it.

Depends on: score.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from bafflelens.score import Score

TIE_DB: Final = 0.1  # the solver and the mesh are good to about 0.15 dB


@dataclass(frozen=True, kw_only=True)
class CandidateResult:
    """What became of one candidate.

    Attributes
    ----------
    id : str
        Unique in the run.
    label : str
        For people: the geometry, or the baseline's name.
    is_baseline : bool
        Whether the others are compared with it.
    values : mapping of str to float
        Its parameters, by flat key.
    score : Score or None
        None if it could not be scored.
    status : str
        ``solved``, or ``failed`` if there is nothing to rank.
    reasons : tuple of str
        Why it failed, or what went wrong on the way.
    """

    id: str
    label: str
    is_baseline: bool
    values: Mapping[str, float]
    score: Score | None
    status: str
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class RankedRow:
    """One row of the ranking.

    Attributes
    ----------
    place : int or None
        1 is best; candidates that tie share a place. None if it is not ranked.
    candidate : CandidateResult
        The candidate.
    status : str
        ``ranked``, ``incomplete`` (frequencies of the score band are missing) or ``failed``.
    better_by_db : float
        By how much its score is lower than the baseline's, in dB; NaN if one has none.
    is_tied : bool
        Whether it shares its place.
    reasons : tuple of str
        Why it ties, is incomplete or failed.
    """

    place: int | None
    candidate: CandidateResult
    status: str
    better_by_db: float
    is_tied: bool
    reasons: tuple[str, ...]


def rank(candidates: Sequence[CandidateResult], tie_db: float = TIE_DB) -> tuple[RankedRow, ...]:
    """Return the candidates in order of their scores, best first.

    Parameters
    ----------
    candidates : sequence of CandidateResult
        In any order; one at least is a baseline, and the first baseline with a complete score
        is what the others are compared with.
    tie_db : float
        Scores closer than this to the best of their group share its place, in dB.

    Returns
    -------
    tuple of RankedRow
        Ranked ones first, then those that are incomplete, then those that failed. None is left
        out. Equal scores come in the order of their ids.

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

    by_status: dict[str, list[CandidateResult]] = {"ranked": [], "incomplete": [], "failed": []}
    for candidate in candidates:
        by_status[_status(candidate)].append(candidate)
    complete = {
        candidate.id: candidate.score.total_db
        for candidate in by_status["ranked"]
        if candidate.score is not None
    }
    baseline_db = next(
        (complete[c.id] for c in candidates if c.is_baseline and c.id in complete), float("nan")
    )
    ordered = sorted(by_status["ranked"], key=lambda c: (complete[c.id], c.id))
    rows: list[RankedRow] = []
    for group in _groups(ordered, complete, tie_db):
        place = len(rows) + 1
        for candidate in group:
            tie = f"within {tie_db:g} dB of {group[0].id}: no difference that means anything"
            reasons = candidate.reasons + ((tie,) if candidate is not group[0] else ())
            rows.append(
                RankedRow(
                    place=place,
                    candidate=candidate,
                    status="ranked",
                    better_by_db=baseline_db - complete[candidate.id],
                    is_tied=len(group) > 1,
                    reasons=reasons,
                )
            )
    for status in ("incomplete", "failed"):
        for candidate in sorted(by_status[status], key=lambda c: c.id):
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


def _status(candidate: CandidateResult) -> str:
    if candidate.status == "failed" or candidate.score is None:
        return "failed"
    # A score that is not a number has no place either, whatever led to it.
    can_rank = candidate.score.is_complete and math.isfinite(candidate.score.total_db)
    return "ranked" if can_rank else "incomplete"


def _why_unranked(candidate: CandidateResult) -> tuple[str, ...]:
    found = candidate.reasons + (candidate.score.gaps if candidate.score else ())
    return tuple(dict.fromkeys(found)) or ("no reason recorded",)


def _groups(
    ordered: Sequence[CandidateResult], total_db: Mapping[str, float], tie_db: float
) -> list[list[CandidateResult]]:
    """Return runs of candidates that tie with the first of their run."""
    groups: list[list[CandidateResult]] = []
    for candidate in ordered:
        if groups and total_db[candidate.id] - total_db[groups[-1][0].id] < tie_db:
            groups[-1].append(candidate)
        else:
            groups.append([candidate])
    return groups
