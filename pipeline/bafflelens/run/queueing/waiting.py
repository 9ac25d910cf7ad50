# SPDX-License-Identifier: GPL-3.0-or-later
"""The queue of a results folder: which runs wait, in which order, and how each ended.

What is queued is a run folder in which nothing is solved yet: it holds the job, its scripts and
its tables as they were when they were added, so that a later change of the user's files changes
nothing. The queue itself knows only their names and their order.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from sqlite3 import Connection
from typing import Final

from bafflelens import store
from bafflelens.base.errors import InputError, StoreError, invalid
from bafflelens.base.sqlite_file import connect, reading, said_clearly
from bafflelens.base.status import Status

QUEUE_VERSION: Final = 1
MOST_ATTEMPTS: Final = 3
"""So often is a job begun that takes the whole program down with it."""

WAITING: Final = Status.WAITING
RUNNING: Final = Status.RUNNING
DONE: Final = Status.DONE
FAILED: Final = Status.FAILED

_SCHEMA: Final = """
CREATE TABLE jobs (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    place REAL NOT NULL,
    folder TEXT NOT NULL UNIQUE,
    title TEXT NOT NULL,
    status TEXT NOT NULL,
    reason TEXT NOT NULL DEFAULT '',
    attempts INTEGER NOT NULL DEFAULT 0,
    added_utc TEXT NOT NULL,
    started_utc TEXT NOT NULL DEFAULT '',
    finished_utc TEXT NOT NULL DEFAULT ''
)
"""
_COLUMNS: Final = (
    "number, folder, title, status, reason, attempts, added_utc, started_utc, finished_utc"
)


@dataclass(frozen=True, kw_only=True)
class QueuedJob:
    """One entry of the queue.

    Attributes
    ----------
    number : int
        By which the user names it; never used twice.
    folder : str
        Name of its run folder.
    title : str
        Title of the job.
    status : str
        ``waiting``, ``running``, ``done`` or ``failed``.
    reason : str
        Why it failed, or what else there is to say.
    attempts : int
        How often it was begun without an end.
    added_utc, started_utc, finished_utc : str
        ISO 8601 times; empty if that has not happened.
    """

    number: int
    folder: str
    title: str
    status: str
    reason: str
    attempts: int
    added_utc: str
    started_utc: str
    finished_utc: str


class Queue:
    """The queue of a results folder; nothing is written before something is added."""

    def __init__(self, results: Path) -> None:
        self.results = results
        self._path = store.queue_path(results)

    def add(self, folder: str, title: str) -> QueuedJob:
        """Put a run at the end.

        Raises
        ------
        StoreError
            If the folder cannot be written, or a newer program made the queue.
        """
        with self._writing() as database:
            cursor = database.execute(
                "INSERT INTO jobs (place, folder, title, status, added_utc) "
                "SELECT COALESCE(MAX(place), 0) + 1, ?, ?, ?, ? FROM jobs",
                (folder, title, WAITING, _now()),
            )
            return _one(database, int(cursor.lastrowid or 0))

    def jobs(self) -> tuple[QueuedJob, ...]:
        """Return all entries: those that wait in their order, after those that have run."""
        if not self._path.exists():
            return ()
        with reading(self._path, "queue", QUEUE_VERSION) as database:
            return _all(database)

    def waiting(self) -> tuple[QueuedJob, ...]:
        """Return the entries that wait, the next one first."""
        return tuple(job for job in self.jobs() if job.status == WAITING)

    def move(self, number: int, place: int) -> None:
        """Give a waiting job another place.

        Parameters
        ----------
        number : int
            Its number.
        place : int
            1 for the next one to run; beyond the last is the last.

        Raises
        ------
        InputError
            If it does not wait, or the place is below 1.
        """
        if place < 1:
            raise InputError(invalid("place in the queue", place, "a whole number of at least 1"))
        with self._changing(number) as database:
            others = [job for job in _all(database) if job.status == WAITING]
            order = [job.number for job in others if job.number != number]
            order.insert(place - 1, number)
            first = database.execute(
                "SELECT COALESCE(MIN(place), 1) FROM jobs WHERE status = ?", (WAITING,)
            ).fetchone()[0]
            database.executemany(
                "UPDATE jobs SET place = ? WHERE number = ?",
                [(first + offset, waiting) for offset, waiting in enumerate(order)],
            )

    def drop(self, number: int) -> QueuedJob:
        """Take a waiting job out, with its run folder if nothing was solved in it.

        Raises
        ------
        InputError
            If it does not wait.
        """
        with self._changing(number) as database:
            job = _one(database, number)
            database.execute("DELETE FROM jobs WHERE number = ?", (number,))
        with suppress(StoreError):  # it has gone already, or is not ours to remove
            folder = store.open_run(self.results / job.folder)
            if folder.load_record().status == store.QUEUED:
                store.remove_run(folder)
        return job

    # ------------------------------------------------------------------ for whoever works

    @contextmanager
    def owned(self) -> Iterator[None]:
        """Keep other starts away; ends with the process, however that ends.

        Raises
        ------
        StoreError
            If another process works through this queue; it is named.
        """
        owner = f"process {os.getpid()} on {socket.gethostname()} since {_now()}"

        def taken(by: str) -> str:
            rule = f"one that nobody works through: {by or 'another process'} does"
            return invalid("queue", self.results, rule)

        with self._writing():
            pass  # of this version, and in a folder that can be written
        with store.holding(store.queue_lock(self.results), owner, taken):
            yield

    @property
    def is_worked_on(self) -> bool:
        """Whether a process works through this queue."""
        return store.is_locked(store.queue_lock(self.results))

    def recover(self) -> tuple[QueuedJob, ...]:
        """Let jobs wait again that were running when the program was killed.

        A job that was begun three times without an end fails: it may be what takes the program
        down. Call it only while the queue is `owned`.

        Returns
        -------
        tuple of QueuedJob
            Those that were found running, as they are now.
        """
        with self._writing() as database:
            found = [job for job in _all(database) if job.status == RUNNING]
            for job in found:
                given_up = job.attempts >= MOST_ATTEMPTS
                reason = "the program was killed while it ran"
                if given_up:
                    reason = f"begun {job.attempts} times, and each time {reason}"
                database.execute(
                    "UPDATE jobs SET status = ?, reason = ? WHERE number = ?",
                    (FAILED if given_up else WAITING, reason, job.number),
                )
            return tuple(_one(database, job.number) for job in found)

    def take_next(self) -> QueuedJob | None:
        """Return the next job, now running; None if none waits."""
        with self._writing() as database:
            waiting = [job for job in _all(database) if job.status == WAITING]
            if not waiting:
                return None
            database.execute(
                "UPDATE jobs SET status = ?, reason = '', attempts = attempts + 1, "
                "started_utc = ?, finished_utc = '' WHERE number = ?",
                (RUNNING, _now(), waiting[0].number),
            )
            return _one(database, waiting[0].number)

    def finish(self, number: int, status: str, reason: str = "") -> None:
        """Enter how a job ended; one that shall go on later waits again, in its old place."""
        with self._writing() as database:
            database.execute(
                "UPDATE jobs SET status = ?, reason = ?, attempts = 0, finished_utc = ? "
                "WHERE number = ?",
                (status, reason, "" if status == WAITING else _now(), number),
            )

    # ------------------------------------------------------------------------------ inside

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with (
            closing(connect(self._path, "queue", QUEUE_VERSION, _SCHEMA)) as database,
            said_clearly(self._path, "queue"),
            database,
        ):
            database.execute("BEGIN IMMEDIATE")
            yield database

    @contextmanager
    def _changing(self, number: int) -> Iterator[Connection]:
        """Change the entry of a job that waits."""
        self._require_waiting(number, self.jobs())  # before anything is opened for writing
        with self._writing() as database:
            self._require_waiting(number, _all(database))
            yield database

    def _require_waiting(self, number: int, jobs: Sequence[QueuedJob]) -> None:
        waiting = [job.number for job in jobs if job.status == WAITING]
        if number in waiting:
            return
        rule = "that of a job that waits: "
        rule += ", ".join(str(other) for other in waiting) or "there is none"
        found = next((job.status for job in jobs if job.number == number), "")
        if found == RUNNING:
            rule += "; it runs, so stop the queue first"
        elif found:
            rule += f"; it is {found}"
        raise InputError(invalid("number in the queue", number, rule))


def _all(database: Connection) -> tuple[QueuedJob, ...]:
    rows = database.execute(
        f"SELECT {_COLUMNS} FROM jobs ORDER BY status = ?, place, number", (WAITING,)
    )
    return tuple(_job(row) for row in rows.fetchall())


def _one(database: Connection, number: int) -> QueuedJob:
    row = database.execute(f"SELECT {_COLUMNS} FROM jobs WHERE number = ?", (number,)).fetchone()
    return _job(row)


def _job(row: Sequence[object]) -> QueuedJob:
    return QueuedJob(**dict(zip(_COLUMNS.split(", "), row, strict=True)))  # type: ignore[arg-type]


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
