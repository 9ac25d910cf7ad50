# SPDX-License-Identifier: GPL-3.0-or-later
"""What goes on in a results folder, told from another terminal."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from bafflelens import store
from bafflelens.base.errors import StoreError
from bafflelens.base.status import Status
from bafflelens.run.queueing.waiting import Queue, QueuedJob
from bafflelens.store import Counts, RunFolder
from bafflelens.store.status_file import Standing, standing_of

KILLED: Final = Status.KILLED


@dataclass(frozen=True, kw_only=True)
class RunOverview:
    """How far one run is.

    Attributes
    ----------
    folder : RunFolder
        The run.
    title, status : str
        Of its record. A run that was killed has the status ``killed``.
    counts : Counts
        What its catalogue says.
    standing : Standing or None
        Its last word on how far it is; None where it does not run.
    """

    folder: RunFolder
    title: str
    status: str
    counts: Counts
    standing: Standing | None

    def left_s(self, now: datetime | None = None) -> float:
        """Return the time that the step under way has left, in s; NaN where that is not known."""
        if self.standing is None or math.isnan(self.standing.left_s):
            return float("nan")
        written = datetime.fromisoformat(self.standing.updated_utc)
        passed = ((now or datetime.now(UTC)) - written).total_seconds()
        return max(self.standing.left_s - passed, 0.0)


@dataclass(frozen=True, kw_only=True)
class Overview:
    """What goes on in a results folder.

    Attributes
    ----------
    runs : tuple of RunOverview
        Runs that are worked on, and those that were killed.
    jobs : tuple of QueuedJob
        The queue.
    is_worked_on : bool
        Whether a process works through the queue.
    """

    runs: tuple[RunOverview, ...]
    jobs: tuple[QueuedJob, ...]
    is_worked_on: bool


def overview_of(results: Path) -> Overview:
    """Return what goes on in a results folder.

    Raises
    ------
    StoreError
        If its queue cannot be read.
    """
    queue = Queue(results)
    runs = []
    for folder in store.run_folders(results):
        with suppress(StoreError):  # one that is damaged says so when it is asked for
            run = run_overview(folder)
            if run.status in (store.RUNNING, KILLED):
                runs.append(run)
    return Overview(runs=tuple(runs), jobs=queue.jobs(), is_worked_on=queue.is_worked_on)


def run_overview(folder: RunFolder) -> RunOverview:
    """Return how far a run is.

    Raises
    ------
    StoreError
        If its record or its catalogue cannot be read.
    """
    record = folder.load_record(with_tasks=False)
    status = record.status
    if folder.is_worked_on:
        status = store.RUNNING
    elif status == store.RUNNING:
        status = KILLED
    return RunOverview(
        folder=folder,
        title=record.title,
        status=status,
        counts=folder.counts(),
        standing=standing_of(folder) if status == store.RUNNING else None,
    )
