# SPDX-License-Identifier: GPL-3.0-or-later
"""Adding jobs to the queue, and working through it; start at `work_through_queue`."""

from __future__ import annotations

import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from bafflelens import store
from bafflelens.base.errors import BafflelensError, InputError, StoreError
from bafflelens.base.status import Status
from bafflelens.run.deadline import TooLateError
from bafflelens.run.options import RunOptions
from bafflelens.run.pipeline import RunResult, queue_run, resume_run
from bafflelens.run.queueing.waiting import DONE, FAILED, WAITING, Queue, QueuedJob


@dataclass(frozen=True, kw_only=True)
class Ended:
    """How a job of the queue ended.

    Attributes
    ----------
    job : QueuedJob
        The job as it was taken.
    status : str
        ``done`` or ``failed``.
    reason : str
        What there is to say, in one line.
    """

    job: QueuedJob
    status: str
    reason: str


def add_job(queue: Queue, job_file: Path, options: RunOptions) -> QueuedJob:
    """Check a job and put it at the end of the queue, as it is now.

    Raises
    ------
    InputError
        If the job is wrong; nothing is changed then.
    StoreError
        If the results folder cannot be written, or a newer program made its queue; likewise.
    """
    queue.jobs()  # of this version?
    folder = queue_run(job_file, options)
    try:
        return queue.add(folder.name, folder.load_record().title)
    except StoreError:
        store.remove_run(folder)
        raise


def work_through_queue(
    queue: Queue,
    options: RunOptions,
    *,
    ended: Callable[[Ended], None] = lambda ended: None,
) -> tuple[Ended, ...]:
    """Run the jobs that wait, one after another, also those added meanwhile.

    A job that fails is recorded and the next one begins. What stops the program by intention
    (Ctrl-C, SIGTERM) leaves the job in its place: the next start goes on with it.

    Parameters
    ----------
    queue : Queue
        The queue.
    options : RunOptions
        How each job is carried out.
    ended : callable
        Told how each ended.

    Returns
    -------
    tuple of Ended
        In the order in which they ran.

    Raises
    ------
    StoreError
        If somebody else works through this queue, or it cannot be written.
    """
    finished = []
    with queue.owned():
        for found in queue.recover():
            text = f"job {found.number} ({found.folder}), {found.status}: {found.reason}"
            options.progress.say(text)
        while (job := queue.take_next()) is not None:
            options.progress.say(f"job {job.number}: {job.title}")
            result = _carried_out(queue, job, options)
            if result is None:
                break
            queue.finish(job.number, result.status, result.reason)
            finished.append(result)
            ended(result)
    return tuple(finished)


def _carried_out(queue: Queue, job: QueuedJob, options: RunOptions) -> Ended | None:
    """Run a job to its end; None if it has to wait for another night."""
    folder = queue.results / job.folder
    try:
        result = resume_run(folder, options)
    except KeyboardInterrupt:
        queue.finish(job.number, WAITING, "stopped; the next start continues it")
        raise
    except TooLateError as error:
        queue.finish(job.number, WAITING, "time ran out; the next start continues it")
        options.progress.say(f"job {job.number} waits: {error}")
        return None
    except InputError as error:
        return Ended(job=job, status=FAILED, reason="; ".join(error.faults))
    except BafflelensError as error:
        if isinstance(error.__cause__, StoreError) and not store.has_room(queue.results):
            queue.finish(job.number, WAITING, "the disk is full; the next start continues it")
            raise  # the next job would find it full, too
        return Ended(job=job, status=FAILED, reason=" ".join(str(error).split()))
    except Exception as error:
        _log(folder, traceback.format_exc())
        cause = " ".join(f"{type(error).__name__}: {error}".split())
        return Ended(job=job, status=FAILED, reason=f"{cause} (more in log.txt)")
    return Ended(job=job, status=DONE, reason=_summary(result))


def _summary(result: RunResult) -> str:
    best = next((row for row in result.rows if not row.candidate.is_baseline), None)
    failed = sum(row.status != Status.RANKED for row in result.rows)
    parts = []
    if best is not None and best.candidate.score is not None and best.status == Status.RANKED:
        parts.append(f"best {best.candidate.id} at {best.candidate.score.total_db:.2f} dB")
    if failed:
        parts.append(f"{failed} shapes not ranked")
    return ", ".join(parts)


def _log(path: Path, text: str) -> None:
    with suppress(StoreError):
        store.open_run(path).log(text)
