# SPDX-License-Identifier: GPL-3.0-or-later
"""What a job will cost: unknowns, memory and time, estimated without solving anything."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from scipy.spatial import cKDTree

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import GeometryError, JobError, MeshingError
from bafflelens.bem.burton_miller import EngineSettings
from bafflelens.bem.system_matrix import Storage
from bafflelens.directivity.frequency_interpolation import TYPICAL_BODY_M, body_size, first_grid
from bafflelens.job.boundaries import surface_name_faults
from bafflelens.job.fidelity import finals_job, look_job
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.perturbations import changed_keys, nearby_job
from bafflelens.job.sampling import Candidate, Sampling
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, MeshSize, bands, mesh_size, open_bands
from bafflelens.mesh.surface_names import FINE_KINDS, surface_kind
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.parameters import Shape

MeshShape = Callable[[Shape, Mapping[str, float], Sequence[MeshSize], float], tuple[Mesh, ...]]

_CANDIDATES_TRIED: Final = 3

# What is solved again where frequencies are chosen as needed, as a share of what is solved at
# first: see "Frequency sampling" in tests/benchmarks/RESULTS.md.
_REFINING_SHARE: Final = 0.1


@dataclass(frozen=True, kw_only=True)
class Speed:
    """How fast one worker process is. A first guess; a run's own timing table is the truth.

    Attributes
    ----------
    pairs_per_s : float
        Point pairs of the coupled kernel a second, computed and stored.
    low_rank_entries : float
        Entries that blocks of low rank and near blocks keep, for each unknown to the power 1.5.
    low_rank_entries_per_s : float
        How many of them are formed a second.
    matrix_bytes_per_s : float
        Bytes of the stored matrix that a product reads a second.
    products : float
        Matrix products until GMRES is done.
    bytes_per_entry : float
        Bytes of one entry of the stored matrix.
    bytes_per_unknown : float
        Bytes of near-field integrals, vectors of the iteration and far field, for each unknown.
    second_engine_bytes_per_entry : float
        Bytes that bempp takes for each pair of triangles of the whole body.
    near_field_s_per_unknown : float
        Singular and nearly singular integrals and the far field, s an unknown and frequency.
    overhead_s : float
        For each frequency, whatever its size.
    mesh_s_per_triangle, mesh_overhead_s : float
        For making the meshes of one candidate.
    process_bytes : float
        Memory of a worker that holds no matrix.
    report_s, report_s_per_candidate : float
        For ranking and the pages.
    """

    pairs_per_s: float = 0.45e9
    low_rank_entries: float = 27.0
    low_rank_entries_per_s: float = 30e6
    matrix_bytes_per_s: float = 8e9
    products: float = 16.0
    bytes_per_entry: float = 4.0
    bytes_per_unknown: float = 1e4
    second_engine_bytes_per_entry: float = 40.0
    near_field_s_per_unknown: float = 3e-5
    overhead_s: float = 0.02
    mesh_s_per_triangle: float = 3e-5
    mesh_overhead_s: float = 1.0
    process_bytes: float = 0.35e9
    report_s: float = 5.0
    report_s_per_candidate: float = 5.0


# Fitted to a solve of 14,000 unknowns on one processor of a common server (engine "direct", one
# mirror plane): 0.8 s to fill the matrix, 1.5 s to solve, 0.4 s for the rest.
ASSUMED_SPEED: Final = Speed()

# One H100: 350 billion pairs a second, 2 TB/s; what the host does beside it takes longer.
CARD_SPEED: Final = Speed(
    pairs_per_s=200e9,
    matrix_bytes_per_s=2e12,
    bytes_per_entry=8.0,
    near_field_s_per_unknown=1e-6,
    overhead_s=0.025,
)

# The second opinion compiles its kernels on every run, which takes most of this.
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
    frequencies, quality = job.frequencies.frequencies_hz, job.solve.quality
    if not job.frequencies.is_as_needed:
        return bands(frequencies, quality)
    needed = first_grid(frequencies[0], frequencies[-1], body_m, quality)
    return open_bands([float(frequency) for frequency in needed], quality)


def band_mesh_sizes(loaded: LoadedJob, chosen: Sequence[Band]) -> tuple[MeshSize, ...]:
    """Return the mesh rule of each band."""
    job = loaded.job
    return tuple(
        mesh_size(job.solve.quality, band.mesh_frequency_hz, job.air.medium) for band in chosen
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
    plan: Plan, loaded: LoadedJob, n_keys: int, trial: Mesh, speed: Speed = ASSUMED_SPEED
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
    """
    nearby = _aside(plan, nearby_job(loaded), 1 + 2 * n_keys, [trial], speed)
    return replace(plan, nearby=nearby)


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


def storage_of(unknowns: int, engine: str) -> Storage:
    """Return how an engine holds the matrix of so many unknowns: the card keeps every entry."""
    return Storage.PACKED if engine == "gpu" else EngineSettings().storage_for(unknowns)


def matrix_entries(unknowns: int, engine: str, speed: Speed = ASSUMED_SPEED) -> float:
    """Estimate how many entries of the matrix are kept."""
    entries = float(unknowns) ** 2
    if storage_of(unknowns, engine) is Storage.PACKED:
        return entries
    kept: float = speed.low_rank_entries * float(unknowns) ** 1.5
    return min(entries, kept)


def band_memory(
    unknowns: int,
    mirror_planes: int,
    engine: str = "direct",
    speed: Speed = ASSUMED_SPEED,
) -> float:
    """Estimate the memory of a worker that solves a band, in bytes.

    Parameters
    ----------
    unknowns : int
        Triangles of the kept part of the mesh.
    mirror_planes : int
        How many there are; the second engine solves the whole body.
    engine : {"direct", "gpu", "bempp"}
        Which one solves.
    speed : Speed
        What an entry and an unknown take.
    """
    memory = speed.process_bytes + speed.bytes_per_unknown * unknowns
    if engine == "gpu":
        return memory
    if engine == "bempp":
        whole = float(unknowns * 2**mirror_planes)
        return memory + speed.second_engine_bytes_per_entry * whole**2
    return memory + speed.bytes_per_entry * matrix_entries(unknowns, engine, speed)


def estimate_triangles(trial: Mesh, size: MeshSize) -> int:
    """Estimate how many triangles a finer mesh of the same shape has.

    Every triangle of a coarse mesh is divided into as many as its area asks for, at the element
    size that its distance from the finest surfaces gives; where the coarse mesh is fine already
    (curved edges), it stays.

    Parameters
    ----------
    trial : Mesh
        A coarse mesh of the shape.
    size : MeshSize
        The rule of the finer mesh.
    """
    edge = _edge_lengths(trial, size)
    equilateral = math.sqrt(3) / 4 * edge**2
    return int(np.maximum(trial.areas / equilateral, 1.0).sum())


def frequency_seconds(
    unknowns: int,
    mirror_planes: int,
    engine: str = "direct",
    speed: Speed = ASSUMED_SPEED,
) -> float:
    """Estimate the time to solve one frequency on one worker, in s.

    Parameters
    ----------
    unknowns : int
        Triangles of the kept part of the mesh.
    mirror_planes : int
        Each doubles the point pairs, but not the matrix.
    engine : {"direct", "gpu", "bempp"}
        Which one solves.
    speed : Speed
        How fast the worker is.
    """
    entries = matrix_entries(unknowns, engine, speed)
    if storage_of(unknowns, engine) is Storage.PACKED:
        matrix_s = entries * float(2**mirror_planes) / speed.pairs_per_s
    else:
        matrix_s = entries / speed.low_rank_entries_per_s
    matrix_s += speed.products * speed.bytes_per_entry * entries / speed.matrix_bytes_per_s
    return speed.overhead_s + matrix_s + speed.near_field_s_per_unknown * unknowns


def _edge_lengths(trial: Mesh, size: MeshSize) -> FloatArray:
    """Return the edge length that a rule asks for at each triangle, in m."""
    fine = [name for name in np.unique(trial.surface) if surface_kind(name) in FINE_KINDS]
    is_fine = np.isin(trial.surface, fine)
    if not is_fine.any():
        return np.full(trial.n_triangles, min(size.source_size_m, size.largest_m))
    distance, _ = cKDTree(trial.centroids[is_fine]).query(trial.centroids)
    share = np.minimum(distance / size.growth_distance_m, 1.0)
    edge = size.source_size_m * (1 + (size.growth - 1) * share)
    return np.asarray(np.minimum(edge, size.largest_m))


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
