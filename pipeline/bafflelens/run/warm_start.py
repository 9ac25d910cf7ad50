# SPDX-License-Identifier: GPL-3.0-or-later
"""Candidates of a job, begun with the best of earlier runs where the job names some."""

from __future__ import annotations

from collections.abc import Mapping

from bafflelens.base.errors import JobError, StoreError, invalid
from bafflelens.base.status import Status
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.sampling import ParameterCheck, Sampling, draw, faults_of, settings_of
from bafflelens.job.shape_sections import Choices, Fixed, Span
from bafflelens.report.summary import rank_run
from bafflelens.scoring.carved import is_carved
from bafflelens.scoring.references import is_reference
from bafflelens.shapes.meshing.loading import check_parameters
from bafflelens.store import open_run


def draw_job(loaded: LoadedJob) -> Sampling:
    """Return the candidates of a job, with the best of the runs that it starts from.

    Raises
    ------
    JobError
        As `draw`; or if a run that it starts from is none, or has nothing to start from.
    """
    return draw(loaded, earlier=earlier_best(loaded))


def earlier_best(
    loaded: LoadedJob, check: ParameterCheck = check_parameters
) -> list[dict[str, float]]:
    """Return the parameters of the best candidates of each run that a job starts from.

    Only those count whose searched parameters lie within the ranges of the job and that break
    no rule of it; what the job fixes is as the job says.

    Raises
    ------
    JobError
        If a folder is no run, or holds no such candidate.
    """
    found: list[dict[str, float]] = []
    faults: list[str] = []
    for name in loaded.job.search.start_from:
        what = f"{loaded.path}: key 'search.start_from'"
        try:
            rows = rank_run(open_run(loaded.path.parent / name))
        except StoreError as error:
            faults.append(invalid(what, name, f"the folder of a run ({error})"))
            continue
        ranked = [row.candidate for row in rows if row.status == Status.RANKED]
        candidates = [
            c for c in ranked if not (c.is_baseline or is_reference(c.id) or is_carved(c.id))
        ]
        fitting = [values for c in candidates if (values := _fitted(loaded, c.values, check))]
        if not fitting:
            rule = "a run with ranked candidates inside the ranges of [geometry]"
            faults.append(invalid(what, name, rule))
        found += fitting[: loaded.job.search.start_best]
    if faults:
        raise JobError(faults)
    return found


def _fitted(
    loaded: LoadedJob, given: Mapping[str, float], check: ParameterCheck
) -> dict[str, float] | None:
    """Return the values as the job has them; None where they do not fit."""
    fitted: dict[str, float] = {}
    for key, setting in settings_of(loaded).items():
        match setting:
            case Fixed(fixed):
                fitted[key] = fixed
            case Span(low, high) if key in given and low <= given[key] <= high:
                fitted[key] = given[key]
            case Choices(choices) if given.get(key) in choices:
                fitted[key] = given[key]
            case _:
                return None
    return None if faults_of(loaded, fitted, check) else fitted
