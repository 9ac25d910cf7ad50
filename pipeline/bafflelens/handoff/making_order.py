# SPDX-License-Identifier: GPL-3.0-or-later
"""In which order the candidates of a hand-off are to be made, and what that follows from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from bafflelens.handoff.checks import FAILED, Check
from bafflelens.handoff.thresholds import Before
from bafflelens.scoring.ranking import RankedRow

HINDERING: Final = (
    "same as analysed",
    "dome's travel",
    "flange and screws",
    "driver's room",
)
"""Checks that, failed, make a part useless; the others ask for other tools or another way."""
ONLY_SURFACE: Final = "only its surface"
"""Of a scan, and of what was carved and cannot be made of smooth faces."""
FIRST_RULE: Final = (
    "Rule: by place; after those with a place come those without; last come those that are not "
    "worth making or have failed one of these checks: "
    + ", ".join(HINDERING)
    + ". Among those that share a place the scores decide nothing, so the one with fewer failed "
    "checks is made first, then the one that stands small changes better, then the lower score."
)


@dataclass(frozen=True, kw_only=True)
class Made:
    """What a hand-off knows of a candidate besides its row.

    Attributes
    ----------
    row : RankedRow
        Its row in the ranking.
    revision : str
        Of what is handed off.
    checks : tuple of Check
        The making checks; empty where only the surface is handed off.
    warnings : tuple of str
        What else the shop must know.
    tolerance : str
        What each place of its front may be off, or why that is not known, as a sentence.
    """

    row: RankedRow
    revision: str
    checks: tuple[Check, ...]
    warnings: tuple[str, ...]
    tolerance: str

    @property
    def failed(self) -> tuple[Check, ...]:
        """The checks that failed."""
        return tuple(check for check in self.checks if check.state == FAILED)

    @property
    def hindering(self) -> tuple[Check, ...]:
        """Those of them that make the part useless."""
        return tuple(check for check in self.failed if check.name in HINDERING)


def turns_of(made: Sequence[Made], verdicts: Sequence[Before]) -> list[tuple[int, str]]:
    """Return when each candidate is to be made, 1 first, and what that follows from."""
    keys = [_turn_key(one, before) for one, before in zip(made, verdicts, strict=True)]
    order = sorted(range(len(made)), key=lambda number: keys[number])
    turn = {number: place for place, number in enumerate(order, start=1)}
    return [
        (turn[number], _why_turn(one, before))
        for number, (one, before) in enumerate(zip(made, verdicts, strict=True))
    ]


def _turn_key(one: Made, before: Before) -> tuple[float, ...]:
    row = one.row
    worst = _worst_db(row)
    score = row.candidate.score
    return (
        float(row.candidate.is_baseline),
        float(not before.is_worth or bool(one.hindering)),
        float(row.place is None),
        float(row.place or 0),
        float(len(one.failed)),
        worst if math.isfinite(worst) else math.inf,
        score.total_db if score is not None and math.isfinite(score.total_db) else math.inf,
    )


def _why_turn(one: Made, before: Before) -> str:
    row = one.row
    if row.candidate.is_baseline:
        return "the baseline, to compare with"
    place = f"place {row.place}" if row.place is not None else "no place: " + row.status
    parts = [place + (", shared" if row.is_tied else "")]
    parts += [] if before.is_worth else ["not worth making"]
    names = ", ".join(check.name for check in one.hindering)
    parts += [f"hindered by {names}"] if names else []
    count = len(one.failed)
    parts.append(
        f"{count} failed check{'' if count == 1 else 's'}" if one.checks else ONLY_SURFACE
    )
    worst = _worst_db(row)
    if math.isfinite(worst):
        parts.append(f"small changes cost at most {worst:.2f} dB each")
    else:
        parts.append("small changes not solved")
    return "; ".join(parts)


def _worst_db(row: RankedRow) -> float:
    """Return the most that one small change costs, in dB; NaN where that was not solved."""
    worst = row.robustness.worst if row.robustness is not None else None
    return worst.worst_db if worst is not None else math.nan
