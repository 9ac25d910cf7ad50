# SPDX-License-Identifier: GPL-3.0-or-later
"""How a carving begins: the parent's meshes, what of them may move, what it is compared with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import BoolArray
from bafflelens.base.errors import InputError, MeshingError, invalid
from bafflelens.job.cost_estimate import band_mesh_sizes, plan_nearby
from bafflelens.job.domes import with_profiles
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.perturbations import nearby_job
from bafflelens.job.plan_faults import quieter_band
from bafflelens.job.sampling import BASELINE_ID
from bafflelens.job.search_sections import CarveSection
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.mesh.surface_names import surface_kind
from bafflelens.run.carving.displacement import CarvedHeight, Places
from bafflelens.run.carving.evaluation import CarvedMesh, Evaluation
from bafflelens.run.carving.keeping import CarvedStep, kept_steps
from bafflelens.run.carving.room import room_to_carve
from bafflelens.run.state import Run
from bafflelens.scoring.carved import carved_id
from bafflelens.scoring.quieter import Quieter, quieter_than
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.shapes.meshing.scripts import packed
from bafflelens.store.system_response import played
from bafflelens.workers.work_units import SolveSettings, mesh_candidate

_FINE: Final = MeshSize(
    source_size_m=0.003,
    growth=2.5,
    growth_distance_m=0.2,
    largest_m=0.01,
    curvature_elements=24,
)
_FINER: Final = 1.3  # a mesh that is made anew


@dataclass(kw_only=True, eq=False)
class Carving:
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
    quieter: Quieter | None
    evaluation: Evaluation
    steps: list[CarvedStep]
    meshes_made: int = 1


def begin(run: Run, parent: CandidateResult, section: CarveSection) -> Carving:
    """Mesh the parent and find out what may be moved."""
    quieter = _quieter(run, section)
    loaded = _draft_of(run.loaded, quieter)
    trial = run.folder.load_mesh(parent.id)
    plan = plan_nearby(run.plan, run.loaded, 0, trial, nearby=loaded).nearby
    assert plan is not None  # it was just made
    draft = replace(run, loaded=loaded, plan=plan)
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
    room = room_to_carve(fine.whole(symmetry), surfaces, motions, section)
    height = CarvedHeight(room, mirror=section.mirror)
    bases = _bases(draft, height, meshes, surfaces)
    name = _name(run, parent, section)
    return Carving(
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
        quieter=quieter,
        evaluation=Evaluation(draft, settings, height, bases, _baseline(run), quieter),
        steps=list(kept_steps(run.folder, name)),
    )


def mesh_anew(carving: Carving) -> None:
    """Mesh the parent once more, finer, for what is carved from here on."""
    *meshes, _ = _meshes(
        carving.draft, carving.parent, carving.symmetry, _FINER**carving.meshes_made
    )
    carving.bases = _bases(carving.draft, carving.height, meshes, carving.surfaces)
    carving.meshes_made += 1
    carving.evaluation = Evaluation(
        carving.draft,
        carving.settings,
        carving.height,
        carving.bases,
        _baseline(carving.run),
        carving.quieter,
        carving.evaluation.softness_db,
    )


def _draft_of(loaded: LoadedJob, quieter: Quieter | None) -> LoadedJob:
    """Return the job that is carved by: a draft of the score's band, and of all that is asked.

    It goes a step beyond the upper end, so that the last third-octave is known to its end.
    """
    draft = nearby_job(loaded)
    if quieter is None:
        return draft
    low, high = quieter.band_hz
    frequencies = draft.job.frequencies
    beyond = min(
        high * 2 ** (1 / float(frequencies.per_octave)), max(loaded.job.frequencies.to_hz, high)
    )
    wider = {"from_hz": min(frequencies.from_hz, low), "to_hz": max(frequencies.to_hz, beyond)}
    frequencies = frequencies.model_copy(update=wider)
    return replace(draft, job=draft.job.model_copy(update={"frequencies": frequencies}))


def _quieter(run: Run, section: CarveSection) -> Quieter | None:
    """Return what floor and ceiling may get at the most, None where that is not asked."""
    if not section.quieter_than_baseline:
        return None
    baseline = _baseline(run)
    if baseline is None:
        rule = "false in a run whose baseline is not solved"
        raise InputError(invalid("key 'carve.quieter_than_baseline'", "true", rule))
    job = run.loaded.job
    band_hz = quieter_band(section, job.frequencies, job.score)
    target = job.target.target(job.room.room)
    return quieter_than(baseline, target, band_hz)


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
        found.append(mesh.whole(lost))
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


def limits_on(
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
        places, is_carved = limits_on(height, mesh, surfaces)
        found.append(CarvedMesh(mesh=mesh, band=band, places=places, is_carved=is_carved))
    return tuple(found)


def _baseline(run: Run) -> xr.Dataset | None:
    if not run.folder.has_directivity(BASELINE_ID):
        return None
    return played(run.folder, run.loaded, run.folder.load_directivity(BASELINE_ID))
