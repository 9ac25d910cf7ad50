# SPDX-License-Identifier: GPL-3.0-or-later
"""Let jobs wait, and run them one after another."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter
from rich.text import Text

from bafflelens.base.status import Status
from bafflelens.commands import options
from bafflelens.commands.console import new_table, say, show_table
from bafflelens.commands.options import (
    FINE,
    HAS_FAILURES,
    USUAL,
    JobFile,
    Means,
    QueueFolder,
    QueueNumber,
    Workers,
    prepare_compiler,
    stoppable,
)

queue = App(name="queue", help="Let jobs wait, and run them one after another.")


@queue.command(name="add")
def queue_add(
    job: JobFile,
    /,
    *more: JobFile,
    results: QueueFolder = Path("results"),
    workers: Workers = None,
) -> int:
    """Check jobs and put them at the end of the queue, as they are now.

    Later changes of the files change nothing: each run folder keeps job, scripts and tables.
    """
    from bafflelens.run.queueing.waiting import Queue
    from bafflelens.run.queueing.working import add_job

    waiting = Queue(results)
    for path in (job, *more):
        added = add_job(
            waiting, path, options.run_options(results, Means(workers=workers, cache_gib=0))
        )
        say(f"job {added.number}: {added.title} ({results / added.folder})")
    return FINE


@queue.command(name="list")
def queue_list(*, results: QueueFolder = Path("results")) -> int:
    """List the queue: what has run, what runs, what waits and in which order."""
    from bafflelens.run.queueing.waiting import Queue

    waiting = Queue(results)
    jobs = waiting.jobs()
    table = new_table("Queue", "number", "status", "title", "run folder", "remark")
    for job in jobs:
        killed = job.status == Status.RUNNING and not waiting.is_worked_on
        texts = ("killed" if killed else job.status, job.title, job.folder, job.reason)
        table.add_row(str(job.number), *map(Text, texts))
    if jobs:
        show_table(table)
    else:
        say("the queue is empty")
    return FINE


@queue.command(name="move")
def queue_move(
    number: QueueNumber,
    place: Annotated[int, Parameter(help="Its new place: 1 is the next to run.")],
    /,
    *,
    results: QueueFolder = Path("results"),
) -> int:
    """Give a waiting job another place."""
    from bafflelens.run.queueing.waiting import Queue

    waiting = Queue(results)
    waiting.move(number, place)
    say("waiting: " + ", ".join(str(job.number) for job in waiting.waiting()))
    return FINE


@queue.command(name="drop")
def queue_drop(number: QueueNumber, /, *, results: QueueFolder = Path("results")) -> int:
    """Take a waiting job out of the queue."""
    from bafflelens.run.queueing.waiting import Queue

    dropped = Queue(results).drop(number)
    say(f"dropped job {dropped.number}: {dropped.title}")
    return FINE


@queue.command(name="start")
def queue_start(
    *,
    results: QueueFolder = Path("results"),
    means: Means = USUAL,
) -> int:
    """Run the jobs that wait, one after another, until none is left or the time is up."""
    prepare_compiler(beside_workers=True)
    from bafflelens.run.queueing.waiting import Queue
    from bafflelens.run.queueing.working import Ended, work_through_queue

    def say_end(ended: Ended) -> None:
        folder = results / ended.job.folder
        say(f"job {ended.job.number} {ended.status}: {ended.reason or '-'} ({folder})")

    given = options.run_options(results, means)
    with stoppable():
        finished = work_through_queue(Queue(results), given, ended=say_end)
    if not finished:
        say("no job is waiting")
    return HAS_FAILURES if any(ended.status == Status.FAILED for ended in finished) else FINE
