# SPDX-License-Identifier: GPL-3.0-or-later
"""What small changes do to the best candidates: each is solved again a tolerance away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from bafflelens.base.status import Status
from bafflelens.job.cost_estimate import band_mesh_sizes
from bafflelens.job.perturbations import (
    NearbyShape,
    changed_keys,
    nearby_job,
    nearby_shapes,
    tolerance_of,
)
from bafflelens.run.judging import score_of
from bafflelens.run.solving import solve_aside
from bafflelens.run.state import Run
from bafflelens.scoring.carved import is_carved
from bafflelens.scoring.ranking import CandidateResult, RankedRow
from bafflelens.scoring.sensitivity import ParameterChange, Robustness


def change_leaders(run: Run, rows: Sequence[RankedRow]) -> None:
    """Change the leading candidates a little, one parameter after the other, and note the effect.

    Parameters
    ----------
    run : Run
        The run; its job says how many.
    rows : sequence of RankedRow
        Its ranking.
    """
    ranked = [row.candidate for row in rows if row.status == Status.RANKED]
    leaders = [c for c in ranked if not (c.is_baseline or is_carved(c.id))]
    keys = changed_keys(run.loaded)
    for candidate in leaders[: run.loaded.job.robustness.leaders] if keys else ():
        change_candidate(run, candidate, keys)


def change_candidate(run: Run, candidate: CandidateResult, keys: Sequence[str]) -> None:
    """Change a candidate a little, one parameter after the other, and note the effect.

    Parameters
    ----------
    run : Run
        The run.
    candidate : CandidateResult
        The candidate.
    keys : sequence of str
        The parameters to change.
    """
    if run.plan.nearby is None:
        return
    # The score is that of the run's job, on fewer frequencies and coarser meshes.
    draft = replace(run, loaded=nearby_job(run.loaded), plan=run.plan.nearby)
    shapes = nearby_shapes(draft.loaded, candidate.id, candidate.values, keys)
    possible = [shape for shape in shapes if not shape.faults]
    run.progress.say(f"{candidate.id}: {len(possible) - 1} small changes, one parameter at a time")
    sizes = band_mesh_sizes(draft.loaded, draft.plan.bands)
    datasets = solve_aside(
        draft,
        [(replace(candidate, id=shape.name, values=shape.values), sizes) for shape in possible],
        # Meshes made anew would differ by more than many a small change does.
        moved_from=shapes[0].values,
    )
    scores = {name: score_of(draft, dataset) for name, dataset in datasets.items()}
    totals = {name: found.total_db for name, found in scores.items() if found.is_complete}
    start_db = totals.get(shapes[0].name)
    if start_db is None:
        drawn = scores.get(shapes[0].name)
        why = "its draft failed" if drawn is None else f"its draft has {drawn.gaps[0]}"
        run.journal.add_remark(f"{candidate.id}: small changes are not known, {why}")
        return
    found = Robustness(
        candidate=candidate.id,
        score_db=start_db,
        changes=tuple(
            _change(run, key, [shape for shape in shapes if shape.key == key], totals, start_db)
            for key in keys
        ),
    )
    run.journal.set_robustness(found)
    run.progress.say(found.text)


def _change(
    run: Run, key: str, sides: Sequence[NearbyShape], totals: dict[str, float], start_db: float
) -> ParameterChange:
    parameter = next(p for p in run.loaded.shape.parameters if p.key == key)
    less, more = (totals.get(side.name) for side in sides)
    reasons = [
        f"{side.name.rpartition('.')[2]}: "
        + ("; ".join(side.faults) or "not solved, see the failures")
        for side in sides
        if side.name not in totals
    ]
    return ParameterChange(
        key=key,
        unit=parameter.unit,
        tolerance=tolerance_of(run.loaded, parameter),
        less_db=None if less is None else less - start_db,
        more_db=None if more is None else more - start_db,
        reasons=tuple(reasons),
    )
