# SPDX-License-Identifier: GPL-3.0-or-later
"""A run, from the job file to the report: read `run_job` from top to bottom."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from bafflelens import store
from bafflelens.base.progress import Progress
from bafflelens.job.cost_estimate import Plan
from bafflelens.job.job_file import LoadedJob, load_job
from bafflelens.job.sampling import BASELINE_ID, Sampling
from bafflelens.report.summary import has_failed, rank_run, report_run
from bafflelens.run.carving.leaders import carve_leaders
from bafflelens.run.catalogued import catalogue_entries, sampling_of
from bafflelens.run.cross_check import SecondOpinion
from bafflelens.run.deadline import Clock, fit_in_words, how_many_fit, require_time
from bafflelens.run.fidelity_stages import solve_finalists, solve_in_stages
from bafflelens.run.judging import judge_when_possible
from bafflelens.run.mesh_repeatability import best_meshed_again
from bafflelens.run.options import (
    RunOptions,
    engine_at_hand,
    plan_job,
    remembering_pool,
    with_engine,
)
from bafflelens.run.robustness import changed_leaders
from bafflelens.run.searching.ahead import still_to_propose
from bafflelens.run.solving import Aside, solve_aside
from bafflelens.run.state import Run
from bafflelens.run.warm_start import draw_job
from bafflelens.scoring.ranking import RankedRow
from bafflelens.store import RunFolder, create_run, open_run
from bafflelens.store.run_record import first_record, keep_journal
from bafflelens.store.status_file import Watched
from bafflelens.workers.caching.cached_pool import RememberingPool


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
        candidates = catalogue_entries(loaded, sampling)
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
    return create_run(options.results, loaded, catalogue_entries(loaded, sampling), record)


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
    clock = run.clock
    opinion_s = clock.opinion_s
    if clock.left_s > opinion_s + clock.report_s:
        opinion.ask(run)
    later_s = clock.remeshing_s + clock.nearby_s + opinion_s
    if clock.has_time_for(clock.finals_s, later_s + clock.report_s):
        with run.journal.step("finalists once more"):
            solve_finalists(run, rank_run(run.folder))
    elif clock.finals_s:
        _skip(run, "finalists once more")
    _look_around(run, opinion_s)
    if opinion.is_asked:
        with run.journal.step("waiting for the second opinion"):
            opinion.take(run)
    elif opinion_s and not clock.has_time_for(opinion_s, clock.report_s):
        _skip(run, "second opinion")


def _look_around(run: Run, opinion_s: float) -> None:
    """Mesh the best again and change the leaders a little, as one batch for the workers."""
    clock = run.clock
    looks: tuple[tuple[str, float, float, Callable[..., tuple[Aside, ...]]], ...] = (
        # First what takes longest, so that all workers end at about the same time.
        ("meshing the best again", clock.remeshing_s, clock.nearby_s, best_meshed_again),
        ("small changes of the leaders", clock.nearby_s, 0.0, changed_leaders),
    )
    chosen, chosen_s = {}, 0.0
    for name, seconds, then_s, look in looks:
        if clock.has_time_for(chosen_s + seconds, then_s + opinion_s + clock.report_s):
            chosen[name] = look
            chosen_s += seconds
        elif seconds:
            _skip(run, name)
    if not chosen:
        return
    with run.journal.step(" and ".join(chosen)):
        rows = rank_run(run.folder)
        solve_aside(run, *(aside for look in chosen.values() for aside in look(run, rows)))


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
