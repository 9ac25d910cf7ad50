# SPDX-License-Identifier: GPL-3.0-or-later
"""Mesh and solve every candidate that is not complete yet, on the workers, and score each."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import chain, count
from typing import Final, NamedTuple

import numpy as np
import xarray as xr

from bafflelens import store
from bafflelens.base.errors import InputError
from bafflelens.base.progress import Progress
from bafflelens.bem.sweep import BandResult
from bafflelens.directivity.dome_mixtures import has_profiles, without_profiles
from bafflelens.directivity.far_field_data import assemble_dataset, directions
from bafflelens.directivity.frequency_interpolation import PASSES
from bafflelens.directivity.interpolated import (
    frequencies_to_add,
    interpolation_warning,
    shown,
    with_shown_frequencies,
)
from bafflelens.job.cost_estimate import Plan, band_memory, band_mesh_sizes
from bafflelens.job.domes import with_profiles
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.sampling import BASELINE_ID
from bafflelens.job.sources import is_plate
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, MeshSize, band_of, stated_error_db
from bafflelens.mesh.thin_gaps import warnings_of
from bafflelens.run.deadline import Clock
from bafflelens.run.searching.ahead import proposed_candidates, still_to_propose
from bafflelens.scoring.criteria import needed_directions
from bafflelens.scoring.dome_family import DomeScores, following, octave_settings
from bafflelens.scoring.ranking import WARNING, CandidateResult
from bafflelens.scoring.score import AGAINST_BASELINE, Score, ScoreSettings, score
from bafflelens.scoring.target import Target
from bafflelens.shapes.meshing.parameters import Shape
from bafflelens.shapes.meshing.scripts import packed
from bafflelens.store import RunFolder, TaskRecord
from bafflelens.store.run_record import Journal
from bafflelens.store.system_response import members_played, missing_plates, played
from bafflelens.workers.batches import Outcome
from bafflelens.workers.caching.cached_pool import Meshes, RememberingPool
from bafflelens.workers.work_units import Methods, SolveSettings

_FILES_A_PASS: Final = 100  # more than there can be bands
LOOK_SUFFIX: Final = ".look"
FINAL_SUFFIX: Final = ".final"
"""Under its id with these is kept what a candidate gave at another stage."""

_OPEN_A_WORKER: Final = 2
_OPEN_AHEAD: Final = 4
_ALWAYS_BEGUN: Final = 2  # the baseline and a candidate; the deadline has room for them
# A power cut may take what was solved faster than the disk confirms that it has it.
_WORTH_WAITING_S: Final = 0.1

# A candidate that is to be solved, its place, and mesh rules of its own if it has some.
Wanted = tuple[CandidateResult, int, Sequence[MeshSize] | None]


@dataclass(frozen=True, kw_only=True)
class Run:
    """A run that is going on: what its steps need.

    Attributes
    ----------
    folder : RunFolder
        Where everything is kept.
    loaded : LoadedJob
        The job, with the geometry scripts as they are in the folder.
    plan : Plan
        What the work is expected to cost.
    pool : RememberingPool
        Who does it.
    journal : Journal
        What was done.
    progress : Progress
        Who is told.
    methods : Methods
        How a candidate is meshed and a band solved.
    clock : Clock
        When it must be ready.
    played : dict of str to xarray.Dataset
        What every score is compared with, kept as it plays: the baseline.
    baseline_members : list of xarray.Dataset
        The same with each plausible motion of its domes.
    """

    folder: RunFolder
    loaded: LoadedJob
    plan: Plan
    pool: RememberingPool
    journal: Journal
    progress: Progress
    methods: Methods
    clock: Clock
    played: dict[str, xr.Dataset] = field(default_factory=dict)
    baseline_members: list[xr.Dataset] = field(default_factory=list)

    def shape_of(self, candidate: CandidateResult) -> Shape:
        """Return the shape that a candidate is one of."""
        return self.loaded.shape_of(shape_id_of(candidate.id))


Judge = Callable[[Run, CandidateResult, xr.Dataset], str]
"""Takes what was solved of a candidate of a run, and says in one line what it is."""


class _BandKey(NamedTuple):
    """Which work on a candidate: its bands first, then what each look at the interpolation adds.

    A run that was stopped goes on as if it had not been, since files are numbered by it.
    """

    pass_number: int
    band_number: int

    @classmethod
    def of_file(cls, number: int) -> _BandKey:
        """Return which work a file of a run folder is of."""
        return cls(*divmod(number, _FILES_A_PASS))

    @property
    def file_number(self) -> int:
        """Number of its file in a run folder."""
        return self.pass_number * _FILES_A_PASS + self.band_number


@dataclass(kw_only=True)
class _Open:
    """A candidate on its way: what has come back of it, and what is still out."""

    candidate: CandidateResult
    position: int
    settings: SolveSettings
    results: dict[_BandKey, BandResult]
    unsaved: dict[_BandKey, bool] = field(
        default_factory=dict
    )  # and whether one waits for the disk
    meshes: Meshes | None = None
    tasks_out: int = 0
    passes: list[dict[_BandKey, Band]] = field(default_factory=list)
    refining_seconds: float = 0.0
    told_seconds: float = 0.0
    mesh_info: dict[str, str | int | float] = field(default_factory=dict)
    unknowns: tuple[int, ...] = ()
    failures: dict[str, Outcome] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class _Task:
    """A piece of work that is out."""

    open: _Open
    name: str
    key: _BandKey | None  # None for the mesh
    planned_seconds: float


BETWEEN_TASKS: Final = "from the first to the last task"
IDLE: Final = "of which a worker was idle, on average"


class Busy:
    """How much of the time between the first and the last task the workers worked."""

    def __init__(self, workers: int, now: Callable[[], float] = time.monotonic) -> None:
        self._workers = workers
        self._now = now
        self._first_began = self._last_ended = math.nan
        self._worked_s = 0.0

    def add(self, seconds: float) -> None:
        """Note a task that has just come back after so many seconds; 0 for what was known."""
        if seconds <= 0:
            return
        self._worked_s += seconds
        self._last_ended = self._now()
        if math.isnan(self._first_began):
            self._first_began = self._last_ended - seconds

    @property
    def wall_s(self) -> float:
        """Time from the begin of the first task to the end of the last, in s; NaN if none."""
        return self._last_ended - self._first_began

    @property
    def idle_s(self) -> float:
        """How long of that a worker did nothing, on average, in s."""
        return max(self.wall_s - self._worked_s / max(self._workers, 1), 0.0)

    @property
    def text(self) -> str:
        """In one line; empty if nothing was done."""
        if not self.wall_s > 0:
            return ""
        share = 1 - self.idle_s / self.wall_s
        return (
            f"{self._workers} workers were busy {share:.0%} of the {self.wall_s:.0f} s between "
            "the first and the last task"
        )


def shape_id_of(name: str) -> str:
    """Return which candidate, or baseline, is solved under a name at one stage or another."""
    return name.removesuffix(LOOK_SUFFIX).removesuffix(FINAL_SUFFIX)


def solve_candidates(run: Run, only: Sequence[str] | None = None) -> None:
    """Mesh and solve whatever is missing; a candidate that fails is recorded, the run goes on.

    Parameters
    ----------
    run : Run
        The run.
    only : sequence of str, optional
        Ids of the candidates that are to be solved, in this order, after baseline, plates and
        references; all of them by default.
    """
    missing: list[Wanted] = []
    waiting: set[str] = set()  # for the plate that a driver was measured in
    for position, candidate in enumerate(_chosen(run, only)):
        if not run.folder.has_directivity(candidate.id):
            missing.append((candidate, position, None))
        elif is_plate(candidate.id) or missing_plates(run.folder, run.loaded):
            waiting.add(candidate.id)
        elif candidate.score is None:  # it was stopped in between
            _judge(run, candidate, run.folder.load_directivity(candidate.id))
    ahead: Iterator[Wanted | None] = iter(missing)
    number = len(missing)
    if only is None:
        ahead = chain(ahead, proposed(run))
        number += still_to_propose(run.folder, run.loaded)
    work_through(run, ahead, number, lambda: run.clock.later_s, _judge_when_possible)
    _complete_scores(run, waiting)


def _chosen(run: Run, only: Sequence[str] | None) -> Sequence[CandidateResult]:
    """Return what is to be solved of the catalogue, in this order."""
    everything = run.folder.candidates()
    if only is None:
        return everything
    known = {candidate.id: candidate for candidate in everything}
    besides = [c for c in everything if c.is_baseline or is_plate(c.id)]
    return [*besides, *(known[name] for name in only)]


def proposed(run: Run) -> Iterator[Wanted | None]:
    """Yield what a directed search wants solved next; None while it waits for results."""
    place = count(len(run.folder.candidates()))
    for candidate in proposed_candidates(run.folder, run.loaded, run.journal.add_remark):
        yield None if candidate is None else (candidate, next(place), None)


def solve_aside(
    run: Run, shapes: Sequence[tuple[CandidateResult, Sequence[MeshSize]]]
) -> dict[str, xr.Dataset]:
    """Mesh and solve shapes that are no candidates of the run; what was done before is kept.

    Parameters
    ----------
    run : Run
        The run.
    shapes : sequence of (CandidateResult, sequence of MeshSize)
        Each under an id of its own, with the mesh rule of every band.

    Returns
    -------
    dict of str to xarray.Dataset
        Directivity by id; what failed is recorded and left out.
    """
    missing: list[Wanted] = [
        (shape, position, sizes)
        for position, (shape, sizes) in enumerate(shapes)
        if not run.folder.has_directivity(shape.id)
    ]
    work_through(run, iter(missing), len(missing), lambda: run.clock.report_s, _only_kept)
    return {
        shape.id: run.folder.load_directivity(shape.id)
        for shape, _ in shapes
        if run.folder.has_directivity(shape.id)
    }


def score_of(run: Run, dataset: xr.Dataset, *, is_baseline: bool = False) -> Score:
    """Return the score of a dataset as it plays by the run's job, against the run's baseline.

    It follows the family of the domes' motions where the job says so and profiles were solved.

    Raises
    ------
    InputError
        If it cannot be played, for want of a plate for instance.
    """
    found = _rigid_score(run, dataset, is_baseline)
    follow = run.loaded.job.score.domes
    domes = None if follow == "rigid" else scores_of_domes(run, dataset, found, is_baseline)
    return found if domes is None else following(found, domes, follow)


def _rigid_score(run: Run, dataset: xr.Dataset, is_baseline: bool) -> Score:
    job, baseline = run.loaded.job, None
    dataset = played(run.folder, run.loaded, dataset)
    if is_baseline:
        baseline = dataset
    elif BASELINE_ID in run.played:
        baseline = run.played[BASELINE_ID]
    elif run.folder.has_directivity(BASELINE_ID):
        solved = run.folder.load_directivity(BASELINE_ID)
        baseline = run.played[BASELINE_ID] = played(run.folder, run.loaded, solved)
    return score(dataset, job.target.target(job.room.room), job.score.settings, baseline)


def scores_of_domes(
    run: Run, dataset: xr.Dataset, rigid: Score, is_baseline: bool
) -> DomeScores | None:
    """Return the scores over the family, each member against the baseline with the same motion.

    None where no profiles were solved, or the band is not complete.
    """
    job = run.loaded.job
    if not has_profiles(dataset) or not rigid.is_complete:
        return None
    target, settings = job.target.target(job.room.room), job.score.settings
    needed = needed_directions(shown(without_profiles(dataset)), target)
    members = list(members_played(run.folder, run.loaded, dataset, needed))
    if not is_baseline and not run.baseline_members and run.folder.has_directivity(BASELINE_ID):
        solved = run.folder.load_directivity(BASELINE_ID)
        if has_profiles(solved):
            run.baseline_members.extend(members_played(run.folder, run.loaded, solved, needed))
    baselines: Sequence[xr.Dataset | None] = members if is_baseline else run.baseline_members
    baselines = baselines or [None] * len(members)
    pairs = list(zip(members, baselines, strict=True))
    totals = [score(one, target, settings, baseline).total_db for one, baseline in pairs]
    order = np.argsort(totals)
    octaves = []
    for middle, alone in octave_settings(settings):
        worst, best = (score(*_with(pairs[order[n]], target, alone)).total_db for n in (-1, 0))
        octaves.append((middle, float(worst - best)))
    return DomeScores(
        rigid_db=rigid.total_db, members_db=tuple(map(float, totals)), octaves=tuple(octaves)
    )


def _with(
    pair: tuple[xr.Dataset, xr.Dataset | None], target: Target, settings: ScoreSettings
) -> tuple[xr.Dataset, Target, ScoreSettings, xr.Dataset | None]:
    return pair[0], target, settings, pair[1]


def work_through(
    run: Run,
    ahead: Iterator[Wanted | None],
    number: int,
    then_s: Callable[[], float],
    judge: Judge,
) -> None:
    """Work on candidates, a few at a time, and conclude each whose work is back.

    So many are open that no worker waits; thousands at once would only fill the memory. None is
    opened for which the time is too short.

    Parameters
    ----------
    run : Run
        The run.
    ahead : iterator of tuple or None
        The candidates; None where the next one is known only when more are concluded.
    number : int
        How many are expected.
    then_s : callable
        Returns how long what must follow takes, in s.
    judge : callable
        Takes what was solved of a candidate, and says in one line what it is.
    """
    tasks: dict[str, _Task] = {}
    came_at_once: list[_Open] = []
    workers, clock = run.pool.size, run.clock
    seconds_each = run.plan.mesh_seconds + run.plan.solve_seconds
    most_open = _OPEN_AHEAD + _OPEN_A_WORKER * workers
    n_begun = n_open = 0

    def open_more() -> None:
        nonlocal n_begun, n_open
        while n_open < most_open:
            begun_s = (n_open + 1) * clock.pace * run.plan.shape_seconds
            if n_begun >= _ALWAYS_BEGUN and not clock.has_time_for(begun_s, then_s()):
                return
            following = next(ahead, None)
            if following is None:
                return
            tasks.update(_submit(run, *following))
            n_begun += 1
            n_open += 1

    open_more()
    busy = Busy(workers)
    with run.progress.bar(seconds_each * number) as advance:
        for outcome in run.pool.outcomes(is_over=lambda: clock.is_up):
            task = tasks.pop(outcome.name)
            if not outcome.error:
                busy.add(outcome.value.seconds)
                clock.learn(task.planned_seconds, outcome.value.seconds)
            _receive(run, task, outcome)
            task.open.tasks_out -= 1
            conclusion, done_seconds = "", task.planned_seconds
            came_at_once.append(task.open)
            if task.open.tasks_out == 0 and not task.open.failures:
                tasks |= _submit_missing(run, task.open)
            if task.open.tasks_out == 0:
                conclusion = _conclude(run, task.open, judge)
                run.folder.log(conclusion)
                done_seconds = seconds_each - task.open.told_seconds
                n_open -= 1
                open_more()
            if not outcome.more_at_once:
                for opened in came_at_once:
                    _save_bands(run, opened)
                came_at_once.clear()
            task.open.told_seconds += done_seconds
            advance(done_seconds, conclusion)
    clock.was_short |= n_open > 0
    if busy.text and not run.plan.cards:
        run.journal.add_time(BETWEEN_TASKS, busy.wall_s)
        run.journal.add_time(IDLE, busy.idle_s)
        run.progress.say(busy.text)
        run.folder.log(busy.text)


def _complete_scores(run: Run, waiting: set[str]) -> None:
    """Judge those that waited for a driver's plate, or were done before the baseline."""
    for candidate in run.folder.candidates():
        waited = candidate.status == store.WAITING or candidate.id in waiting
        if waited and run.folder.has_directivity(candidate.id):
            run.folder.log(_judge(run, candidate, run.folder.load_directivity(candidate.id)))
    if run.folder.has_directivity(BASELINE_ID):
        _compare_with_baseline(run)


def _compare_with_baseline(run: Run) -> None:
    """Judge again those that were solved before the baseline."""
    for candidate in run.folder.candidates():
        terms = candidate.score.terms if candidate.score else ()
        if any(term.name in AGAINST_BASELINE and not term.is_judged for term in terms):
            _judge(run, candidate, run.folder.load_directivity(candidate.id))


def _submit(
    run: Run,
    candidate: CandidateResult,
    position: int,
    sizes: Sequence[MeshSize] | None = None,
) -> dict[str, _Task]:
    """Submit the meshing of a candidate and the bands that are missing, the largest first."""
    job, shape = run.loaded.job, run.shape_of(candidate)
    motions, absorbers = run.loaded.boundaries.both_of(shape, candidate.values)
    if not is_plate(candidate.id) and (sizes is None or job.score.domes != "rigid"):
        motions = with_profiles(motions, run.loaded.boundaries.families)
    settings = SolveSettings(
        motions=motions,
        air=job.air.medium,
        symmetry=shape.symmetry,
        engine=job.solve.engine,
        quality=job.solve.quality,
        absorbers=absorbers,
        without_card=job.solve.without_card,
        microphones_m=run.loaded.loudspeaker.microphones_m(candidate.id),
        keep_surface=job.solve.keep_surface and sizes is None,
    )
    opened = _Open(
        candidate=candidate,
        position=position,
        settings=settings,
        results={
            _BandKey.of_file(number): result
            for number, result in run.folder.load_bands(candidate.id).items()
        },
        refining_seconds=run.plan.refining_seconds,
    )
    opened.tasks_out += 1
    opened.meshes = run.pool.mesh(
        f"{candidate.id} mesh",
        run.methods,
        packed(shape),
        dict(candidate.values),
        sizes or band_mesh_sizes(run.loaded, run.plan.bands),
        job.solve.mesh_time_limit_s,
        priority=-float(position),
    )
    mesh = _Task(open=opened, name="mesh", key=None, planned_seconds=run.plan.mesh_seconds)
    return {f"{candidate.id} mesh": mesh} | _submit_missing(run, opened)


def _submit_missing(run: Run, opened: _Open) -> dict[str, _Task]:
    """Submit what is to be solved next of a candidate, the largest bands first."""
    assert opened.meshes is not None  # they are asked for first
    tasks = {}
    for key, band in sorted(_missing(run, opened).items(), reverse=True):
        pass_number, band_number = key
        cost = run.plan.band_costs[band_number]
        seconds = cost.seconds * len(band.frequencies_hz) / len(cost.band.frequencies_hz)
        name = f"band {band_number + 1}"
        if pass_number:
            name += f", pass {pass_number + 1}"
            seconds = min(seconds, opened.refining_seconds)
            opened.refining_seconds -= seconds
        full_name = f"{opened.candidate.id} {name}"
        tasks[full_name] = _Task(open=opened, name=name, key=key, planned_seconds=seconds)
        opened.tasks_out += 1
        # Candidates in order; within one, the mesh and then the largest bands first.
        delay = 0.5 * (len(run.plan.bands) - band_number) / len(run.plan.bands)
        run.pool.solve_band(
            full_name,
            run.methods,
            opened.meshes,
            band_number,
            band,
            opened.settings,
            priority=-(opened.position + delay),
            memory=partial(_band_memory, run, opened, band_number),
        )
    return tasks


def _band_memory(run: Run, opened: _Open, band_number: int) -> float:
    """Return what solving a band takes, exactly known once the mesh is."""
    if not opened.unknowns:
        return 0.0
    return band_memory(
        opened.unknowns[band_number],
        len(opened.settings.symmetry),
        opened.settings.engine,
    )


def _missing(run: Run, opened: _Open) -> dict[_BandKey, Band]:
    """Return what is to be solved next of a candidate, by key; empty if it is complete.

    First all bands; then, as long as the interpolation may be off by more than the quality's
    error, the frequencies that halve the steps in question.
    """
    for number in range(PASSES + 1):
        if number == len(opened.passes):
            opened.passes.append(_wanted(run, opened, number))
        wanted = opened.passes[number]
        missing = {key: band for key, band in wanted.items() if key not in opened.results}
        if missing or not wanted:
            return missing
    return {}


def _wanted(run: Run, opened: _Open, pass_number: int) -> dict[_BandKey, Band]:
    """Return what a pass consists of, by key; it follows from the passes before."""
    bands, frequencies = run.plan.bands, run.loaded.job.frequencies
    if pass_number == 0:
        return {_BandKey(0, number): band for number, band in enumerate(bands)}
    if not frequencies.is_as_needed:
        return {}
    before = [result for key, result in opened.results.items() if key.pass_number < pass_number]
    try:
        dataset = _dataset_of(run, opened, before)
    except ValueError:  # what does not fit together is recorded in the end
        return {}
    allowed_db = stated_error_db(run.loaded.job.solve.quality)
    more = frequencies_to_add(dataset, frequencies.frequencies_hz, allowed_db)
    if more:
        run.folder.log(f"{opened.candidate.id} pass {pass_number + 1}: {len(more)} frequencies")
    found: dict[int, list[float]] = {}
    for frequency in more:
        found.setdefault(band_of(frequency, bands), []).append(frequency)
    return {
        _BandKey(pass_number, number): replace(bands[number], frequencies_hz=tuple(chosen))
        for number, chosen in found.items()
    }


def _receive(run: Run, task: _Task, outcome: Outcome) -> None:
    """Keep what a piece of work gave."""
    candidate_id = task.open.candidate.id
    if outcome.error:
        task.open.failures[task.name] = outcome
        return
    reason = ""
    if task.key is None:
        meshes: Sequence[Mesh] = outcome.value.value
        task.open.unknowns = tuple(mesh.n_triangles for mesh in meshes)
        task.open.mesh_info = {
            "quality": task.open.settings.quality,
            "triangles_finest": max(mesh.n_triangles for mesh in meshes),
            "triangles_coarsest": min(mesh.n_triangles for mesh in meshes),
        }
        run.folder.save_mesh(candidate_id, max(meshes, key=lambda mesh: mesh.n_triangles))
        run.journal.add_time("meshing, summed over workers", outcome.value.seconds)
    else:
        result: BandResult = outcome.value.value
        if result.surface is not None:
            run.folder.save_surface(candidate_id, task.key.file_number, result.surface)
        task.open.results[task.key] = replace(result, surface=None)
        task.open.unsaved[task.key] = outcome.value.seconds > _WORTH_WAITING_S
        run.journal.add_time("solving, summed over workers", outcome.value.seconds)
        reason = "; ".join(
            f"{item.frequency_hz:.0f} Hz failed: {item.reason}"
            for item in result.outcomes
            if item.status == store.FAILED
        )
    record = TaskRecord(
        candidate=candidate_id,
        task=task.name,
        status=store.FAILED if reason else store.DONE,
        seconds=outcome.value.seconds,
        reason=reason,
    )
    run.journal.add_task(record)


def _save_bands(run: Run, opened: _Open) -> None:
    """Keep the bands that have come back, until their candidate is complete.

    Those that came back at once, and complete it, need not be kept first.
    """
    for key, is_worth_waiting in opened.unsaved.items():
        run.folder.save_band(
            opened.candidate.id, key.file_number, opened.results[key], durable=is_worth_waiting
        )
    opened.unsaved.clear()


def _conclude(run: Run, opened: _Open, judge: Judge) -> str:
    """Record the end of a candidate all of whose work is back, and say it in one line."""
    # Where there is no mesh, that the bands failed as well says nothing.
    mesh_failed = opened.failures.get("mesh")
    failures = {"mesh": mesh_failed} if mesh_failed else opened.failures
    if failures:
        return _fail(run, opened.candidate, failures)
    try:
        dataset = _dataset_of(run, opened, list(opened.results.values()))
    except ValueError as error:
        failure = Outcome(name="directivity", value=None, error=str(error))
        return _fail(run, opened.candidate, {"directivity": failure})
    job = run.loaded.job
    if job.frequencies.is_as_needed:
        allowed_db = stated_error_db(job.solve.quality)
        dataset = with_shown_frequencies(dataset, job.frequencies.frequencies_hz, allowed_db)
    run.folder.save_directivity(opened.candidate.id, dataset)
    opened.unsaved.clear()
    return judge(run, opened.candidate, dataset)


def _only_kept(run: Run, candidate: CandidateResult, dataset: xr.Dataset) -> str:
    """Leave it to others to judge a shape that is no candidate of the run."""
    return f"{candidate.id} solved"


def _judge_when_possible(run: Run, candidate: CandidateResult, dataset: xr.Dataset) -> str:
    """Judge a candidate, unless it waits for a driver's plate."""
    missing = missing_plates(run.folder, run.loaded)
    if missing and not is_plate(candidate.id):
        return f"{candidate.id} solved, to be judged when {', '.join(missing)} is solved"
    conclusion = _judge(run, candidate, dataset)
    if candidate.id == BASELINE_ID:  # a directed search goes on from complete scores
        _compare_with_baseline(run)
    return conclusion


def _dataset_of(run: Run, opened: _Open, results: Sequence[BandResult]) -> xr.Dataset:
    """Return what was solved as a dataset.

    Raises
    ------
    ValueError
        If the results do not fit together.
    """
    motions = [motion for motion in opened.settings.motions if motion.profile is None]
    profiles = opened.settings.motions[len(motions) :]
    return assemble_dataset(
        directions(),
        results,
        [motion.name for motion in motions],
        air=opened.settings.air,
        mesh_info=opened.mesh_info,
        engine=opened.settings.engine,
        versions=run.journal.versions,
        microphones_m=opened.settings.microphones_m,
        source_centres=np.array([motion.centre for motion in motions]),
        profiles={profile.name: profile.inner_radius_m for profile in profiles},
    )


def _judge(run: Run, candidate: CandidateResult, dataset: xr.Dataset) -> str:
    """Score a complete candidate as it plays; a plate is only noted as solved."""
    if is_plate(candidate.id):
        run.folder.update_candidate(candidate.id, status=store.SOLVED)
        return f"{candidate.id} solved"
    try:
        is_baseline = candidate.id == BASELINE_ID
        found = _rigid_score(run, dataset, is_baseline)
        domes = scores_of_domes(run, dataset, found, is_baseline)
    except InputError as error:
        failure = Outcome(name="score", value=None, error=str(error))
        return _fail(run, candidate, {"score": failure})
    if domes is not None:
        run.folder.enter_domes(candidate.id, domes)
        found = following(found, domes, run.loaded.job.score.domes)
    if run.journal.has_task(candidate.id, "score"):
        record = TaskRecord(candidate=candidate.id, task="score", status=store.DONE, seconds=0.0)
        run.journal.add_task(record)  # it failed before, for want of a plate
    failed = dataset.isel(frequency=dataset["status"].values == store.FAILED)
    reasons = [
        f"{frequency:.0f} Hz failed: {reason or 'no reason recorded'}"
        for frequency, reason in zip(
            failed["frequency"].values, failed["reason"].values, strict=True
        )
    ]
    doubt = interpolation_warning(dataset)
    reasons += [f"{WARNING}{doubt}"] if doubt else []
    narrow = warnings_of(run.folder.load_mesh(candidate.id), run.shape_of(candidate).symmetry)
    reasons += [f"{WARNING}{text}" for text in narrow]
    run.folder.update_candidate(candidate.id, status=store.SOLVED, score=found, reasons=reasons)
    return "; ".join([f"{candidate.id} solved, score {found.total_db:.2f} dB", *reasons])


def _fail(run: Run, candidate: CandidateResult, failures: Mapping[str, Outcome]) -> str:
    """Record why a candidate failed."""
    for name, outcome in failures.items():
        record = TaskRecord(
            candidate=candidate.id,
            task=name,
            status=store.FAILED,
            seconds=0.0,
            reason=outcome.error,
        )
        run.journal.add_task(record, outcome.detail)
    reasons = [f"{name}: {outcome.error}" for name, outcome in failures.items()]
    run.folder.update_candidate(
        candidate.id.removesuffix(LOOK_SUFFIX), status=store.FAILED, reasons=reasons
    )
    return f"{candidate.id} failed: {'; '.join(reasons)}"
