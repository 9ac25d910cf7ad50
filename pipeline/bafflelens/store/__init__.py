# SPDX-License-Identifier: GPL-3.0-or-later
"""Run folders: the only package that knows the paths under ``results/``.

::

    results/first_lens_20260131T204500Z/
        job.toml            the job as given
        shapes/             the geometry scripts as they were
        tables/             the text tables that the job names, as they were
        run.json            versions, commit, machine, status and time of every task
        log.txt             what happened, line by line
        status.json         how far it is, for other terminals
        estimates.json      what the live page learned from it
        first_view.bin      what the live page shows of it first
        catalog.sqlite      candidates, parameters, status, scores
        candidates.jsonl    the candidates once more, to make the catalogue anew if it is damaged
        candidates/c001/    mesh.npz (the finest), directivity.nc, surface/ (pressure on it)
        candidates/c001.mesh1/  the best candidate, meshed another way
        report.html
        report.pdf          the same for filing, if it was asked for
        target.png          what was asked of the levels, on one page
    results/queue.sqlite    jobs that wait (`bafflelens.run.queueing`); a start holds queue.lock
    results/solved.sqlite   solved frequencies that all runs share (`bafflelens.workers.caching`)

Files are written under a temporary name and renamed, so that whatever stops a run leaves each
of them whole. Results are never overwritten; ``run.json``, ``estimates.json``, ``first_view.bin``
and the report are replaced. While a candidate is being solved, its finished bands lie in
``candidates/c001/bands/``; a run that was stopped goes on from there.
"""

from bafflelens.base.writing import has_room, require_new_folder, write_file, write_folder
from bafflelens.scoring.ranking import LOOKED_AT, WAITING
from bafflelens.store.catalogue import FINALS, FIRST_LOOK, SOLVED, Counts
from bafflelens.store.catalogue_tables import CATALOG_VERSION
from bafflelens.store.folders import (
    RunFolder,
    cache_path,
    create_run,
    is_run,
    open_run,
    queue_lock,
    queue_path,
    remove_run,
    run_folders,
)
from bafflelens.store.libraries import add_mock_up, add_note, load_mock_ups, load_notes
from bafflelens.store.locks import holding, is_locked
from bafflelens.store.records import (
    DONE,
    FAILED,
    FINISHED,
    FINISHED_WITH_FAILURES,
    INTERRUPTED,
    QUEUED,
    RUN_FORMAT,
    RUNNING,
    STOPPED,
    RunRecord,
    TaskRecord,
    utc_now,
)

__all__ = [
    "CATALOG_VERSION",
    "DONE",
    "FAILED",
    "FINALS",
    "FINISHED",
    "FINISHED_WITH_FAILURES",
    "FIRST_LOOK",
    "INTERRUPTED",
    "LOOKED_AT",
    "QUEUED",
    "RUNNING",
    "RUN_FORMAT",
    "SOLVED",
    "STOPPED",
    "WAITING",
    "Counts",
    "RunFolder",
    "RunRecord",
    "TaskRecord",
    "add_mock_up",
    "add_note",
    "cache_path",
    "create_run",
    "has_room",
    "holding",
    "is_locked",
    "is_run",
    "load_mock_ups",
    "load_notes",
    "open_run",
    "queue_lock",
    "queue_path",
    "remove_run",
    "require_new_folder",
    "run_folders",
    "utc_now",
    "write_file",
    "write_folder",
]
