# SPDX-License-Identifier: GPL-3.0-or-later
"""The record of a run, ``run.json``: how it stands and what has become of its tasks."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from bafflelens.base.errors import DamagedError, StoreError, invalid
from bafflelens.base.reading import checked, read_json
from bafflelens.base.status import Status
from bafflelens.base.writing import write_file
from bafflelens.scoring.ranking import Remeshing
from bafflelens.scoring.sensitivity import Robustness

RUN_FORMAT: Final = 1

FAILED: Final = Status.FAILED
DONE: Final = Status.DONE

QUEUED: Final = Status.QUEUED
RUNNING: Final = Status.RUNNING
FINISHED: Final = Status.FINISHED
FINISHED_WITH_FAILURES: Final = Status.FINISHED_WITH_FAILURES
INTERRUPTED: Final = Status.INTERRUPTED
STOPPED: Final = Status.STOPPED


@dataclass(frozen=True, kw_only=True)
class TaskRecord:
    """What became of one piece of work.

    Attributes
    ----------
    candidate : str
        Candidate's id.
    task : str
        ``mesh``, ``band 1`` ... or ``score``.
    status : str
        ``done`` or ``failed``.
    seconds : float
        Time on a worker in s.
    reason : str
        Why it failed; empty otherwise.
    """

    candidate: str
    task: str
    status: str
    seconds: float
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class RunRecord:
    """The content of ``run.json``.

    Attributes
    ----------
    title, job : str
        Title of the job and name of its file.
    status : str
        ``queued``, ``running``, ``finished``, ``finished with failures``, ``interrupted`` or
        ``stopped``.
    created_utc, finished_utc : str
        ISO 8601 times; the second is empty while the run goes on.
    versions, host : mapping
        What the results were made with and on.
    commit : str or None
        Commit that the program ran from, None if it was installed.
    timing_s : mapping of str to float
        Time of each step in s.
    tasks : tuple of TaskRecord
        Every piece of work, in the order in which it was done.
    remarks : tuple of str
        What the user should know.
    second_opinion : str or None
        What the other engine says of the best candidate; None if it was not asked.
    remeshing : Remeshing or None
        Scores of the best candidate meshed several ways; None if that was not done.
    robustness : tuple of Robustness
        What small changes do to the candidates that were tried.
    """

    title: str
    job: str
    status: str
    created_utc: str
    finished_utc: str = ""
    versions: Mapping[str, str]
    host: Mapping[str, str | int | float]
    commit: str | None
    timing_s: Mapping[str, float]
    tasks: tuple[TaskRecord, ...] = ()
    remarks: tuple[str, ...] = ()
    second_opinion: str | None = None
    remeshing: Remeshing | None = None
    robustness: tuple[Robustness, ...] = ()


def utc_now() -> str:
    """Return the time as it is written everywhere, ISO 8601 in UTC."""
    return moment().isoformat(timespec="seconds").replace("+00:00", "Z")


def moment() -> datetime:
    """Return the time."""
    return datetime.now(UTC)


def read_record(folder: Path, *, with_tasks: bool = True) -> RunRecord:
    """Return the record of the run in a folder, with what became of its tasks or without.

    Raises
    ------
    StoreError
        If it was written by a later version.
    DamagedError
        If it cannot be read.
    """
    path = folder / "run.json"
    what, rule = "run record", "a run record written by bafflelens"
    content = read_json(path, what, rule, DamagedError)
    version = content.pop("format", None)
    if not isinstance(version, int):
        raise DamagedError(invalid(what, path, f"{rule} (it has no format)"))
    if version > RUN_FORMAT:
        rule = "made by this version of bafflelens or an older one"
        raise StoreError(invalid("run folder", folder, rule))
    if not with_tasks:
        content["tasks"] = ()
    return checked(RunRecord, content, path, what, rule, DamagedError)


def write_record(folder: Path, record: RunRecord) -> None:
    """Replace the record of the run in a folder."""
    content = json.dumps({"format": RUN_FORMAT, **asdict(record)}, indent=1)
    write_file(folder / "run.json", content.encode() + b"\n", replace_existing=True)
