# SPDX-License-Identifier: GPL-3.0-or-later
"""Solving one shape while somebody waits: a draft at twelve frequencies, then the full band.

Both go through the pool, the cache and the steps of a run. Whether a solve is still wanted is
asked between its pieces: what is not begun by then never is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import xarray as xr

from bafflelens import store
from bafflelens.base.errors import BafflelensError, MeshingError
from bafflelens.bem.sweep import BandResult
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.far_field_data import assemble_dataset
from bafflelens.job.cost_estimate import Plan, band_mesh_sizes
from bafflelens.job.fidelity import LOOK_QUALITY
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.sampling import BASELINE_ID
from bafflelens.live.solved import Judge, limits_of
from bafflelens.live.told import draft_frequencies
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, MeshSize
from bafflelens.report.summary import solved_candidate
from bafflelens.run.carving.carve import carve_candidate, knowing_carved, with_changes
from bafflelens.run.catalogued import sampling_of
from bafflelens.run.deadline import Clock
from bafflelens.run.open_candidate import solve_settings
from bafflelens.run.options import (
    RunOptions,
    engine_at_hand,
    plan_job,
    remembering_pool,
    with_engine,
)
from bafflelens.run.solving import solve_candidates
from bafflelens.run.state import Run, shape_id_of
from bafflelens.run.work_loop import Wanted, WorkLoop
from bafflelens.scoring.by_hand import hand_id
from bafflelens.scoring.carved import is_carved
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.shapes.meshing.parameters import Shape
from bafflelens.shapes.meshing.scripts import packed
from bafflelens.store.run_record import keep_journal
from bafflelens.workers.caching.cached_pool import RememberingPool
from bafflelens.workers.work_units import Methods

_MESHES_OF_DRAFT: Final = 2
_FREQUENCIES_AHEAD: Final = 2  # of a piece of what nobody waits for
_NEAR_SHARE: Final = 0.05  # of each range: so far most meshes can be moved
_OCTAVES_OF_MESH: Final = 0.5  # of all but the last, which holds what is below

IsOver = Callable[[], bool]
OnMesh = Callable[[Mesh], None]


class _WantedClock(Clock):
    """Time is up as soon as nobody wants the shape any more."""

    def __init__(self, plan: Plan, is_over: IsOver) -> None:
        super().__init__(None, plan)
        self._is_over = is_over

    @property
    def is_up(self) -> bool:
        """Whether somebody else is waiting."""
        return self._is_over()


@dataclass(kw_only=True, eq=False)
class Bench:
    """What solves for a page: the only one that uses its pool.

    Attributes
    ----------
    judge : Judge
        The run and its job.
    plan : Plan
        What its work is expected to cost.
    pool : RememberingPool
        Who does it.
    options : RunOptions
        How.
    number : int
        Of the last draft: names of work are used once.
    anchors : dict of str to mapping
        For each shape the values whose meshes the next draft's are moved from: those that gmsh
        last made.
    start : mapping of str to float
        The shape that a page begins with. Its meshes, and what was solved on meshes moved from
        them, may be known from an earlier page.
    """

    judge: Judge
    plan: Plan
    pool: RememberingPool
    options: RunOptions
    number: int = field(default=0)
    anchors: dict[str, Mapping[str, float]] = field(default_factory=dict)
    start: Mapping[str, float] = field(default_factory=dict)

    def draft(
        self,
        candidate_id: str,
        values: Mapping[str, float],
        is_over: IsOver,
        on_mesh: OnMesh = lambda mesh: None,
        *,
        is_ahead: bool = False,
    ) -> xr.Dataset | None:
        """Return the draft of a shape as it plays; None if nobody wanted it any more.

        This is where a quicker way to a draft belongs: it takes the shape and gives the dataset.

        Parameters
        ----------
        candidate_id : str
            ``baseline``, or any name of the searched shape.
        values : mapping of str to float
            All of its parameters.
        is_over : callable
            Tells when nobody wants it any more.
        on_mesh : callable
            Told the finest mesh as soon as it is there.
        is_ahead : bool
            Whether nobody waits for it: then it is solved in small pieces, since one that has
            begun holds up whoever comes.

        Raises
        ------
        BafflelensError
            If it cannot be meshed or solved.
        """
        loaded = draft_job(self.judge.loaded)
        shape = loaded.shape_of(candidate_id)
        chosen = draft_bands(draft_frequencies(self.judge.loaded))
        drawn = _candidate(candidate_id, shape.name, values)
        settings = replace(
            solve_settings(loaded, drawn, keep_surface=False, with_family=False),
            is_look=True,
            directions=self.judge.looked_at,
        )
        self.number += 1
        name = f"draft {self.number}"
        sizes = band_mesh_sizes(loaded, chosen)
        anchor = self.anchors.setdefault(shape.name, self._first_anchor(values))
        # The finest takes as long as the others together: two workers have as much to do.
        asked = [part for part in (chosen[-1:], chosen[:-1]) if part]
        pieces, mesh_names = 0, []
        for part in asked:
            mesh_names.append(f"{name} mesh for {part[-1].mesh_frequency_hz:.0f} Hz")
            meshes = self.pool.mesh(
                mesh_names[-1],
                self.options.methods,
                packed(shape),
                dict(values),
                [size for size, band in zip(sizes, chosen, strict=True) if band in part],
                loaded.job.solve.mesh_time_limit_s,
                priority=1.0,
                moved_from=anchor,
            )
            for number, band in enumerate(part):
                small = math.ceil(len(band.frequencies_hz) / _FREQUENCIES_AHEAD)
                for piece in pieces_of(band, small if is_ahead else self.pool.size // len(chosen)):
                    pieces += 1
                    self.pool.solve_band(
                        f"{name} piece {pieces}",
                        self.options.methods,
                        meshes,
                        number,
                        piece,
                        settings,
                        priority=piece.frequencies_hz[-1] / chosen[-1].mesh_frequency_hz,
                    )
        results: list[BandResult] = []
        finest: Mesh | None = None
        for outcome in self.pool.outcomes(is_over):
            if outcome.error:
                failed = outcome.error
                for _ in self.pool.outcomes(lambda: True):  # the rest of it is not wanted
                    pass
                raise MeshingError(failed)
            if isinstance(outcome.value.value, tuple):
                made = max(outcome.value.value, key=lambda mesh: mesh.n_triangles)
                if not all(mesh.places and mesh.places.is_moved for mesh in outcome.value.value):
                    self.anchors[shape.name] = dict(values)  # too far to be moved
                if outcome.name == mesh_names[0]:  # a page is shown no other
                    finest = made
                    on_mesh(finest)
            else:
                results.append(replace(outcome.value.value, surface=None))
        if len(results) < pieces or finest is None:
            return None
        dataset = assemble_dataset(
            directions().only(settings.directions),
            results,
            [motion.name for motion in settings.motions],
            air=settings.air,
            mesh_info={"quality": LOOK_QUALITY, "triangles_finest": finest.n_triangles},
            engine=settings.engine,
            versions={},
            microphones_m=settings.microphones_m,
            source_centres=np.array([motion.centre for motion in settings.motions]),
        )
        return self.judge.as_played(dataset)

    def _first_anchor(self, values: Mapping[str, float]) -> Mapping[str, float]:
        """Return what the first meshes are moved from: the start if that is near, else nothing."""
        if set(self.start) != set(values):
            return dict(values)
        off = {key: abs(values[key] - start) for key, start in self.start.items()}
        reach = dict.fromkeys(values, 0.0)  # what is not searched is the same
        for key, setting in self.judge.searched.items():
            low, high = limits_of(setting)
            reach[key] = _NEAR_SHARE * (high - low)
        return dict(self.start if all(off[key] <= reach[key] for key in off) else values)

    def full(self, values: Mapping[str, float], is_over: IsOver) -> str | None:
        """Solve the full band of a shape and enter it into the run; return its id.

        None if nobody wanted it any more: what was solved of it is in the cache.

        Raises
        ------
        StoreError
            If another process works on the run: it must not be written to.
        """
        folder = self.judge.folder
        name = hand_id(candidate.id for candidate in folder.candidates())
        label = f"{self.judge.loaded.shape.name}, set by hand"
        candidate = _candidate(name, label, values)
        with self._run(is_over) as run:
            if not folder.has_directivity(BASELINE_ID):
                solve_candidates(run, only=())
            if is_over():
                return None
            folder.forget_candidate(name)
            alone = iter([Wanted(candidate, 0)])
            WorkLoop(run, alone, run.plan.work_seconds, lambda: 0.0, _entered).work()
            if any(known.id == name for known in folder.candidates()):
                solve_candidates(run, only=(name,))  # nothing is solved: it is judged
                return name
            folder.forget_candidate(name)
        if not is_over():
            msg = f"The full band could not be solved. The log of {folder.name} says why."
            raise MeshingError(msg)
        return None

    def carve(self, candidate_id: str, is_over: IsOver) -> str:
        """Carve a solved candidate by one step, and return the id of what came of it.

        Raises
        ------
        BafflelensError
            If there is nothing to carve, or another process works on the run.
        """
        folder = self.judge.folder
        parent = solved_candidate(folder, candidate_id)
        section = with_changes(self.judge.loaded.job.carve, {"steps": 1})
        with folder.kept_open(), self._run(is_over) as run:
            return carve_candidate(knowing_carved(run), parent, section).candidate

    @contextmanager
    def _run(self, is_over: IsOver) -> Iterator[Run]:
        folder = self.judge.folder
        before = folder.load_record().status
        with keep_journal(folder, closing=before) as journal:
            yield Run(
                folder=folder,
                loaded=self.judge.loaded,
                plan=self.plan,
                pool=self.pool,
                journal=journal,
                progress=self.options.progress,
                methods=self.options.methods,
                clock=_WantedClock(self.plan, is_over),
            )


@contextmanager
def open_bench(judge: Judge, options: RunOptions) -> Iterator[Bench]:
    """Start the workers for a page, and end them with it."""
    loaded = with_engine(judge.loaded, engine_at_hand(judge.loaded, options))
    judge = Judge(loaded=loaded, folder=judge.folder)
    methods = replace(options.methods, mesh_shape=_kept_or_made(judge, options.methods))
    sampling = sampling_of(judge.folder, loaded)
    plan = plan_job(loaded, sampling, replace(options, methods=methods))
    with remembering_pool(plan, options) as pool:
        # By a worker: here it would hold up whoever answers moves.
        pool.submit("warming up", _warm_up, options.methods)
        for outcome in pool.outcomes():
            if outcome.error:
                raise MeshingError(outcome.error)
        yield Bench(judge=judge, plan=plan, pool=pool, options=options)


def _warm_up(methods: Methods) -> None:
    methods.warm_up(lambda text: None)


def _kept_or_made(judge: Judge, methods: Methods) -> Callable[..., tuple[Mesh, ...]]:
    """Return what gives the mesh that a run has kept of a shape, whatever its size, or makes it.

    A plan asks for the areas of a few shapes only.
    """
    folder = judge.folder
    kept = {
        (judge.loaded.shape_of(candidate.id).script, *sorted(candidate.values.items())): candidate
        for candidate in folder.candidates()
        if folder.has_directivity(candidate.id) and not is_carved(candidate.id)
    }

    def mesh(
        shape: Shape, values: Mapping[str, float], sizes: Sequence[MeshSize], limit_s: float
    ) -> tuple[Mesh, ...]:
        candidate = kept.get((shape.script, *sorted(values.items())))
        if candidate is not None:
            with suppress(BafflelensError, OSError):
                return (folder.load_mesh(candidate.id),) * len(sizes)
        return methods.mesh_shape(shape, values, sizes, limit_s)

    return mesh


def draft_job(loaded: LoadedJob) -> LoadedJob:
    """Return the job of a draft."""
    solve = loaded.job.solve.model_copy(update={"quality": LOOK_QUALITY, "keep_surface": False})
    return replace(loaded, job=loaded.job.model_copy(update={"solve": solve}))


def draft_bands(frequencies_hz: Sequence[float]) -> tuple[Band, ...]:
    """Split the frequencies of a draft into a few bands that share a mesh, the coarsest first.

    Moving a mesh takes as long as a frequency on a coarse one, so fewer are made than for a full
    band: half an octave each from the top, the last for all that is below.
    """
    rising = np.unique(np.asarray(frequencies_hz, dtype=float))
    below = np.floor(np.log2(rising[-1] / rising) / _OCTAVES_OF_MESH + 1e-9)
    number = np.minimum(below, _MESHES_OF_DRAFT - 1)
    return tuple(
        Band(
            frequencies_hz=tuple(map(float, rising[number == n])),
            mesh_frequency_hz=float(rising[number == n].max()),
        )
        for n in np.unique(number)[::-1]
    )


def pieces_of(band: Band, workers: int) -> tuple[Band, ...]:
    """Return a band in pieces that so many workers can share: each prepares the mesh anew."""
    number = max(min(workers, len(band.frequencies_hz)), 1)
    shared = np.array_split(band.frequencies_hz, number)
    return tuple(replace(band, frequencies_hz=tuple(map(float, each))) for each in shared)


def _candidate(name: str, label: str, values: Mapping[str, float]) -> CandidateResult:
    return CandidateResult(
        id=name,
        label=label,
        is_baseline=name == BASELINE_ID,
        values=dict(values),
        score=None,
        status=store.WAITING,
    )


def _entered(run: Run, candidate: CandidateResult, dataset: xr.Dataset) -> str:
    """Enter a shape that is solved into the catalogue."""
    if shape_id_of(candidate.id) not in {known.id for known in run.folder.candidates()}:
        run.folder.add_candidates([candidate])
    return f"{candidate.id} solved"
