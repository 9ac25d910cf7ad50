# SPDX-License-Identifier: GPL-3.0-or-later
"""The panel of the report on how domes really move."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from bafflelens.base.status import Status
from bafflelens.report.figures.domes import dome_bars
from bafflelens.report.style import to_svg
from bafflelens.scoring.ranking import RankedRow, lines_on_families

_MOST_DRAWN: Final = 12


@dataclass(frozen=True, kw_only=True)
class DomePanel:
    """What the panel shows.

    Attributes
    ----------
    drawing : Markup
        Bars over the family.
    number : int
        How many members the family has.
    lines : tuple of str
        Which differences survive it.
    """

    drawing: Markup
    number: int
    lines: tuple[str, ...]


def domes_of(rows: Sequence[RankedRow], names: Mapping[str, str]) -> DomePanel | None:
    """Return the panel of a run; None where its job has no family."""
    every = [row for row in rows if row.status == Status.RANKED and row.domes is not None]
    if not every:
        return None
    baseline = next((row for row in every if row.candidate.is_baseline), None)
    shown = every[:_MOST_DRAWN]
    if baseline is not None and baseline not in shown:
        shown.append(baseline)
    found = {names[row.candidate.id]: row.domes for row in shown if row.domes is not None}
    emphasised = names[baseline.candidate.id] if baseline is not None else ""
    alt = "Scores of each shape over the family of dome motions: best to worst, mean and spread"
    return DomePanel(
        drawing=Markup(to_svg(dome_bars(found, emphasised), "domes", alt)),
        number=max(len(domes.members_db) for domes in found.values()),
        lines=lines_on_families(rows),
    )
