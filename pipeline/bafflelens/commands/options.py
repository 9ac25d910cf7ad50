# SPDX-License-Identifier: GPL-3.0-or-later
"""Options that several verbs share, what a run makes of them, and the exit codes."""

from __future__ import annotations

import os
import sys
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

from cyclopts import Parameter

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.shipped import found_or_shipped
from bafflelens.base.signals import ended_by_signals
from bafflelens.commands.console import ConsoleProgress

if TYPE_CHECKING:
    from bafflelens.run.options import RunOptions

FINE: Final = 0
HAS_FAILURES: Final = 1
WRONG_INPUT: Final = 2
UNEXPECTED: Final = 70  # EX_SOFTWARE of sysexits.h
INTERRUPTED: Final = 130
TERMINATED: Final = 143

JobFile = Annotated[
    Path,
    Parameter(
        help="Job file (TOML); see jobs/README.md.",
        converter=lambda _, tokens: found_or_shipped(Path(tokens[0].value)),
    ),
]
Folder = Annotated[Path, Parameter(help="Folder of a run, under results/.")]
Results = Annotated[Path, Parameter(help="Folder in which the run gets a folder of its own.")]
Workers = Annotated[
    int | None,
    Parameter(help="Worker processes; otherwise as the job says, or one per processor."),
]
Scheduler = Annotated[
    str | None,
    Parameter(help="Address of a running dask scheduler to use instead, tcp://host:port."),
]
Until = Annotated[
    str | None,
    Parameter(help="When the report must be ready: 07:00, or 2026-01-31T07:00; local time."),
]
Hours = Annotated[float | None, Parameter(help="The same, as hours from now.")]
QueueNumber = Annotated[int, Parameter(help="Number of the job, as `queue list` shows it.")]
QueueFolder = Annotated[Path, Parameter(help="Folder of the queue and of its runs.")]
CacheFolder = Annotated[
    Path | None,
    Parameter(help="Folder of the cache of solved frequencies; otherwise that of the results."),
]
CacheLimit = Annotated[float, Parameter(help="Largest size of the cache in GiB; 0 for no cache.")]


@Parameter(name="*")
@dataclass(frozen=True, kw_only=True)
class Tools:
    """With what shapes are solved."""

    workers: Workers = None
    scheduler: Scheduler = None
    cache: CacheFolder = None
    cache_gib: CacheLimit = 10.0


@Parameter(name="*")
@dataclass(frozen=True, kw_only=True)
class Means(Tools):
    """With what, and until when, jobs are carried out."""

    until: Until = None
    hours: Hours = None


USUAL: Final = Means()
USUAL_TOOLS: Final = Tools()


def require_tools(tools: Tools) -> None:
    """Check what shapes would be solved with, before anything is made or shown.

    Raises
    ------
    InputError
        If a number is out of its range.
    """
    positive(tools.workers)
    if not tools.cache_gib >= 0:
        rule = "a number of at least 0"
        raise InputError(invalid("option '--cache-gib'", tools.cache_gib, rule))


def run_options(results: Path, means: Tools) -> RunOptions:
    """Return the options of a run, with progress on the terminal.

    Raises
    ------
    InputError
        If a number is out of its range, or no end can be read.
    """
    from bafflelens.run.deadline import read_deadline
    from bafflelens.run.options import RunOptions
    from bafflelens.store import cache_path
    from bafflelens.workers.caching.solved import CacheSettings

    require_tools(means)
    settings = CacheSettings(path=cache_path(means.cache or results), limit_gib=means.cache_gib)
    return RunOptions(
        results=results,
        workers=means.workers,
        scheduler=means.scheduler,
        cache=settings if means.cache_gib else None,
        deadline=read_deadline(means.until, means.hours) if isinstance(means, Means) else None,
        progress=ConsoleProgress(),
    )


def positive(workers: int | None) -> int | None:
    """Return a number of workers, None if none was given.

    Raises
    ------
    InputError
        If it is less than one.
    """
    if workers is not None and workers < 1:
        raise InputError(invalid("option '--workers'", workers, "a whole number of at least 1"))
    return workers


def require_beside(option: str, other: str, *, is_alone: bool) -> None:
    """Refuse an option that goes only with another, and came without it.

    Raises
    ------
    InputError
        If it is alone.
    """
    if is_alone:
        rule = f"given with '{other}'"
        raise InputError(invalid(f"option '{option}'", f"without '{other}'", rule))


def stoppable() -> AbstractContextManager[None]:
    """Let SIGTERM end what is under way within ten seconds, with everything that is done kept."""

    def kill_workers() -> None:
        if pools := sys.modules.get("bafflelens.workers.dask_pool"):  # else there are none
            pools.kill_workers()

    return ended_by_signals(kill_workers)


def prepare_compiler(*, beside_workers: bool = False) -> None:
    """Tell numba about the processor; it reads this when it is loaded.

    Beside workers, which have all processors, libraries of matrices are told to start no threads.

    Raises
    ------
    InputError
        If the user's own number of threads is none: here, before anything is begun.
    """
    from bafflelens.base.processor import ONE_THREAD, wide_vectors
    from bafflelens.base.threads import number_of_threads

    number_of_threads()
    for name, value in {**wide_vectors(), **(ONE_THREAD if beside_workers else {})}.items():
        os.environ.setdefault(name, value)
