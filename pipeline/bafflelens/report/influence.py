# SPDX-License-Identifier: GPL-3.0-or-later
"""What the parameters did over the run, and where leaders sit at their limits, for the page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from markupsafe import Markup

from bafflelens.base.parameter_words import called
from bafflelens.base.status import Status
from bafflelens.report import figures, words
from bafflelens.report.style import svg_or_reason
from bafflelens.report.tables import column_of
from bafflelens.report.view import RunView
from bafflelens.scoring.carved import is_carved
from bafflelens.scoring.main_effects import (
    AtLimit,
    EffectEstimate,
    MainEffect,
    MainEffects,
    limits_reached,
    main_effects,
)
from bafflelens.scoring.ranking import RankedRow

OUTCOMES: Final = ("Score", "Vertical control", "Horizontal width", "Side effects")

_COUNTS: Final = {1: "One", 2: "Two", 3: "Three", 4: "Four", 5: "Five", 6: "Six"}
_WEAK: Final = 0.5  # share explained, below which a fit is called weak; common practice, no source


@dataclass(frozen=True, kw_only=True)
class EffectRow:
    """A line of the table of main effects; one estimate for each of `OUTCOMES`."""

    title: str
    unit: str
    low: float
    high: float
    changes: tuple[EffectEstimate, ...]
    standardised: float
    verdict: str


@dataclass(frozen=True, kw_only=True)
class LimitRow:
    """A line of the table of limits.

    Attributes
    ----------
    title, limit : str
        The parameter, and which end of its range.
    leaders : tuple of str
        Who sits there.
    advice : str
        What to do about it.
    key, side, end : str
        The parameter in the job, ``above`` or ``below``, and that end with its unit.
    leads_on : bool
        Whether it is worth a search further there.
    """

    title: str
    limit: str
    leaders: tuple[str, ...]
    advice: str
    key: str
    side: str
    end: str
    leads_on: bool


@dataclass(frozen=True, kw_only=True)
class Influence:
    """The section, ready for the template.

    Attributes
    ----------
    summary : str
        What can be said, or why nothing can.
    rows : tuple of EffectRow
        The largest change of the score first.
    drawing : Markup or None
        The rows as a picture.
    cautions : tuple of str
        What limits it.
    leaders : tuple of str
        Who counts as a leader, by name.
    limits : tuple of LimitRow
        Where leaders sit at an end of what was searched.
    """

    summary: str
    rows: tuple[EffectRow, ...]
    drawing: Markup | None
    cautions: tuple[str, ...]
    leaders: tuple[str, ...]
    limits: tuple[LimitRow, ...]


def influence_of(run: RunView) -> Influence | None:
    """Return what the parameters did; None if nothing was searched."""
    tried = _tried(run)
    ranges = searched_ranges(run)
    if not ranges:
        return None
    ranked = [
        row for row in tried if row.status == Status.RANKED and row.candidate.score is not None
    ]
    found = main_effects([row.candidate.values for row in ranked], _outcomes_of(ranked), ranges)
    leaders = {row.candidate.id: row.candidate.values for row in ranked[: max(run.detailed, 1)]}
    rows = tuple(_row_of(effect) for effect in found.effects)
    return Influence(
        summary=_summary(found, len(tried)),
        rows=rows,
        drawing=_drawing_of(rows),
        cautions=tuple(_cautions(found)),
        leaders=tuple(leaders),
        limits=tuple(
            _limit_row(end, found, run, len(leaders)) for end in limits_reached(leaders, ranges)
        ),
    )


def searched_ranges(run: RunView) -> dict[str, tuple[float, float]]:
    """Return what was searched: as the job says, else what the candidates reach from and to."""
    tried = [row.candidate.values for row in _tried(run)]
    ranges = {}
    for key in dict.fromkeys(key for values in tried for key in values):
        reached = [values[key] for values in tried if key in values]
        low, high = run.ranges.get(key, (min(reached), max(reached)))
        low, high = min(low, *reached), max(high, *reached)
        if min(reached) < max(reached):
            ranges[key] = (low, high)
    return ranges


def _tried(run: RunView) -> list[RankedRow]:
    """Return all candidates: effects fitted to the best alone would be too small."""
    rows = run.every_row or run.rows
    return [r for r in rows if not (r.candidate.is_baseline or is_carved(r.candidate.id))]


def _outcomes_of(rows: Sequence[RankedRow]) -> np.ndarray:
    """Return score and objectives of ranked candidates, (n_candidates, 4), in dB."""
    scores = [row.candidate.score for row in rows if row.candidate.score is not None]
    return np.array(
        [(score.total_db, *score.objectives.values) for score in scores], dtype=float
    ).reshape(-1, len(OUTCOMES))


def _row_of(effect: MainEffect) -> EffectRow:
    column = column_of(effect.key)
    return EffectRow(
        title=called(effect.key),
        unit=column.unit,
        low=effect.low,
        high=effect.high,
        changes=effect.changes,
        standardised=effect.standardised,
        verdict=_verdict(effect, column.unit),
    )


def _verdict(effect: MainEffect, unit: str) -> str:
    """Return in words what a parameter did to the score."""
    if effect.best_at is not None:
        return f"best near {words.number(effect.best_at)} {unit}".strip() + ", worse to both sides"
    change = effect.changes[0]
    if not change.is_certain:
        return "may be chance: the interval includes zero"
    return "less of it is better" if change.value > 0 else "more of it is better"


def _summary(found: MainEffects, n_tried: int) -> str:
    fitted = f"{found.n_candidates} of {n_tried} candidates have a place in the ranking"
    if not found.is_known:
        return (
            f"There are too few candidates to tell what each dimension did: {fitted}, and at "
            f"least {found.n_needed} are needed to tell them from each other and from chance."
        )
    certain = [effect for effect in found.effects if effect.changes[0].is_certain]
    if not certain:
        return (
            f"No dimension clearly matters to the score: {fitted}, and every interval includes "
            "zero. More candidates, or wider ranges, would tell."
        )
    parts = [
        f"{called(effect.key)} ({words.signed_decibels(effect.changes[0].value)} dB from "
        f"{words.number(effect.low)} to {words.number(effect.high)} {column_of(effect.key).unit}"
        ")".replace(" )", ")")
        for effect in certain
    ]
    count, verb = _COUNTS.get(len(parts), str(len(parts))), "s" if len(parts) == 1 else ""
    noun = "dimension" if len(parts) == 1 else "dimensions"
    return f"{count} {noun} clearly matter{verb}: {words.listed(parts)}; {fitted}."


def _cautions(found: MainEffects) -> list[str]:
    told = [
        f"{called(key)} and {called(partner)} moved together and cannot be told apart; what is "
        f"said of {called(partner)} holds for both"
        for key, partner in found.aliased.items()
    ]
    if found.is_known and found.explained[0] < _WEAK:
        told.append(
            f"straight lines explain {100 * found.explained[0]:.0f} % of the score's variance "
            "(adjusted); most of it is curvature, dimensions acting together, or noise"
        )
    if found.is_known and all(effect.bend is None for effect in found.effects):
        told.append(
            "too few candidates, or too few values of a dimension, to find a best value inside a "
            "range"
        )
    return told


def _limit_row(end: AtLimit, found: MainEffects, run: RunView, n_leaders: int) -> LimitRow:
    column = column_of(end.key)
    value = f"{words.number(end.limit)} {column.unit}".strip()
    advice, leads_on = _advice(end, found, _shape_limit(end, run), n_leaders)
    return LimitRow(
        title=called(end.key),
        limit=f"{'upper' if end.is_upper else 'lower'}, {value}",
        leaders=end.leaders,
        advice=advice,
        key=end.key,
        side="above" if end.is_upper else "below",
        end=value,
        leads_on=leads_on,
    )


def _advice(
    end: AtLimit, found: MainEffects, shape_limit: float | None, n_leaders: int
) -> tuple[str, bool]:
    """Return what to do about leaders at an end of a range, and whether to search further."""
    if shape_limit is not None and np.isclose(end.limit, shape_limit):
        return "this is as far as the shape itself goes", False
    side = "above" if end.is_upper else "below"
    change = next((effect.changes[0] for effect in found.effects if effect.key == end.key), None)
    if change is not None and change.is_certain:
        falls_there = (change.value < 0) == end.is_upper
        if falls_there:
            return f"search further {side}: the score falls all the way to this end", True
        return "no need to go further: over the run the score falls to the other end", False
    if end.includes_best or 2 * len(end.leaders) >= n_leaders:
        return f"worth a search further {side}, though its effect may be chance", True
    return "may be chance: one shape in ten lands this close to a limit anyway", False


def _shape_limit(end: AtLimit, run: RunView) -> float | None:
    """Return how far the shape itself lets a parameter go at this end; None if unknown."""
    for view in run.views:
        for parameter in view.parameters:
            if parameter.key == end.key:
                return parameter.high if end.is_upper else parameter.low
    return None


def _drawing_of(rows: Sequence[EffectRow]) -> Markup | None:
    if not rows:
        return None
    changes: dict[str, Sequence[EffectEstimate]] = {}
    for row in rows:
        span = f"{words.number(row.low)} to {words.number(row.high)} {row.unit}".rstrip()
        changes[f"{row.title}\n{span}"] = row.changes
    alt = (
        "Change of score, vertical control, horizontal width and side effects from one end of "
        "each parameter's range to the other, with intervals; the numbers are in the table."
    )
    return Markup(svg_or_reason(lambda: figures.effect_bars(changes, OUTCOMES), "effects", alt))
