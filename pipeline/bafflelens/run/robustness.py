# SPDX-License-Identifier: GPL-3.0-or-later
"""What small changes do to the best candidates: each is solved again a tolerance away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import xarray as xr

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
from bafflelens.run.solving import Aside, solve_aside
from bafflelens.run.state import Run
from bafflelens.scoring.carved import is_carved
from bafflelens.scoring.ranking import CandidateResult, RankedRow
from bafflelens.scoring.sensitivity import ParameterChange, Robustness


def changed_leaders(run: Run, rows: Sequence[RankedRow]) -> tuple[Aside, ...]:
    """Return the leading candidates as they are to be changed a little, and noted the effect.

    Parameters
    ----------
    run : Run
        The run; its job says how many.
    rows : sequence of RankedRow
        Its ranking.

    Returns
    -------
    tuple of Aside
        What `solve_aside` takes, one a leader.
    """
    ranked = [row.candidate for row in rows if row.status == Status.RANKED]
    leaders = [c for c in ranked if not (c.is_baseline or is_carved(c.id))]
    keys = changed_keys(run.loaded)
    chosen = leaders[: run.loaded.job.robustness.leaders] if keys else ()
    return tuple(aside for candidate in chosen for aside in _changed(run, candidate, keys))


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
    for aside in _changed(run, candidate, keys):
        solve_aside(aside.run, aside)


def _changed(run: Run, candidate: CandidateResult, keys: Sequence[str]) -> tuple[Aside, ...]:
    """Return a candidate as it is to be changed; empty where the run does not plan that."""
    if run.plan.nearby is None:
        return ()
    # The score is that of the run's job, on fewer frequencies and coarser meshes.
    draft = replace(run, loaded=nearby_job(run.loaded), plan=run.plan.nearby)
    shapes = nearby_shapes(draft.loaded, candidate.id, candidate.values, keys)
    possible = [shape for shape in shapes if not shape.faults]
    run.progress.say(f"{candidate.id}: {len(possible) - 1} small changes, one parameter at a time")
    sizes = band_mesh_sizes(draft.loaded, draft.plan.bands)
    aside = Aside(
        run=draft,
        shapes=[(replace(candidate, id=s.name, values=s.values), sizes) for s in possible],
        conclude=partial(_note, draft, candidate.id, keys, shapes),
        # Meshes made anew would differ by more than many a small change does.
        moved_from=shapes[0].values,
    )
    return (aside,)


def _note(
    draft: Run,
    candidate_id: str,
    keys: Sequence[str],
    shapes: Sequence[NearbyShape],
    datasets: dict[str, xr.Dataset],
) -> None:
    """Note what the changes do to the score of a candidate."""
    scores = {name: score_of(draft, dataset) for name, dataset in datasets.items()}
    totals = {name: found.total_db for name, found in scores.items() if found.is_complete}
    start_db = totals.get(shapes[0].name)
    if start_db is None:
        drawn = scores.get(shapes[0].name)
        why = "its draft failed" if drawn is None else f"its draft has {drawn.gaps[0]}"
        draft.journal.add_remark(f"{candidate_id}: small changes are not known, {why}")
        return
    found = Robustness(
        candidate=candidate_id,
        score_db=start_db,
        changes=tuple(
            _change(draft, key, [shape for shape in shapes if shape.key == key], totals, start_db)
            for key in keys
        ),
    )
    draft.journal.set_robustness(found)
    draft.progress.say(found.text)


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
