# SPDX-License-Identifier: GPL-3.0-or-later
"""Check a job, run it, go on with a run, and see how far it is."""

from __future__ import annotations

import math
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.status import Status
from bafflelens.commands import options
from bafflelens.commands.console import rough_duration, say
from bafflelens.commands.options import (
    FINE,
    HAS_FAILURES,
    USUAL,
    Folder,
    JobFile,
    Means,
    Results,
    Workers,
    prepare_compiler,
    stoppable,
)
from bafflelens.commands.plan_table import print_plan
from bafflelens.commands.ranking_tables import print_ranking

if TYPE_CHECKING:
    from bafflelens.run.pipeline import RunResult
    from bafflelens.run.queueing.overview import RunOverview


def check(job: JobFile, /, *, workers: Workers = None) -> int:
    """Find all faults of a job and print what it will cost, without solving anything."""
    from bafflelens.job.feasibility import (
        band_remarks,
        default_remarks,
        handover_remarks,
        target_remarks,
    )
    from bafflelens.job.job_file import load_job
    from bafflelens.job.like_for_like import baseline_differences
    from bafflelens.run.options import RunOptions, plan_job
    from bafflelens.run.warm_start import draw_job

    loaded = load_job(job)
    sampling = draw_job(loaded)
    plan = plan_job(loaded, sampling, RunOptions(workers=options.positive(workers)))
    print_plan(loaded, sampling, plan)
    looks = (default_remarks, target_remarks, handover_remarks, band_remarks)
    remarks = [remark for look in looks for remark in look(loaded)]
    for remark in remarks:
        say(f"note: {remark}")
    for difference in baseline_differences(loaded, sampling):
        say(f"not like for like: {difference}")
    return FINE


def run(
    job: JobFile,
    /,
    *,
    results: Results = Path("results"),
    means: Means = USUAL,
) -> int:
    """Solve and rank the candidates of a job and write a report."""
    prepare_compiler(beside_workers=True)
    from bafflelens.run.pipeline import run_job

    given = options.run_options(results, means)
    with stoppable():
        return _finish(run_job(job, given))


def resume(
    folder: Folder,
    /,
    *,
    means: Means = USUAL,
) -> int:
    """Go on with a run that was stopped, or try again what failed."""
    prepare_compiler(beside_workers=True)
    from bafflelens.run.pipeline import resume_run

    given = options.run_options(folder.parent, means)
    with stoppable():
        return _finish(resume_run(folder, given))


def status(
    folder: Annotated[
        Path, Parameter(help="Folder of runs and queue, or the folder of one run.")
    ] = Path("results"),
    /,
    *,
    results: Annotated[Path | None, Parameter(help="The same as an option.")] = None,
) -> int:
    """Say what runs, how far it is, the best so far and the time left; from any terminal."""
    from bafflelens.run.queueing.overview import overview_of, run_overview
    from bafflelens.store import is_run, open_run

    folder = results or folder
    if not folder.is_dir():
        raise InputError(invalid("folder", folder, "a folder of runs, or of one run"))
    if is_run(folder):
        _print_run_overview(run_overview(open_run(folder)))
        return FINE
    overview = overview_of(folder)
    for found in overview.runs:
        _print_run_overview(found)
    if not overview.runs:
        say("nothing runs")
    waiting = sum(job.status == Status.WAITING for job in overview.jobs)
    if overview.jobs:
        at_work = "it is running" if overview.is_worked_on else "it is not running now"
        say(f"queue: {waiting} waiting; {at_work} (bafflelens queue list)")
    return FINE


def _finish(result: RunResult) -> int:
    """Print what came of a run and return its exit code."""
    from bafflelens.live.kept_view import keep_view_of_run
    from bafflelens.report.summary import remeshing_of, seat_of

    folder = result.folder
    print_ranking(result.rows, remeshing_of(folder), partial(seat_of, folder))
    say(f"report: {folder.report_path}")
    keep_view_of_run(folder)
    return HAS_FAILURES if result.has_failures else FINE


def _print_run_overview(run: RunOverview) -> None:
    """Print what a run does, how far it is, the best so far and the time left."""
    counts, step = run.counts, run.standing
    say(f"{run.folder.name}: {run.title}, {run.status}")
    if step is not None:
        text = f"  {step.step}"
        if not math.isnan(step.share):
            text += f", {step.share:.0%}"
        if not math.isnan(left_s := run.left_s()):
            text += f", about {rough_duration(left_s)} left of this step"
        say(f"{text} ({step.owner})")
    done = ", ".join(f"{number} {status}" for status, number in sorted(counts.statuses.items()))
    say(f"  {counts.total} shapes: {done}")
    if counts.best is not None:
        say(f"  best so far: {counts.best[0]} at {counts.best[1]:.2f} dB")
    elif counts.best_look is not None:
        say(f"  best so far: {counts.best_look[0]} at {counts.best_look[1]:.2f} dB as a draft")
    if run.status in ("killed", "interrupted", "stopped"):
        say(f"  continue with: bafflelens resume {run.folder.path}")
