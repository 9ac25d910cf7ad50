# SPDX-License-Identifier: GPL-3.0-or-later
"""A run, from the job file to the report: read `run_job` from top to bottom."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from bafflelens import store
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.progress import Progress, Silent
from bafflelens.bem.gpu_engine import count_cards, missing_card
from bafflelens.job.cost_estimate import Plan, make_plan, plan_nearby
from bafflelens.job.job_file import LoadedJob, load_job
from bafflelens.job.perturbations import changed_keys
from bafflelens.job.sampling import BASELINE_ID, Candidate, Sampling
from bafflelens.job.sources import is_plate
from bafflelens.report.summary import has_failed, rank_run, report_run, solved_candidate
from bafflelens.run.carving.carve import Carved, carve_candidate, with_changes
from bafflelens.run.carving.leaders import carve_leaders
from bafflelens.run.cross_check import SecondOpinion
from bafflelens.run.deadline import Clock, fit_in_words, how_many_fit, local_now, require_time
from bafflelens.run.fidelity_stages import solve_finalists, solve_in_stages
from bafflelens.run.judging import judge_when_possible
from bafflelens.run.mesh_repeatability import mesh_best_again
from bafflelens.run.robustness import change_candidate, change_leaders
from bafflelens.run.searching.ahead import still_to_propose
from bafflelens.run.state import Run
from bafflelens.run.warm_start import draw_job
from bafflelens.scoring.by_hand import is_by_hand
from bafflelens.scoring.carved import is_carved
from bafflelens.scoring.ranking import CandidateResult, RankedRow
from bafflelens.scoring.references import reference_name
from bafflelens.scoring.sensitivity import Robustness
from bafflelens.store import RunFolder, create_run, open_run
from bafflelens.store.run_record import first_record, keep_journal
from bafflelens.store.status_file import Watched
from bafflelens.workers.caching.cached_pool import RememberingPool
from bafflelens.workers.caching.solved import CacheSettings, open_cache
from bafflelens.workers.dask_pool import Pool, processors, usable_memory, worker_pool
from bafflelens.workers.memory_limit import GIB
from bafflelens.workers.work_units import Methods


@dataclass(frozen=True, kw_only=True)
class RunOptions:
    """How a run is carried out; none of it changes the results.

    Attributes
    ----------
    results : Path
        The folder that holds the runs.
    workers : int or None
        Worker processes; None for what the job says, or one a processor.
    scheduler : str or None
        Address of a running dask scheduler to use instead.
    cache : CacheSettings or None
        Where solved frequencies are kept and looked for; None for nowhere.
    deadline : datetime or None
        When the report must be ready; None for no hurry.
    progress : Progress
        Who is told.
    open_pool, methods, now
        Who does the work, how, and by which clock; tests put their own in place.
    """

    results: Path = Path("results")
    workers: int | None = None
    scheduler: str | None = None
    cache: CacheSettings | None = None
    deadline: datetime | None = None
    progress: Progress = field(default_factory=Silent)
    open_pool: Callable[..., AbstractContextManager[Pool]] = worker_pool
    methods: Methods = field(default_factory=Methods)
    now: Callable[[], datetime] = local_now


@dataclass(frozen=True, kw_only=True)
class RunResult:
    """What came of a run.

    Attributes
    ----------
    folder : RunFolder
        Where everything is.
    rows : tuple of RankedRow
        The ranking.
    has_failures : bool
        Whether anything failed that was to be solved.
    """

    folder: RunFolder
    rows: tuple[RankedRow, ...]
    has_failures: bool


def run_job(job_file: Path, options: RunOptions) -> RunResult:
    """Check a job, solve its candidates, rank them and write the report.

    Raises
    ------
    InputError
        If the job, its geometry scripts or the scheduler are wrong; nothing is written then.
    StoreError
        If the results cannot be written.
    """
    loaded = load_job(job_file)
    engine = engine_at_hand(loaded, options)
    loaded = with_engine(loaded, engine)
    sampling = draw_job(loaded)
    plan = plan_job(loaded, sampling, options)
    clock = Clock(options.deadline, plan, options.now)
    require_time(clock, 2 + len(loaded.plates))
    _say_how_many_fit(loaded, sampling, clock, options)
    record = first_record(loaded)
    for remark in record.remarks:
        options.progress.say(f"note: {remark}")
    with remembering_pool(plan, options) as pool:
        candidates = _catalogue_of(loaded, sampling)
        folder = create_run(options.results, loaded, candidates, record)
        return _carry_out(folder, engine, clock, plan, pool, options)


def queue_run(job_file: Path, options: RunOptions) -> RunFolder:
    """Check a job and make its run folder, with job, scripts and tables as they are now.

    Nothing is solved; `resume_run` does that. A job for a graphics card is taken without one,
    too: the scheduler that will solve it may have some.

    Raises
    ------
    InputError
        If the job or its geometry scripts are wrong; nothing is written then.
    StoreError
        If the results cannot be written.
    """
    loaded = load_job(job_file)
    sampling = draw_job(loaded)
    plan_job(loaded, sampling, options)
    record = replace(first_record(loaded), status=store.QUEUED)
    return create_run(options.results, loaded, _catalogue_of(loaded, sampling), record)


def resume_run(run_folder: Path, options: RunOptions) -> RunResult:
    """Go on with a run that was stopped: only what is missing or failed is done again.

    Raises
    ------
    InputError
        If the scheduler cannot be reached.
    StoreError
        If this is no run folder, another process works on it, or it cannot be written.
    """
    folder = open_run(run_folder)
    with folder.locked():
        for text in folder.mend():
            folder.log(text)
            options.progress.say(f"note: {text}")
    loaded = folder.load_job()
    engine = engine_at_hand(loaded, options)
    loaded = with_engine(loaded, engine)
    plan = plan_job(loaded, sampling_of(folder, loaded), options)
    clock = Clock(options.deadline, plan, options.now)
    is_begun = folder.has_directivity(BASELINE_ID)
    require_time(clock, 0 if is_begun else 2 + len(loaded.plates))
    if not is_begun:
        _say_how_many_fit(loaded, sampling_of(folder, loaded), clock, options)
    with remembering_pool(plan, options) as pool:
        return _carry_out(folder, engine, clock, plan, pool, options)


def _say_how_many_fit(
    loaded: LoadedJob, sampling: Sampling, clock: Clock, options: RunOptions
) -> None:
    """Say before a timed run how many of the candidates will be ready."""
    n_asked = len(sampling.candidates) + sampling.proposed
    n_others = len(sampling.everything) - len(sampling.candidates) + len(loaded.plates)
    look = loaded.job.first_look
    n_fit = how_many_fit(clock, n_asked, n_others, look.keep_pct if look else None)
    told = fit_in_words(clock, n_fit, n_asked)
    if told:
        options.progress.say(told)


def change_on_request(
    run_folder: Path, candidate_id: str, options: RunOptions, *, all_parameters: bool = False
) -> Robustness:
    """Change a solved candidate a little, one parameter at a time; the run keeps the result.

    Parameters
    ----------
    run_folder : Path
        The run.
    candidate_id : str
        The candidate.
    options : RunOptions
        How.
    all_parameters : bool
        Whether all parameters are changed, not only those that the job searches or gives a
        tolerance.

    Raises
    ------
    InputError
        If there is no such candidate, nothing to change, or its draft cannot be solved.
    StoreError
        If this is no run folder, another process works on it, or it cannot be written.
    """
    folder = open_run(run_folder)
    loaded = folder.load_job()
    loaded = with_engine(loaded, engine_at_hand(loaded, options))
    candidate = solved_candidate(folder, candidate_id)
    if candidate.is_baseline or is_carved(candidate_id):
        rule = "a candidate of the search: only these have parameters that are searched"
        raise InputError(invalid("candidate", candidate_id, rule))
    keys = tuple(parameter.key for parameter in loaded.shape.parameters)
    keys = keys if all_parameters else changed_keys(loaded)
    if not keys:
        rule = "with parameters that are searched or have a tolerance, or take --all-parameters"
        raise InputError(invalid("job", loaded.path.name, rule))
    plan = plan_job(loaded, sampling_of(folder, loaded), options)
    plan = plan_nearby(plan, loaded, len(keys), folder.load_mesh(candidate_id))
    before = folder.load_record().status
    with (
        remembering_pool(plan, options) as pool,
        folder.kept_open(),
        keep_journal(folder, closing=before) as journal,
    ):
        run = Run(
            folder=folder,
            loaded=loaded,
            plan=plan,
            pool=pool,
            journal=journal,
            progress=options.progress,
            methods=options.methods,
            clock=Clock(None, plan),
        )
        options.methods.warm_up(options.progress.say)
        change_candidate(run, candidate, keys)
    found = {known.candidate: known for known in folder.load_record().robustness}
    if candidate_id not in found:
        rule = "one whose draft can be solved; the run's record says why it cannot"
        raise InputError(invalid("candidate", candidate_id, rule))
    return found[candidate_id]


def carve_on_request(
    run_folder: Path,
    candidate_id: str,
    options: RunOptions,
    *,
    changes: Mapping[str, object] | None = None,
) -> Carved:
    """Carve a solved candidate of a run; the run keeps every step, and what comes of it.

    Parameters
    ----------
    run_folder : Path
        The run.
    candidate_id : str
        The candidate, or the baseline.
    options : RunOptions
        How.
    changes : mapping, optional
        Keys of the job's ``[carve]`` with other values.

    Raises
    ------
    InputError
        If there is no such candidate, or nothing to carve within the limits.
    StoreError
        If this is no run folder, another process works on it, or it cannot be written.
    """
    folder = open_run(run_folder)
    loaded = folder.load_job()
    loaded = with_engine(loaded, engine_at_hand(loaded, options))
    section = with_changes(loaded.job.carve, changes or {})
    candidate = solved_candidate(folder, candidate_id)
    plan = plan_job(loaded, sampling_of(folder, loaded), options)
    before = folder.load_record().status
    with (
        remembering_pool(plan, options) as pool,
        folder.kept_open(),
        keep_journal(folder, closing=before) as journal,
    ):
        run = Run(
            folder=folder,
            loaded=loaded,
            plan=plan,
            pool=pool,
            journal=journal,
            progress=options.progress,
            methods=options.methods,
            clock=Clock(options.deadline, plan, options.now),
        )
        options.methods.warm_up(options.progress.say)
        try:
            return carve_candidate(run, candidate, section)
        except KeyboardInterrupt:
            options.progress.say("every step is kept; the same command goes on from the last")
            raise


def engine_at_hand(loaded: LoadedJob, options: RunOptions) -> str:
    """Return the engine of a job; that of the processor where it allows that and has no card.

    Raises
    ------
    InputError
        If it wants a card and there is none here. Those of a foreign scheduler are not known yet.
    """
    solve = loaded.job.solve
    if solve.engine != "gpu" or options.scheduler or count_cards():
        return solve.engine
    reason = missing_card() or "no graphics card was found"
    if solve.without_card == "stop":
        rule = f"'direct' here, or solve.without_card = 'direct': {reason}"
        msg = f"{loaded.path}: {invalid('key solve.engine', 'gpu', rule)}"
        raise InputError(msg)
    options.progress.say(f"note: solving on the processor: {reason}")
    return "direct"


def with_engine(loaded: LoadedJob, engine: str) -> LoadedJob:
    """Return a job with another engine."""
    solve = loaded.job.solve.model_copy(update={"engine": engine})
    return replace(loaded, job=loaded.job.model_copy(update={"solve": solve}))


def _cards(loaded: LoadedJob, options: RunOptions) -> int:
    """Return how many cards of this machine solve the job."""
    return count_cards() if loaded.job.solve.engine == "gpu" and not options.scheduler else 0


def plan_job(loaded: LoadedJob, sampling: Sampling, options: RunOptions) -> Plan:
    """Return what a job will cost with these options."""
    solve = loaded.job.solve
    return make_plan(
        loaded,
        sampling,
        workers=options.workers or solve.workers or processors(),
        cards=_cards(loaded, options),
        memory_bytes=solve.memory_gib * GIB if solve.memory_gib else usable_memory(),
        mesh=options.methods.mesh_shape,
    )


def _carry_out(
    folder: RunFolder,
    engine: str,
    clock: Clock,
    plan: Plan,
    pool: RememberingPool,
    options: RunOptions,
) -> RunResult:
    options.progress.say(f"run folder: {folder.path}")
    watched = Watched(options.progress, folder)
    with (
        _resumable(folder, watched),
        folder.kept_open(),
        keep_journal(folder, watched.enter) as journal,
    ):
        run = Run(
            folder=folder,
            loaded=with_engine(folder.load_job(), engine),
            plan=plan,
            pool=pool,
            journal=journal,
            progress=watched,
            methods=options.methods,
            clock=clock,
        )
        with journal.step("preparing the solver"):
            options.methods.warm_up(watched.say)
        opinion = SecondOpinion(run)
        with journal.step("meshing and solving"):
            solve_in_stages(run, opinion.judging(judge_when_possible))
        if pool.tally.text:
            watched.say(pool.tally.text)
            journal.add_remark(pool.tally.text)
        if run.loaded.job.carve.leaders:
            with journal.step("carving the leaders"):
                run = carve_leaders(run, rank_run(folder))
        _look_closer(run, opinion)
        rows = rank_run(folder, loaded=run.loaded)
        for text in _left_undone(run, rows):
            watched.say(f"note: {text}")
            journal.add_remark(text)
        journal.has_failures = any(has_failed(row) for row in rows)
        with journal.step("report"):
            report_run(folder, run.loaded, journal.closing_record)
    return RunResult(folder=folder, rows=rows, has_failures=journal.has_failures)


def _look_closer(run: Run, opinion: SecondOpinion) -> None:
    """Examine the best of a run that is solved, as far as the time allows."""
    clock, folder = run.clock, run.folder
    opinion_s = clock.opinion_s
    if clock.left_s > opinion_s + clock.report_s:
        opinion.ask(run)
    steps: tuple[tuple[str, float, float, Callable[[], None]], ...] = (
        (
            "finalists once more",
            clock.finals_s,
            clock.remeshing_s + clock.nearby_s + opinion_s,
            lambda: solve_finalists(run, rank_run(folder)),
        ),
        (
            "meshing the best again",
            clock.remeshing_s,
            clock.nearby_s + opinion_s,
            lambda: mesh_best_again(run, rank_run(folder)),
        ),
        (
            "small changes of the leaders",
            clock.nearby_s,
            opinion_s,
            lambda: change_leaders(run, rank_run(folder)),
        ),
    )
    for name, seconds, then_s, look in steps:
        if clock.has_time_for(seconds, then_s + clock.report_s):
            with run.journal.step(name):
                look()
        elif seconds:
            _skip(run, name)
    if opinion.is_asked:
        with run.journal.step("waiting for the second opinion"):
            opinion.take(run)
    elif opinion_s and not clock.has_time_for(opinion_s, clock.report_s):
        _skip(run, "second opinion")


def _skip(run: Run, name: str) -> None:
    """Note what there was no time for."""
    text = f"skipped, no time left: {name}"
    run.progress.say(f"note: {text}")
    run.journal.add_remark(text)


def _left_undone(run: Run, rows: Sequence[RankedRow]) -> tuple[str, ...]:
    """Return what was not solved because the run had to be ready in time."""
    if not run.clock.was_short or run.clock.deadline is None:
        return ()
    waiting = sum(row.status == store.WAITING for row in rows)
    to_propose = still_to_propose(run.folder, run.loaded)
    if not waiting + to_propose:
        return ()
    return (
        f"to be ready by {run.clock.deadline:%Y-%m-%d %H:%M}, {waiting + to_propose} of "
        f"{len(rows) + to_propose} shapes were left unsolved; bafflelens resume continues with "
        "them",
    )


@contextmanager
def _resumable(folder: RunFolder, progress: Progress) -> Iterator[None]:
    """Say how to go on with a run that is stopped."""
    try:
        yield
    except KeyboardInterrupt:
        progress.say(f"what is solved is kept; continue with: bafflelens resume {folder.path}")
        raise


@contextmanager
def remembering_pool(plan: Plan, options: RunOptions) -> Iterator[RememberingPool]:
    """Give the workers of a plan, with the cache before them, and close both."""
    with ExitStack() as stack:
        pool = stack.enter_context(
            options.open_pool(
                workers=plan.workers,
                scheduler=options.scheduler,
                memory_bytes=plan.memory_limit_bytes,
                cards=plan.cards,
            )
        )
        cache = None
        if options.cache is not None:
            cache = stack.enter_context(open_cache(options.cache, options.progress.say))
        yield RememberingPool(pool, cache)


def _catalogue_of(loaded: LoadedJob, sampling: Sampling) -> list[CandidateResult]:
    """Return the entries of the catalogue before anything is solved: plates after the baseline."""
    entries = [
        CandidateResult(
            id=candidate.id,
            label=reference_name(candidate.id) or loaded.shape_of(candidate.id).name,
            is_baseline=candidate.is_baseline,
            values=candidate.values,
            score=None,
            status=store.WAITING,
        )
        for candidate in sampling.everything
    ]
    plates = [
        CandidateResult(
            id=plate.id,
            label=plate.shape.name,
            is_baseline=False,
            values=plate.values,
            score=None,
            status=store.WAITING,
        )
        for plate in loaded.plates
    ]
    return [*entries[:1], *plates, *entries[1:]]


def sampling_of(folder: RunFolder, loaded: LoadedJob) -> Sampling:
    """Return the candidates of a run as they were drawn when it began."""
    found = [
        c
        for c in folder.candidates()
        if not (is_plate(c.id) or is_carved(c.id) or is_by_hand(c.id))
    ]
    drawn = {
        is_baseline: tuple(
            Candidate(id=entry.id, values=dict(entry.values))
            for entry in found
            if entry.is_baseline == is_baseline
        )
        for is_baseline in (True, False)
    }
    baseline, *references = drawn[True]
    return Sampling(
        baseline=baseline,
        candidates=drawn[False],
        references=tuple(references),
        proposed=still_to_propose(folder, loaded),
    )
