# SPDX-License-Identifier: GPL-3.0-or-later
"""Carving a candidate: read `carve_candidate` from top to bottom.

What is followed is the score of the run's own job, as a draft with six frequencies an octave. The
carved shape then is a candidate like any other: meshed afresh, solved at the job's quality and
ranked beside its parent.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import xarray as xr
from pydantic import ValidationError

from bafflelens.base.conventions import BoolArray
from bafflelens.base.errors import InputError, MeshingError, invalid
from bafflelens.job.cost_estimate import band_mesh_sizes, plan_nearby
from bafflelens.job.domes import with_profiles
from bafflelens.job.keys import rule_of
from bafflelens.job.perturbations import nearby_job
from bafflelens.job.sampling import BASELINE_ID
from bafflelens.job.search_sections import CarveSection
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.mesh.surface_names import surface_kind
from bafflelens.run.carving.descent import DescentPoint, next_point
from bafflelens.run.carving.displacement import CarvedHeight, Places
from bafflelens.run.carving.evaluation import CarvedMesh, Evaluated, Evaluation, degraded
from bafflelens.run.carving.keeping import CarvedStep, keep_shape, keep_step, kept_steps
from bafflelens.run.carving.room import room_to_carve
from bafflelens.run.solving import solve_candidates
from bafflelens.run.state import Run
from bafflelens.scoring.carved import carved_id
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.shapes.meshing.scripts import packed
from bafflelens.store.system_response import played
from bafflelens.workers.work_units import SolveSettings, mesh_candidate

FIRST_STEP_M: Final = 0.0015
LARGEST_STEP_M: Final = 0.0025
"""A step moves the surface by no more: so far the slope can be believed."""

_FINE: Final = MeshSize(
    source_size_m=0.003,
    growth=2.5,
    growth_distance_m=0.2,
    largest_m=0.01,
    curvature_elements=24,
)
_FINER: Final = 1.3  # a mesh that is made anew
_MOST_MESHES: Final = 3
_LOOK_BACK: Final = 3
_LEAST_GAIN_DB: Final = 0.02  # in so many steps


@dataclass(frozen=True, kw_only=True)
class Carved:
    """What came of carving a candidate.

    Attributes
    ----------
    candidate : str
        Id of the carved shape.
    parent : str
        Id of what it was made of.
    steps : tuple of CarvedStep
        The way, the parent first.
    best : int
        Number of the step whose shape was kept: that of the best score as a draft.
    why : str
        Why it ended, in words.
    """

    candidate: str
    parent: str
    steps: tuple[CarvedStep, ...]
    best: int
    why: str


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
    carving = _begin(run, parent, section)
    points = _way_so_far(carving)
    why = _descend(carving, points)
    best = min(carving.steps, key=lambda step: step.score_db)
    whole = _whole(carving.fine, carving.symmetry)
    places, _ = _limits_on(carving.height, whole, carving.surfaces)
    keep_shape(
        run,
        parent,
        carving.name,
        nominal=whole,
        forward_m=carving.height.heights(best.amounts, places)[0],
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
    _show(run, carving, carved, best)
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


@dataclass(kw_only=True, eq=False)
class _Carving:
    """A carving that is under way."""

    run: Run
    draft: Run
    parent: CandidateResult
    section: CarveSection
    name: str
    symmetry: tuple[str, ...]
    settings: SolveSettings
    fine: Mesh
    surfaces: tuple[str, ...]
    height: CarvedHeight
    bases: tuple[CarvedMesh, ...]
    evaluation: Evaluation
    steps: list[CarvedStep]
    meshes_made: int = 1


def _begin(run: Run, parent: CandidateResult, section: CarveSection) -> _Carving:
    """Mesh the parent and find out what may be moved."""
    plan = plan_nearby(run.plan, run.loaded, 0, run.folder.load_mesh(parent.id)).nearby
    assert plan is not None  # it was just made
    draft = replace(run, loaded=nearby_job(run.loaded), plan=plan)
    shape = run.shape_of(parent)
    symmetry = tuple(plane for plane in shape.symmetry if plane == "y" and section.mirror)
    motions, absorbers = run.loaded.boundaries.both_of(shape, parent.values)
    job = draft.loaded.job
    followed = motions
    if job.score.domes != "rigid":
        followed = with_profiles(motions, run.loaded.boundaries.families)
    settings = SolveSettings(
        motions=followed,
        air=job.air.medium,
        symmetry=symmetry,
        engine=job.solve.engine,
        quality=job.solve.quality,
        absorbers=absorbers,
        without_card=job.solve.without_card,
    )
    *meshes, fine = _meshes(draft, parent, symmetry, 1.0)
    moving = {name for m in motions for name in (*m.piston_surfaces, *m.taper_surfaces)}
    surfaces = _surfaces(fine, section, moving)
    room = room_to_carve(_whole(fine, symmetry), surfaces, motions, section)
    height = CarvedHeight(room, mirror=section.mirror)
    bases = _bases(draft, height, meshes, surfaces)
    name = _name(run, parent, section)
    return _Carving(
        run=run,
        draft=draft,
        parent=parent,
        section=section,
        name=name,
        symmetry=symmetry,
        settings=settings,
        fine=fine,
        surfaces=surfaces,
        height=height,
        bases=bases,
        evaluation=Evaluation(draft, settings, height, bases, _baseline(run)),
        steps=list(kept_steps(run.folder, name)),
    )


def _name(run: Run, parent: CandidateResult, section: CarveSection) -> str:
    """Return the id of what is carved: that of a carving that was stopped, or a free one."""
    taken = {candidate.id for candidate in run.folder.candidates()}
    while True:
        name = carved_id(parent.id, taken)
        steps = kept_steps(run.folder, name)
        if not steps or steps[0].limits == section.limits_text:
            return name
        taken.add(name)  # begun with other limits


def _meshes(
    draft: Run, parent: CandidateResult, symmetry: tuple[str, ...], finer: float
) -> tuple[Mesh, ...]:
    """Return the parent's mesh for every band, and a fine one of its shape."""
    sizes = [
        replace(size, source_size_m=size.source_size_m / finer, largest_m=size.largest_m / finer)
        for size in band_mesh_sizes(draft.loaded, draft.plan.bands)
    ]
    shape = draft.shape_of(parent)
    draft.pool.submit(
        f"{parent.id} to carve, {finer:g}",
        mesh_candidate,
        draft.methods,
        packed(shape),
        dict(parent.values),
        (*sizes, _FINE),
        draft.loaded.job.solve.mesh_time_limit_s,
    )
    (outcome,) = draft.pool.outcomes()
    if outcome.error:
        raise MeshingError(outcome.error)
    found = []
    for mesh in outcome.value.value:
        lost = tuple(plane for plane in shape.symmetry if plane not in symmetry)
        found.append(_whole(mesh, lost))
    return tuple(found)


def _surfaces(mesh: Mesh, section: CarveSection, moving: set[str]) -> tuple[str, ...]:
    """Return the names of the surfaces that may be carved."""
    known = [name for name in np.unique(mesh.surface).tolist() if name not in moving]
    found = tuple(
        name
        for name in known
        if name in section.surfaces or surface_kind(name) in section.surfaces
    )
    if not found:
        rule = "of the shape, and at rest: " + ", ".join(known)
        raise InputError(invalid("key 'carve.surfaces'", ", ".join(section.surfaces), rule))
    return found


def _whole(mesh: Mesh, symmetry: tuple[str, ...]) -> Mesh:
    for plane in symmetry:
        mesh = mesh.mirrored(plane)
    return mesh


def _limits_on(
    height: CarvedHeight, mesh: Mesh, surfaces: Sequence[str]
) -> tuple[Places, BoolArray]:
    """Return the limits at the vertices of a mesh, and which of its triangles may move."""
    is_carved = np.isin(mesh.surface, surfaces)
    stays = np.zeros(len(mesh.vertices), dtype=bool)
    stays[mesh.triangles[~is_carved]] = True
    places = height.places(mesh.vertices[:, 1:])
    return replace(places, share=np.where(stays, 0.0, places.share)), is_carved


def _bases(
    draft: Run, height: CarvedHeight, meshes: Sequence[Mesh], surfaces: Sequence[str]
) -> tuple[CarvedMesh, ...]:
    found = []
    for mesh, band in zip(meshes, draft.plan.bands, strict=True):
        places, is_carved = _limits_on(height, mesh, surfaces)
        found.append(CarvedMesh(mesh=mesh, band=band, places=places, is_carved=is_carved))
    return tuple(found)


def _baseline(run: Run) -> xr.Dataset | None:
    if not run.folder.has_directivity(BASELINE_ID):
        return None
    return played(run.folder, run.loaded, run.folder.load_directivity(BASELINE_ID))


def _way_so_far(carving: _Carving) -> list[DescentPoint[Evaluated]]:
    """Return the points that a descent goes on from: the parent's, or those that were kept."""
    evaluation = carving.evaluation
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
        for step in carving.steps[:-1]
    ]
    return [*before, last]


def _descend(carving: _Carving, points: list[DescentPoint[Evaluated]]) -> str:
    """Go down step by step; each is kept. Return why it ended."""
    section, run = carving.section, carving.run
    first_db = carving.steps[0].score_db
    missing = section.steps - (len(carving.steps) - 1)
    took_s = sum(carving.steps[-1].work_s) / run.pool.size
    with run.progress.bar(float(max(missing, 1)), f"carving {carving.parent.id}") as advance:
        while len(carving.steps) <= section.steps:
            if carving.steps[-1].score_db <= section.aim_db:
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
            )
            if following is None:
                return "no step leads lower within the limits"
            points.append(following)
            took_s = time.monotonic() - started
            step = _keep(carving, following, took_s)
            gained = step.score_db - first_db
            advance(1.0, f"step {step.number}: {step.text}; {gained:+.2f} dB so far")
            reason = degraded(carving.bases, following.found.meshes)
            if reason and carving.meshes_made < _MOST_MESHES:
                run.progress.say(f"meshing {carving.parent.id} anew: {reason}")
                points[:] = [_meshed_anew(carving, following)]
            if _stands_still(carving.steps):
                return f"less than {_LEAST_GAIN_DB:g} dB gained in {_LOOK_BACK} steps"
    return f"{section.steps} steps are done"


def _keep(carving: _Carving, point: DescentPoint[Evaluated], seconds: float) -> CarvedStep:
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
        outward_m=float(height.max()),
        inward_m=float(-height.min()),
        radius_m=point.found.radius_m,
        seconds=seconds,
        work_s=carving.evaluation.take_work_s(),
    )
    keep_step(carving.run.folder, carving.name, step)
    carving.steps.append(step)
    return step


def _meshed_anew(carving: _Carving, point: DescentPoint[Evaluated]) -> DescentPoint[Evaluated]:
    """Return the same point on finer meshes; what is remembered of the way is dropped."""
    finer = _FINER**carving.meshes_made
    *meshes, _ = _meshes(carving.draft, carving.parent, carving.symmetry, finer)
    carving.bases = _bases(carving.draft, carving.height, meshes, carving.surfaces)
    carving.meshes_made += 1
    carving.evaluation = Evaluation(
        carving.draft, carving.settings, carving.height, carving.bases, _baseline(carving.run)
    )
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


def _show(run: Run, carving: _Carving, carved: Carved, best: CarvedStep) -> None:
    """Draw the way and what came of it, and keep both beside the candidate."""
    from bafflelens.report.carving_picture import CarvingView, carving_picture

    scores = {
        c.id: c.score.total_db
        for c in run.folder.candidates()
        if c.score is not None and c.score.is_complete
    }
    room = carving.height.room
    view = CarvingView(
        title=f"{carved.candidate}, carved from {carved.parent}",
        scores_db=tuple(step.score_db for step in carved.steps),
        best=carved.best,
        y_m=room.y_m,
        z_m=room.z_m,
        surface_m=room.surface_m,
        height_m=carving.height.on_map(best.amounts),
        share=room.share,
    )
    text = sheet_text(carved, carving.section, scores, best)
    run.folder.save_carving(carved.candidate, carving_picture(view), text)


def sheet_text(
    carved: Carved, section: CarveSection, scores_db: Mapping[str, float], best: CarvedStep
) -> str:
    """Return what came of a carving, with every limit and what was used of it."""
    first = carved.steps[0]
    before, after = scores_db.get(carved.parent), scores_db.get(carved.candidate)
    lines = [
        f"{carved.candidate}, carved from {carved.parent}",
        "",
        f"score as a draft    {first.score_db:.2f} dB before, {best.score_db:.2f} dB after step "
        f"{best.number} of {len(carved.steps) - 1}; it ended because {carved.why}",
    ]
    if before is not None and after is not None:
        lines.append(
            f"score of the job    {before:.2f} dB before, {after:.2f} dB after, on fresh meshes"
        )
    names = ("vertical control", "horizontal width", "side effects")
    for name, one, other in zip(names, first.objectives_db, best.objectives_db, strict=True):
        lines.append(f"{name:<20}{one:.2f} dB before, {other:.2f} dB after, as a draft")
    smallest = f"{1e3 * best.radius_m:.1f} mm" if best.radius_m < 1 else "none bent"
    material = "as thick as the body"
    if section.material_mm is not None:
        material = f"{section.material_mm:g} mm thick"
    lines += [
        "",
        "Limits, and what was used of them; heights are along the pull direction (x, forwards)",
        f"  surfaces          {', '.join(section.surfaces)}",
        f"  out               {1e3 * best.outward_m:.1f} of {section.outward_mm:g} mm",
        f"  in                {1e3 * best.inward_m:.1f} of {section.inward_mm:g} mm",
        f"  smallest radius   {smallest} of what was added or taken; {section.radius_mm:g} mm "
        "allowed",
        f"  mirror symmetry   {'left and right alike' if section.mirror else 'not asked for'}",
        f"  driver            nothing moved within {section.driver_mm:g} mm of its rim; "
        f"clearance of the dome {section.dome_clearance_mm:g} mm",
        f"  edge              nothing moved within {section.edge_mm:g} mm of the edge of these "
        "surfaces",
        f"  screws, gaskets   {len(section.screws_mm)} circles, {len(section.boxes_mm)} boxes "
        "kept",
        "  undercut          none is made: every point moves along the pull direction",
        f"  smallest wall     {section.wall_mm:g} mm left along the pull direction; material "
        f"{material}",
        "",
        "Dust of wood, filler and clay is harmful, cutters and sanders more so: the shop's own "
        "rules and the local ones hold.",
    ]
    return "\n".join(lines) + "\n"
