# SPDX-License-Identifier: GPL-3.0-or-later
"""What a job will cost: unknowns, memory and time, estimated without solving anything."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from bafflelens.base.errors import GeometryError, JobError, MeshingError
from bafflelens.bem.system_matrix import Storage
from bafflelens.directivity.frequency_interpolation import TYPICAL_BODY_M, body_size, first_grid
from bafflelens.job.boundaries import surface_name_faults
from bafflelens.job.fidelity import finals_job, look_job
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.perturbations import changed_keys, nearby_job
from bafflelens.job.sampling import Candidate, Sampling
from bafflelens.job.shown_only import quality_of, split_bands
from bafflelens.job.solve_costs import (
    ASSUMED_SPEED,
    CARD_SPEED,
    Speed,
    band_memory,
    estimate_triangles,
    frequency_seconds,
    storage_of,
)
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, MeshSize, mesh_size
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.parameters import Shape

MeshShape = Callable[[Shape, Mapping[str, float], Sequence[MeshSize], float], tuple[Mesh, ...]]

_CANDIDATES_TRIED: Final = 3

# What is solved again where frequencies are chosen as needed, as a share of what is solved at
# first: see "Frequency sampling" in tests/benchmarks/RESULTS.md.
_REFINING_SHARE: Final = 0.1

# Most of this is compilation, which only the first run on a machine needs; which run that is
# cannot be told beforehand.
SECOND_OPINION_S: Final = 60.0


@dataclass(frozen=True, kw_only=True)
class BandCost:
    """What one band costs one candidate.

    Attributes
    ----------
    band : Band
        Its frequencies.
    unknowns : int
        Expected size of the linear system.
    memory_bytes : float
        Memory of the worker that solves it.
    seconds : float
        Time on one worker in s.
    storage : Storage
        How the matrix is held: stored, or formed anew for every product.
    """

    band: Band
    unknowns: int
    memory_bytes: float
    seconds: float
    storage: Storage = Storage.PACKED


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What a job will do and cost.

    Attributes
    ----------
    n_shapes : int
        Candidates, baseline, references and plates.
    remeshes : int
        How many more times the best candidate is meshed and solved.
    band_costs : tuple of BandCost
        One a band, of the larger of the shapes looked at, in rising order of frequency.
    refining_share : float
        How much is solved besides, where the interpolation over frequency asks for it, as a
        share of the time of the bands.
    workers : int
        Worker processes.
    cards : int
        Graphics cards that solve, while the worker processes mesh; 0 where these do both.
    mesh_seconds : float
        Time to mesh one candidate, in s.
    report_seconds : float
        Time for ranking, second opinion and report, in s.
    opinion_seconds : float
        The part of that for the second opinion.
    memory_limit_bytes : float
        What all workers may take together.
    nearby : Plan or None
        The same for the shapes near the leaders, which are drafts; None where there are none.
    look : Plan or None
        The same for the first look at all candidates; None where none is taken.
    n_promoted : int
        How many shapes are solved in full after it, by the least that the job keeps.
    finals : Plan or None
        The same for the finalists, and the baseline beside them; None where there are none.
    """

    n_shapes: int
    remeshes: int = 0
    band_costs: tuple[BandCost, ...]
    refining_share: float = 0.0
    workers: int
    cards: int = 0
    mesh_seconds: float
    report_seconds: float
    opinion_seconds: float = 0.0
    memory_limit_bytes: float = math.inf
    nearby: Plan | None = None
    look: Plan | None = None
    n_promoted: int = 0
    finals: Plan | None = None

    @property
    def bands(self) -> tuple[Band, ...]:
        """The bands that every shape is solved in."""
        return tuple(cost.band for cost in self.band_costs)

    @property
    def n_frequencies(self) -> int:
        """Number of frequencies solved for each shape, at first."""
        return sum(len(cost.band.frequencies_hz) for cost in self.band_costs)

    @property
    def solve_seconds(self) -> float:
        """Time to solve all bands of one candidate on one worker, in s."""
        return (1 + self.refining_share) * sum(cost.seconds for cost in self.band_costs)

    @property
    def refining_seconds(self) -> float:
        """The part of `solve_seconds` that goes to further frequencies, in s."""
        return self.refining_share * sum(cost.seconds for cost in self.band_costs)

    @property
    def work_seconds(self) -> float:
        """Time to mesh and solve one candidate on one worker, in s."""
        return self.mesh_seconds + self.solve_seconds

    @property
    def total_seconds(self) -> float:
        """Expected wall time of the run in s."""
        candidates = (self.n_promoted if self.look else self.n_shapes) + self.remeshes
        besides = (self.look, self.finals, self.nearby)
        further = self.report_seconds + sum(plan.total_seconds for plan in besides if plan)
        return candidates * self.shape_seconds + further

    @property
    def shape_seconds(self) -> float:
        """Expected wall time of one shape among many, on all workers and cards together, in s."""
        meshing = self.mesh_seconds / self.workers
        if self.cards:
            return max(meshing, self.solve_seconds / self.cards)
        return meshing + self.solve_seconds / self.workers

    @property
    def memory_bytes(self) -> float:
        """Memory of all workers when each holds the largest band that may run beside others."""
        wanted = self.workers * max(cost.memory_bytes for cost in self.band_costs)
        return min(wanted, self.memory_limit_bytes)

    @property
    def solved_alone(self) -> tuple[Band, ...]:
        """Bands that are too large for each worker to hold one at the same time."""
        share = self.memory_limit_bytes / self.workers
        return tuple(cost.band for cost in self.band_costs if cost.memory_bytes > share)


def job_bands(loaded: LoadedJob, body_m: float = TYPICAL_BODY_M) -> tuple[Band, ...]:
    """Return the bands that every candidate of a job is solved in.

    Parameters
    ----------
    loaded : LoadedJob
        The job.
    body_m : float
        Size of the body in m (`body_size`); how many frequencies are needed goes by it. The
        lowest and the highest band do not.
    """
    job = loaded.job
    frequencies = job.frequencies.frequencies_hz
    if not job.frequencies.is_as_needed:
        return split_bands(job, list(frequencies), may_grow=False)
    needed = first_grid(frequencies[0], frequencies[-1], body_m, job.solve.quality)
    return split_bands(job, needed.tolist(), may_grow=True)


def band_mesh_sizes(loaded: LoadedJob, chosen: Sequence[Band]) -> tuple[MeshSize, ...]:
    """Return the mesh rule of each band."""
    job = loaded.job
    return tuple(
        mesh_size(quality_of(job, band.mesh_frequency_hz), band.mesh_frequency_hz, job.air.medium)
        for band in chosen
    )


def make_plan(
    loaded: LoadedJob,
    sampling: Sampling,
    *,
    workers: int,
    cards: int = 0,
    memory_bytes: float = math.inf,
    mesh: MeshShape = mesh_shape,
    speed: Speed | None = None,
) -> Plan:
    """Estimate what a job will cost.

    Baseline, references and a candidate are meshed once, coarsely: that takes seconds, shows
    that the scripts make a solid, and gives the areas that the estimate stands on.

    Parameters
    ----------
    loaded : LoadedJob
        The job.
    sampling : Sampling
        Its candidates.
    workers : int
        Worker processes.
    cards : int
        Graphics cards that solve.
    memory_bytes : float
        What they may take together.
    mesh : callable
        Makes the meshes.
    speed : Speed, optional
        How fast a worker, or a card, is.

    Raises
    ------
    JobError
        If the baseline, a reference, or each of the first three candidates, cannot be meshed,
        or if the job covers a surface that none of them has.
    """
    speed = speed or (CARD_SPEED if cards else ASSUMED_SPEED)
    lowest = band_mesh_sizes(loaded, job_bands(loaded)[:1])[0]
    trials = _trial_meshes(loaded, sampling, lowest, mesh)
    chosen = job_bands(loaded, max(body_size(trial.vertices) for trial in trials))
    surfaces = sorted({str(name) for trial in trials for name in np.unique(trial.surface)})
    faults = surface_name_faults(loaded.job.surfaces, surfaces)
    if faults:
        raise JobError([f"{loaded.path}: {fault}" for fault in faults])
    job = loaded.job
    report_seconds = speed.report_s + speed.report_s_per_candidate * (job.report.detailed + 1)
    opinion_seconds = SECOND_OPINION_S if job.solve.second_opinion else 0.0
    plan = Plan(
        n_shapes=len(sampling.everything) + sampling.proposed + len(loaded.plates),
        remeshes=job.solve.remeshes,
        refining_share=_REFINING_SHARE if job.frequencies.is_as_needed else 0.0,
        workers=workers,
        cards=cards,
        report_seconds=report_seconds + opinion_seconds,
        opinion_seconds=opinion_seconds,
        memory_limit_bytes=memory_bytes,
        **_costs(loaded, chosen, trials, speed),
    )
    n_candidates = len(sampling.candidates) + sampling.proposed
    if job.first_look:
        kept = math.ceil(job.first_look.keep_pct / 100 * n_candidates)
        look = _aside(plan, look_job(loaded), n_candidates + 1, trials, speed)
        plan = replace(plan, look=look, n_promoted=plan.n_shapes - n_candidates + kept)
    n_finalists = min(job.finalists.count, n_candidates)
    if n_finalists:
        finals = _aside(plan, finals_job(loaded), n_finalists + 1, trials, speed)
        plan = replace(plan, finals=finals)
    leaders, keys = min(job.robustness.leaders, n_candidates), changed_keys(loaded)
    if not leaders or not keys:
        return plan
    n_shapes = leaders * (1 + 2 * len(keys))
    return replace(plan, nearby=_aside(plan, nearby_job(loaded), n_shapes, trials, speed))


def plan_nearby(
    plan: Plan,
    loaded: LoadedJob,
    n_keys: int,
    trial: Mesh,
    speed: Speed = ASSUMED_SPEED,
    *,
    nearby: LoadedJob | None = None,
) -> Plan:
    """Return a plan in which so many parameters of one candidate are changed and nothing else.

    Parameters
    ----------
    plan : Plan
        That of its run.
    loaded : LoadedJob
        Its job.
    n_keys : int
        Number of parameters.
    trial : Mesh
        Mesh of the candidate, at any size.
    speed : Speed
        How fast a worker is.
    nearby : LoadedJob, optional
        The job that these are solved by, if it is not `nearby_job`.
    """
    nearby = nearby_job(loaded) if nearby is None else nearby
    return replace(plan, nearby=_aside(plan, nearby, 1 + 2 * n_keys, [trial], speed))


def _aside(
    plan: Plan, loaded: LoadedJob, n_shapes: int, trials: Sequence[Mesh], speed: Speed
) -> Plan:
    """Return the plan of so many shapes solved as another job says, beside those of a plan."""
    as_needed = loaded.job.frequencies.is_as_needed
    return replace(
        plan,
        nearby=None,
        look=None,
        finals=None,
        n_shapes=n_shapes,
        remeshes=0,
        refining_share=_REFINING_SHARE if as_needed else 0.0,
        report_seconds=0.0,
        opinion_seconds=0.0,
        **_costs(loaded, job_bands(loaded), trials, speed),
    )


def _costs(
    loaded: LoadedJob, chosen: Sequence[Band], trials: Sequence[Mesh], speed: Speed
) -> dict[str, Any]:
    """Return what the bands of a shape and its meshes cost, as fields of a plan."""
    mirror_planes = len(loaded.shape.symmetry)
    engine = loaded.job.solve.engine
    costs = []
    triangles_of_all = 0
    for band, size in zip(chosen, band_mesh_sizes(loaded, chosen), strict=True):
        unknowns = max(estimate_triangles(trial, size) for trial in trials)
        triangles_of_all += unknowns
        costs.append(
            BandCost(
                band=band,
                unknowns=unknowns,
                memory_bytes=band_memory(unknowns, mirror_planes, engine, speed),
                seconds=len(band.frequencies_hz)
                * frequency_seconds(unknowns, mirror_planes, engine, speed),
                storage=storage_of(unknowns, engine),
            )
        )
    return {
        "band_costs": tuple(costs),
        "mesh_seconds": speed.mesh_overhead_s + speed.mesh_s_per_triangle * triangles_of_all,
    }


def _trial_meshes(
    loaded: LoadedJob, sampling: Sampling, size: MeshSize, mesh: MeshShape
) -> list[Mesh]:
    """Mesh baseline, references, plates and the first candidate that meshes, at one size."""
    trials: list[tuple[Shape, Sequence[Candidate]]] = [
        *(
            (loaded.shape_of(reference.id), [reference])
            for reference in (sampling.baseline, *sampling.references)
        ),
        (loaded.shape, sampling.candidates[:_CANDIDATES_TRIED]),
    ]
    trials += [
        (plate.shape, [Candidate(id=plate.id, values=dict(plate.values))])
        for plate in loaded.plates
    ]
    meshes: list[Mesh] = []
    faults: list[str] = []
    for shape, candidates in trials:
        found: list[str] = []
        for candidate in candidates:
            try:
                limit_s = loaded.job.solve.mesh_time_limit_s
                meshes += mesh(shape, candidate.values, [size], limit_s)
                break
            except (MeshingError, GeometryError) as error:
                found.append(f"{loaded.path}: {shape.script.name}, {candidate.id}: {error}")
        else:
            faults += found
    if faults:
        raise JobError(faults)
    return meshes
