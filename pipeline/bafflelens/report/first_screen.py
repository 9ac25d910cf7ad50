# SPDX-License-Identifier: GPL-3.0-or-later
"""The first screen of a report: what to make, what it gains, costs and risks, what to do next."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bafflelens.base.parameter_words import amount, called
from bafflelens.report import words
from bafflelens.report.dimensions import dimension_words
from bafflelens.report.leaders import gains_and_costs
from bafflelens.report.outside_band import outside_band
from bafflelens.scoring.carved import is_carved
from bafflelens.scoring.ranking import WARNING, RankedRow

if TYPE_CHECKING:
    from bafflelens.report.influence import Influence, LimitRow
    from bafflelens.report.shown import Shown
    from bafflelens.report.view import Picture, RunView


@dataclass(frozen=True, kw_only=True)
class Step:
    """Something to do next, and the command that does it; empty where there is none."""

    text: str
    command: str = ""


@dataclass(frozen=True, kw_only=True)
class FirstScreen:
    """What the first screen says and shows.

    Attributes
    ----------
    make : str
        What to make, with its dimensions.
    shape, section : Picture or None
        The shape in space, and its section with dimensions.
    gains, costs, fears : tuple of str
        What it gains, what it costs, and what to fear.
    steps : tuple of Step
        What to do next.
    """

    make: str
    shape: Picture | None
    section: Picture | None
    gains: tuple[str, ...]
    costs: tuple[str, ...]
    fears: tuple[str, ...]
    steps: tuple[Step, ...]


def first_screen_of(
    run: RunView,
    winner: Shown | None,
    reference: Shown | None,
    changes: Mapping[str, words.Direction],
    influence: Influence | None,
) -> FirstScreen | None:
    """Return the first screen; None if there is no candidate to show.

    Parameters
    ----------
    run : RunView
        The run.
    winner, reference : Shown or None
        The answer, and the baseline.
    changes : mapping of str to Direction
        What the answer changes towards floor, ceiling and sides.
    influence : Influence or None
        What the parameters did, and where the answer sits at a limit.
    """
    if winner is None or reference is None:
        return None
    row, baseline = winner.row, reference.row
    gains, costs = gains_and_costs(row, baseline, changes)
    return FirstScreen(
        make=make_text(winner, reference),
        shape=next((p for p in winner.view.pictures if p.small), None),
        section=winner.view.opening,
        gains=tuple(gains) or ("none",),
        costs=tuple(costs) or ("none",),
        fears=fears_of(run, winner, reference, influence),
        steps=steps_of(run, winner, reference, influence),
    )


def make_text(winner: Shown, reference: Shown) -> str:
    """Return what to make, with the dimensions that matter; or that nothing is worth it yet."""
    row, dimensions = winner.row, dimension_words(winner.view.dimensions)
    told = f"{winner.name}: {dimensions}" if dimensions else winner.name
    if row.rejected:
        return f"Every shape was rejected; the best of them is {told}."
    if not is_better(row, reference.row):
        return f"Make none of these yet: none beats the {reference.name}. Nearest is {told}."
    return f"Make {told}."


def is_better(row: RankedRow, baseline: RankedRow) -> bool:
    """Tell whether a candidate is better than the baseline by what means anything."""
    return row.better_by_db > 0 and row.place != baseline.place


def fears_of(
    run: RunView, winner: Shown, reference: Shown, influence: Influence | None
) -> tuple[str, ...]:
    """Return what to fear of the answer, a sentence each."""
    row = winner.row
    told = [
        outside_band(
            winner.curves.towards,
            reference.curves.towards,
            run.target,
            run.settings.band_hz,
            reference.name,
        ),
        _sensitive(row),
    ]
    told += [
        f"Near a limit: {limit.title} sits at the end of its range ({limit.limit})."
        for limit in _limits(row, influence)
    ]
    opinion = run.second_opinion or ""
    if opinion.startswith(WARNING):
        told.append(f"Second opinion: {opinion.removeprefix(WARNING)}.")
    told += [
        f"{words.sentence(reason.removeprefix(WARNING))}"
        for reason in row.candidate.reasons
        if reason.startswith(WARNING) and "second opinion" not in reason
    ]
    told += [f"Noted: {note}." for note in row.notes]
    return tuple(told)


def steps_of(
    run: RunView, winner: Shown, reference: Shown, influence: Influence | None
) -> tuple[Step, ...]:
    """Return what to do next, the first first."""
    row, id_, folder = winner.row, winner.row.candidate.id, shlex.quote(run.folder)
    steps = []
    if is_better(row, reference.row) and not row.rejected:
        steps.append(
            Step(
                text="Make it in clay, from templates and a drawing:",
                command=f"bafflelens handoff {folder} {id_} --out handoff_{id_}",
            )
        )
    further = [limit for limit in _limits(row, influence) if limit.leads_on]
    if further:
        where = words.listed([f"{limit.key} {limit.side} {limit.end}" for limit in further])
        steps.append(
            Step(text=f"Search further there: widen {where} in the job, then run it again.")
        )
    elif not steps:
        steps.append(Step(text="Search elsewhere: wider ranges, or another family of shapes."))
    if not is_carved(id_):
        steps.append(
            Step(
                text="Let it carve itself down the slope of the score:",
                command=f"bafflelens carve {folder} {id_}",
            )
        )
    other = words.next_sentence(run.rows, row, run.ranges)
    return (*steps, *([Step(text=other)] if other else []))


def _sensitive(row: RankedRow) -> str:
    """Return which dimension the shop must hold."""
    worst = row.robustness.worst if row.robustness else None
    if row.robustness is None or worst is None:
        return "Small changes: not tried yet (bafflelens tolerances)."
    if worst.worst_db < words.SMALLEST_DB:
        return "No dimension that was changed a little costs anything."
    return (
        f"Most sensitive: {called(worst.key)}; {amount(worst.tolerance, worst.unit)} off costs "
        f"up to {words.decibel_text(worst.worst_db, 2)} dB."
    )


def _limits(row: RankedRow, influence: Influence | None) -> Sequence[LimitRow]:
    """Return the ends of ranges that the answer sits at."""
    limits = influence.limits if influence else ()
    return [limit for limit in limits if row.candidate.id in limit.leaders]
