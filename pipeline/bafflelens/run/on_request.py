# SPDX-License-Identifier: GPL-3.0-or-later
"""What is asked of a candidate after its run: to change it a little, or to carve it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from bafflelens.base.errors import InputError, invalid
from bafflelens.job.cost_estimate import Plan, plan_nearby
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.perturbations import changed_keys
from bafflelens.report.summary import solved_candidate
from bafflelens.run.carving.carve import carve_candidate, with_changes
from bafflelens.run.carving.outcome import Carved
from bafflelens.run.catalogued import sampling_of
from bafflelens.run.deadline import Clock
from bafflelens.run.options import (
    RunOptions,
    engine_at_hand,
    plan_job,
    remembering_pool,
    with_engine,
)
from bafflelens.run.robustness import change_candidate
from bafflelens.run.state import Run
from bafflelens.scoring.carved import is_carved
from bafflelens.scoring.sensitivity import Robustness
from bafflelens.store import RunFolder, open_run
from bafflelens.store.run_record import keep_journal


def change_on_request(
    run_folder: Path, candidate_id: str, options: RunOptions, *, all_parameters: bool = False
) -> Robustness:
    """Change a solved candidate a little, one parameter at a time; the run keeps the result.

    Parameters
    ----------
    run_folder : Path
        The run.
    candidate_id : str
        The candidate.
    options : RunOptions
        How.
    all_parameters : bool
        Whether all parameters are changed, not only those that the job searches or gives a
        tolerance.

    Raises
    ------
    InputError
        If there is no such candidate, nothing to change, or its draft cannot be solved.
    StoreError
        If this is no run folder, another process works on it, or it cannot be written.
    """
    folder = open_run(run_folder)
    loaded = folder.load_job()
    loaded = with_engine(loaded, engine_at_hand(loaded, options))
    candidate = solved_candidate(folder, candidate_id)
    if candidate.is_baseline or is_carved(candidate_id):
        rule = "a candidate of the search: only these have parameters that are searched"
        raise InputError(invalid("candidate", candidate_id, rule))
    keys = tuple(parameter.key for parameter in loaded.shape.parameters)
    keys = keys if all_parameters else changed_keys(loaded)
    if not keys:
        rule = "with parameters that are searched or have a tolerance, or take --all-parameters"
        raise InputError(invalid("job", loaded.path.name, rule))
    plan = plan_job(loaded, sampling_of(folder, loaded), options)
    plan = plan_nearby(plan, loaded, len(keys), folder.load_mesh(candidate_id))
    with _working_again(folder, loaded, plan, Clock(None, plan), options) as run:
        change_candidate(run, candidate, keys)
    found = {known.candidate: known for known in folder.load_record().robustness}
    if candidate_id not in found:
        rule = "one whose draft can be solved; the run's record says why it cannot"
        raise InputError(invalid("candidate", candidate_id, rule))
    return found[candidate_id]


def carve_on_request(
    run_folder: Path,
    candidate_id: str,
    options: RunOptions,
    *,
    changes: Mapping[str, object] | None = None,
) -> Carved:
    """Carve a solved candidate of a run; the run keeps every step, and what comes of it.

    Parameters
    ----------
    run_folder : Path
        The run.
    candidate_id : str
        The candidate, or the baseline.
    options : RunOptions
        How.
    changes : mapping, optional
        Keys of the job's ``[carve]`` with other values.

    Raises
    ------
    InputError
        If there is no such candidate, or nothing to carve within the limits.
    StoreError
        If this is no run folder, another process works on it, or it cannot be written.
    """
    folder = open_run(run_folder)
    loaded = folder.load_job()
    loaded = with_engine(loaded, engine_at_hand(loaded, options))
    section = with_changes(loaded.job.carve, changes or {})
    candidate = solved_candidate(folder, candidate_id)
    plan = plan_job(loaded, sampling_of(folder, loaded), options)
    clock = Clock(options.deadline, plan, options.now)
    with _working_again(folder, loaded, plan, clock, options) as run:
        try:
            return carve_candidate(run, candidate, section)
        except KeyboardInterrupt:
            options.progress.say("every step is kept; the same command goes on from the last")
            raise


@contextmanager
def _working_again(
    folder: RunFolder, loaded: LoadedJob, plan: Plan, clock: Clock, options: RunOptions
) -> Iterator[Run]:
    """Give a run that has ended to work on; afterwards its status is what it was."""
    before = folder.load_record().status
    with (
        remembering_pool(plan, options) as pool,
        folder.kept_open(),
        keep_journal(folder, closing=before) as journal,
    ):
        run = Run(
            folder=folder,
            loaded=loaded,
            plan=plan,
            pool=pool,
            journal=journal,
            progress=options.progress,
            methods=options.methods,
            clock=clock,
        )
        options.methods.warm_up(options.progress.say)
        yield run
