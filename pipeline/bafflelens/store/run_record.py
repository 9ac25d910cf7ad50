# SPDX-License-Identifier: GPL-3.0-or-later
"""The journal of a run: what was done, how long it took and how it ended, kept on disk."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import replace
from typing import Final

from bafflelens import store
from bafflelens.base import provenance
from bafflelens.base.errors import BafflelensError, DamagedError, StoreError
from bafflelens.job.feasibility import target_remarks
from bafflelens.job.job_file import LoadedJob
from bafflelens.scoring.ranking import Remeshing
from bafflelens.scoring.sensitivity import Robustness
from bafflelens.store import RunFolder, RunRecord, TaskRecord

_SAVE_EVERY_S: Final = 2.0


def first_record(loaded: LoadedJob) -> RunRecord:
    """Return the record of a run that begins now."""
    return RunRecord(
        title=loaded.job.title,
        job=loaded.path.name,
        status=store.RUNNING,
        created_utc=store.utc_now(),
        versions=provenance.versions(),
        host=provenance.host(),
        commit=provenance.commit(),
        timing_s={},
        remarks=target_remarks(loaded),
    )


@contextmanager
def keep_journal(
    folder: RunFolder, entering: Callable[[str], None] = lambda step: None, closing: str = ""
) -> Iterator[Journal]:
    """Keep the journal of a run, and close it with the right status however the run ends.

    The status is ``finished with failures`` if a task was recorded as failed, ``interrupted``
    after Ctrl-C, ``stopped`` after any other exception; these are passed on.

    Parameters
    ----------
    folder : RunFolder
        The run.
    entering : callable
        Told the name of each step that begins.
    closing : str
        For what is added to a run that has ended: its status, which it keeps whatever happens.
    """
    with folder.locked():
        record = replace(_record_of(folder), status=closing or store.RUNNING)
        journal = Journal(folder, record, entering)
        journal.save()
        try:
            yield journal
        except KeyboardInterrupt:
            journal.close(closing or store.INTERRUPTED)
            raise
        except BaseException as error:
            # If the disk is full the record cannot be saved either: the first error counts.
            with suppress(StoreError):
                folder.log(f"stopped: {type(error).__name__}: {error}")
                journal.close(closing or store.STOPPED)
            if isinstance(error, StoreError):  # no longer a matter of wrong input
                msg = f"The run was stopped. {error}"
                raise BafflelensError(msg) from error
            raise
        journal.close(closing or journal.closing_record.status)


def _record_of(folder: RunFolder) -> RunRecord:
    """Return the record to go on with: a new one where it is damaged.

    What a run that was queued is made with is what there is when it begins.
    """
    try:
        record = folder.load_record()
    except DamagedError as error:
        folder.log(f"the record is begun anew: {error}")
        record = first_record(folder.load_job())
        remark = "the record of this run was damaged and begun anew: it tells of the last part"
        return replace(record, remarks=(*record.remarks, remark))
    if record.status == store.QUEUED:
        record = replace(
            record,
            versions=provenance.versions(),
            host=provenance.host(),
            commit=provenance.commit(),
        )
    return record


class Journal:
    """Adds to a run's record; saves it now and then."""

    def __init__(
        self, folder: RunFolder, record: RunRecord, entering: Callable[[str], None]
    ) -> None:
        self._folder = folder
        self._entering = entering
        self._record = record
        # Work that is done again when a run is resumed replaces its earlier record.
        self._tasks = {(task.candidate, task.task): task for task in record.tasks}
        self._saved_at = 0.0
        self._save_s = 0.0  # a long record is saved less often
        self.has_failures = False

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Add the wall time of a step to the timing table."""
        self._entering(name)
        start = time.perf_counter()
        try:
            yield
        finally:
            self.add_time(name, time.perf_counter() - start)

    def add_time(self, name: str, seconds: float) -> None:
        """Add time to an entry of the timing table."""
        table = dict(self._record.timing_s)
        table[name] = table.get(name, 0.0) + seconds
        self._record = replace(self._record, timing_s=table)

    def add_task(self, task: TaskRecord, detail: str = "") -> None:
        """Add what became of a piece of work; a traceback goes to the log."""
        self._tasks[task.candidate, task.task] = task
        if task.status == store.FAILED:
            self._folder.log(f"{task.candidate} {task.task} failed: {task.reason}")
        if detail:
            self._folder.log(detail)
        if time.monotonic() - self._saved_at > max(_SAVE_EVERY_S, 50 * self._save_s):
            self.save()

    def has_task(self, candidate: str, task: str) -> bool:
        """Tell whether a piece of work is recorded."""
        return (candidate, task) in self._tasks

    def add_remark(self, text: str) -> None:
        """Add what the user should know."""
        self._record = replace(self._record, remarks=(*self._record.remarks, text))
        self._folder.log(text)

    def set_second_opinion(self, text: str) -> None:
        """Enter what the other engine says."""
        self._record = replace(self._record, second_opinion=text)
        self._folder.log(text)

    def set_remeshing(self, remeshing: Remeshing) -> None:
        """Enter the scores of one shape meshed several ways; the ranking reads it at once."""
        self._record = replace(self._record, remeshing=remeshing)
        self._folder.log(remeshing.text)
        self.save()

    def set_robustness(self, found: Robustness) -> None:
        """Enter what small changes do to a candidate, instead of what was known of it."""
        others = tuple(
            known for known in self._record.robustness if known.candidate != found.candidate
        )
        self._record = replace(self._record, robustness=(*others, found))
        self._folder.log(found.text)
        self.save()

    @property
    def closing_record(self) -> RunRecord:
        """The record with the status that the run has if nothing stops it from here."""
        status = store.FINISHED_WITH_FAILURES if self.has_failures else store.FINISHED
        return replace(self.record, status=status)

    @property
    def versions(self) -> Mapping[str, str]:
        """What results are made with; quicker than the whole record."""
        return self._record.versions

    @property
    def record(self) -> RunRecord:
        """The record as it stands."""
        return replace(self._record, tasks=tuple(self._tasks.values()))

    def save(self) -> None:
        """Write the record now."""
        start = time.monotonic()
        self._folder.save_record(self.record)
        self._saved_at = time.monotonic()
        self._save_s = self._saved_at - start

    def close(self, status: str) -> None:
        """Write the record for the last time."""
        self._record = replace(self._record, status=status, finished_utc=store.utc_now())
        self.save()
        self._folder.log(status)
