# SPDX-License-Identifier: GPL-3.0-or-later
"""How a run is carried out, and the engine, cost and workers that follow from it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.progress import Progress, Silent
from bafflelens.bem.card import count_cards, missing_card
from bafflelens.job.cost_estimate import Plan, make_plan
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.sampling import Sampling
from bafflelens.run.deadline import local_now
from bafflelens.workers.caching.cached_pool import RememberingPool
from bafflelens.workers.caching.solved import CacheSettings, open_cache
from bafflelens.workers.memory_limit import GIB
from bafflelens.workers.pool import Pool
from bafflelens.workers.work_units import Methods


def _worker_pool(**asked: Any) -> AbstractContextManager[Pool]:
    """Give a pool of worker processes; what that needs is slow to load."""
    from bafflelens.workers.dask_pool import worker_pool

    return worker_pool(**asked)


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
    open_pool: Callable[..., AbstractContextManager[Pool]] = _worker_pool
    methods: Methods = field(default_factory=Methods)
    now: Callable[[], datetime] = local_now


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
    from bafflelens.workers.dask_pool import processors, usable_memory

    solve = loaded.job.solve
    return make_plan(
        loaded,
        sampling,
        workers=options.workers or solve.workers or processors(),
        cards=_cards(loaded, options),
        memory_bytes=solve.memory_gib * GIB if solve.memory_gib else usable_memory(),
        mesh=options.methods.mesh_shape,
    )


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
