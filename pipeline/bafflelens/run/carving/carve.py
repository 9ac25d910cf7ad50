# SPDX-License-Identifier: GPL-3.0-or-later
"""Carving a candidate: read `carve_candidate` from top to bottom.

What is followed is the score of the run's own job, as a draft with six frequencies an octave. The
carved shape then is a candidate like any other: meshed afresh, solved at the job's quality and
ranked beside its parent.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from pydantic import ValidationError

from bafflelens.base.errors import InputError, invalid
from bafflelens.job.keys import rule_of
from bafflelens.job.search_sections import CarveSection
from bafflelens.run.carving.beginning import Carving, begin, limits_on, mesh_anew
from bafflelens.run.carving.descent import DescentPoint, next_point
from bafflelens.run.carving.evaluation import LEAST_SOFTNESS_DB, Evaluated, degraded
from bafflelens.run.carving.keeping import CarvedStep, keep_shape, keep_step
from bafflelens.run.carving.outcome import Carved, show_outcome
from bafflelens.run.solving import solve_candidates
from bafflelens.run.state import Run
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.shapes.meshing.mesh_morph import HeightField

FIRST_STEP_M: Final = 0.0015
LARGEST_STEP_M: Final = 0.004
"""A step moves the surface by no more: so far the slope can be believed."""

_MOST_MESHES: Final = 3
_LOOK_BACK: Final = 3
_LEAST_GAIN_DB: Final = 0.02  # in so many steps


def carve_candidate(run: Run, parent: CandidateResult, section: CarveSection) -> Carved:
    """Carve a solved candidate, and enter what comes of it into the run's catalogue.

    Parameters
    ----------
    run : Run
        The run.
    parent : CandidateResult
        The candidate.
    section : CarveSection
        What may be moved, and how far.

    Raises
    ------
    InputError
        If the limits leave nothing to carve, or the score has no slope left.
    MeshingError
        If the parent cannot be meshed.
    SolveError
        If its draft cannot be solved.
    """
    carving = begin(run, parent, section)
    points = _way_so_far(carving)
    why = _descend(carving, points)
    best = min(_on_same_meshes(carving.steps), key=lambda step: step.followed_db)
    whole = carving.fine.whole(carving.symmetry)
    places, _ = limits_on(carving.height, whole, carving.surfaces)
    room = carving.height.room
    keep_shape(
        run,
        parent,
        carving.name,
        nominal=whole,
        forward_m=carving.height.heights(best.amounts, places)[0],
        field=HeightField(room.y_m, room.z_m, carving.height.on_map(best.amounts)),
        symmetry=carving.symmetry,
        text=best.text,
    )
    solve_candidates(knowing_carved(run), only=(carving.name,))
    carved = Carved(
        candidate=carving.name,
        parent=parent.id,
        steps=tuple(carving.steps),
        best=best.number,
        why=why,
    )
    show_outcome(run, carving, carved, best)
    return carved


def knowing_carved(run: Run) -> Run:
    """Return a run whose job knows the shapes that were carved meanwhile."""
    return replace(run, loaded=replace(run.folder.load_job(), job=run.loaded.job))


def with_changes(section: CarveSection, changes: Mapping[str, object]) -> CarveSection:
    """Return a section with some keys changed, checked like one of a job.

    Raises
    ------
    InputError
        With what is wrong of them.
    """
    try:
        return CarveSection.model_validate({**section.model_dump(), **changes})
    except ValidationError as error:
        raise InputError([_fault_of(dict(fault)) for fault in error.errors()]) from error


def _fault_of(fault: Mapping[str, Any]) -> str:
    name = ".".join(str(part) for part in ("carve", *fault["loc"]))
    field = CarveSection.model_fields.get(str(fault["loc"][-1])) if fault["loc"] else None
    if field is None or fault["type"] == "rule":
        what = f"key '{name}'" if field is not None else "section [carve]"
        value = fault["input"] if field is not None else "as changed"
        return invalid(what, value, fault["msg"])
    return invalid(f"key '{name}'", fault["input"], rule_of(name, field))


def _way_so_far(carving: Carving) -> list[DescentPoint[Evaluated]]:
    """Return the points that a descent goes on from: the parent's, or those that were kept."""
    if carving.steps and carving.steps[-1].meshes > carving.meshes_made:
        carving.meshes_made = carving.steps[-1].meshes - 1
        mesh_anew(carving)
    evaluation = carving.evaluation
    if carving.steps:
        evaluation.softness_db = carving.steps[-1].softness_db
    amounts = carving.steps[-1].amounts if carving.steps else np.zeros(carving.height.shape)
    value = evaluation.value(amounts)
    if value is None:
        rule = "begun with the same limits"
        raise InputError(invalid("carving", carving.name, rule))
    number, found = value
    slope = evaluation.slope(amounts, found)
    last = DescentPoint(amounts=amounts, value=number, slope=slope, found=found)
    if not carving.steps:
        if number <= 0 or not np.abs(slope).max() > 0:
            rule = "one whose score has a slope left: this one meets its target"
            raise InputError(invalid("candidate", carving.parent.id, rule))
        _keep(carving, last, 0.0)
        return [last]
    before = [
        DescentPoint(amounts=step.amounts, value=step.value, slope=step.slope, found=found)
        for step in _alike(carving.steps, evaluation.softness_db)[:-1]
    ]
    return _on_good_meshes(carving, [*before, last])


def _on_good_meshes(
    carving: Carving, points: list[DescentPoint[Evaluated]]
) -> list[DescentPoint[Evaluated]]:
    """Return the points to go on from: the last alone, on new meshes, where these are worn."""
    reason = degraded(carving.bases, points[-1].found.meshes)
    if not reason or carving.meshes_made >= _MOST_MESHES:
        return points
    carving.run.progress.say(f"meshing {carving.parent.id} anew: {reason}")
    return [_meshed_anew(carving, points[-1])]


def _on_same_meshes(steps: Sequence[CarvedStep]) -> Sequence[CarvedStep]:
    """Return the last steps, those on the meshes of the very last."""
    return [step for step in steps if step.meshes == steps[-1].meshes]


def _alike(steps: Sequence[CarvedStep], softness_db: float) -> Sequence[CarvedStep]:
    """Return those of them that were softened alike, too: only these can be compared."""
    return [step for step in _on_same_meshes(steps) if step.softness_db == softness_db]


def _descend(carving: Carving, points: list[DescentPoint[Evaluated]]) -> str:
    """Go down step by step; each is kept. Return why it ended."""
    section, run = carving.section, carving.run
    first_db = carving.steps[0].score_db
    missing = section.steps - (len(carving.steps) - 1)
    took_s = sum(carving.steps[-1].work_s) / run.pool.size
    with run.progress.bar(float(max(missing, 1)), f"carving {carving.parent.id}") as advance:
        while len(carving.steps) <= section.steps:
            if carving.steps[-1].followed_db <= section.aim_db:
                return f"{section.aim_db:g} dB, the aim, is reached"
            if not run.clock.has_time_for(took_s + run.clock.shape_s, run.clock.later_s):
                return "there is no more time"
            started = time.monotonic()
            following = next_point(
                points,
                value=carving.evaluation.value,
                slope=carving.evaluation.slope,
                size=carving.height.change_on_map,
                first_step=FIRST_STEP_M,
                largest_step=LARGEST_STEP_M,
                cost=carving.height.bending,
            )
            if following is None:
                if _is_sharpened(carving, points):
                    continue
                return "no step leads lower within the limits"
            points.append(following)
            took_s = time.monotonic() - started
            step = _keep(carving, following, took_s)
            gained = step.score_db - first_db
            advance(1.0, f"step {step.number}: {step.text}; {gained:+.2f} dB so far")
            points[:] = _on_good_meshes(carving, points)
            softness_db = carving.evaluation.softness_db
            if not _stands_still(_alike(carving.steps, softness_db)):
                continue
            if not _is_sharpened(carving, points):
                return f"less than {_LEAST_GAIN_DB:g} dB gained in {_LOOK_BACK} steps"
    return f"{section.steps} steps are done"


def _is_sharpened(carving: Carving, points: list[DescentPoint[Evaluated]]) -> bool:
    """Go on from the last point with a score that is less softened, if it can be any less."""
    evaluation, last = carving.evaluation, points[-1]
    if evaluation.softness_db <= LEAST_SOFTNESS_DB:
        return False
    number, found = evaluation.sharpened(last.found)
    slope = evaluation.slope(last.amounts, found)
    points[:] = [DescentPoint(amounts=last.amounts, value=number, slope=slope, found=found)]
    return True


def _keep(carving: Carving, point: DescentPoint[Evaluated], seconds: float) -> CarvedStep:
    height = carving.height.on_map(point.amounts)
    step = CarvedStep(
        number=len(carving.steps),
        limits=carving.section.limits_text,
        amounts=point.amounts,
        slope=point.slope,
        value=point.value,
        score_db=point.found.score.total_db,
        softened_db=point.found.softened_db,
        objectives_db=point.found.score.objectives.values,
        outward_m=max(0.0, float(height.max())),
        inward_m=max(0.0, float(-height.min())),
        radii=point.found.radii,
        seconds=seconds,
        work_s=carving.evaluation.take_work_s(),
        louder_db=point.found.louder_db,
        above_db=point.found.above_db,
        meshes=carving.meshes_made,
        softness_db=carving.evaluation.softness_db,
    )
    keep_step(carving.run.folder, carving.name, step)
    carving.steps.append(step)
    return step


def _meshed_anew(carving: Carving, point: DescentPoint[Evaluated]) -> DescentPoint[Evaluated]:
    """Return the same point on finer meshes; what is remembered of the way is dropped."""
    mesh_anew(carving)
    value = carving.evaluation.value(point.amounts)
    if value is None:
        return point
    number, found = value
    slope = carving.evaluation.slope(point.amounts, found)
    return DescentPoint(amounts=point.amounts, value=number, slope=slope, found=found)


def _stands_still(steps: Sequence[CarvedStep]) -> bool:
    if len(steps) <= _LOOK_BACK:
        return False
    return steps[-1 - _LOOK_BACK].value - steps[-1].value < _LEAST_GAIN_DB
