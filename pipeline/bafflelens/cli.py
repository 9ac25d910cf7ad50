# SPDX-License-Identifier: GPL-3.0-or-later
"""The command line: the only file that prints or decides an exit code.

Exit codes: 0 all is well, 1 the run has failures, 2 the input is wrong, 130 stopped by Ctrl-C, 143
by SIGTERM.
Heavy imports sit inside the commands, so that ``--help`` is quick.
"""

from __future__ import annotations

import math
import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

from cyclopts import App, CycloptsError, Parameter
from rich.box import SIMPLE
from rich.console import Console
from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as RichProgress
from rich.table import Table
from rich.text import Text

from bafflelens.errors import BafflelensError, InputError, StoreError, invalid
from bafflelens.stopping import Terminated, ended_by_signals

if TYPE_CHECKING:
    from bafflelens.caching.solved import Content
    from bafflelens.drawing import SolidFacts
    from bafflelens.jobfile import LoadedJob
    from bafflelens.plan import Plan
    from bafflelens.progress import Advance
    from bafflelens.queueing.overview import RunOverview
    from bafflelens.ranking import RankedRow, Remeshing
    from bafflelens.run import RunOptions, RunResult
    from bafflelens.sampling import Sampling
    from bafflelens.seat import SeatBounce
    from bafflelens.sensitivity import Robustness
    from bafflelens.tuning import Tuning

FINE: Final = 0
HAS_FAILURES: Final = 1
WRONG_INPUT: Final = 2
INTERRUPTED: Final = 130
TERMINATED: Final = 143

_TRIALS_SHOWN: Final = 8
_ROWS_SHOWN: Final = 40  # of a ranking; all of them on request
_PIPE_WIDTH: Final = 200  # columns of a table that no terminal shows

app = App(
    name="bafflelens",
    help="Find, rank and trust tweeter lens and baffle shapes.",
    version_flags=["--version"],
    result_action="return_value",
    suppress_keyboard_interrupt=False,
)

queue = App(name="queue", help="Let jobs wait, and run them one after another.")
cache = App(name="cache", help="See and prune the cache of solved frequencies.")
app.command(queue)
app.command(cache)

JobFile = Annotated[Path, Parameter(help="Job file (TOML); see jobs/README.md.")]
Folder = Annotated[Path, Parameter(help="Folder of a run, under results/.")]
Results = Annotated[Path, Parameter(help="Folder that the run's folder is made in.")]
Workers = Annotated[
    int | None, Parameter(help="Worker processes; otherwise as the job says, or one a processor.")
]
Scheduler = Annotated[
    str | None,
    Parameter(help="Address of a running dask scheduler to use instead, tcp://host:port."),
]


QueueNumber = Annotated[int, Parameter(help="Number of the job, as `queue list` shows it.")]
QueueFolder = Annotated[Path, Parameter(help="Folder of the queue and of its runs.")]
CacheFolder = Annotated[
    Path | None,
    Parameter(help="Folder of the cache of solved frequencies; otherwise that of the results."),
]
CacheLimit = Annotated[float, Parameter(help="Largest size of the cache in GiB; 0 for no cache.")]


@app.command
def check(job: JobFile, /, *, workers: Workers = None) -> int:
    """Find all faults of a job and print what it will cost, without solving anything."""
    from bafflelens.jobfile import load_job
    from bafflelens.outlook import target_remarks
    from bafflelens.run import RunOptions, plan_job
    from bafflelens.starting import draw_job

    loaded = load_job(job)
    sampling = draw_job(loaded)
    plan = plan_job(loaded, sampling, RunOptions(workers=_positive(workers)))
    _print_plan(loaded, sampling, plan)
    for remark in target_remarks(loaded):
        _out().print(f"note: {remark}", soft_wrap=True, markup=False, highlight=False)
    return FINE


@app.command
def run(
    job: JobFile,
    /,
    *,
    results: Results = Path("results"),
    workers: Workers = None,
    scheduler: Scheduler = None,
    cache: CacheFolder = None,
    cache_gib: CacheLimit = 10.0,
) -> int:
    """Solve and rank the candidates of a job and write a report."""
    _prepare_compiler()
    from bafflelens.run import run_job

    with _stoppable():
        return _finish(run_job(job, _options(results, workers, scheduler, cache, cache_gib)))


@app.command
def resume(
    folder: Folder,
    /,
    *,
    workers: Workers = None,
    scheduler: Scheduler = None,
    cache: CacheFolder = None,
    cache_gib: CacheLimit = 10.0,
) -> int:
    """Go on with a run that was stopped, or try again what failed."""
    _prepare_compiler()
    from bafflelens.run import resume_run

    with _stoppable():
        return _finish(
            resume_run(folder, _options(folder.parent, workers, scheduler, cache, cache_gib))
        )


@app.command
def status(
    folder: Annotated[
        Path, Parameter(help="Folder of runs and queue, or the folder of one run.")
    ] = Path("results"),
    /,
) -> int:
    """Say what runs, how far it is, the best so far and the time left; from any terminal."""
    from bafflelens.queueing.overview import overview_of, run_overview
    from bafflelens.store import open_run

    if not folder.is_dir():
        raise InputError(invalid("folder", folder, "a folder of runs, or of one run"))
    if (folder / "run.json").exists():
        _print_run_overview(run_overview(open_run(folder)))
        return FINE
    overview = overview_of(folder)
    for found in overview.runs:
        _print_run_overview(found)
    if not overview.runs:
        _say("nothing runs")
    waiting = sum(job.status == "waiting" for job in overview.jobs)
    if overview.jobs:
        at_work = "is worked through" if overview.is_worked_on else "is not worked through now"
        _say(f"queue: {waiting} waiting; it {at_work} (bafflelens queue list)")
    return FINE


@cache.default
def cache_show(*, folder: QueueFolder = Path("results")) -> int:
    """Say what the cache of solved frequencies holds."""
    from bafflelens.caching.solved import content_of
    from bafflelens.store import cache_path

    _print_cache(cache_path(folder), content_of(cache_path(folder)))
    return FINE


@cache.command(name="prune")
def cache_prune(
    *,
    folder: QueueFolder = Path("results"),
    to_gib: Annotated[float, Parameter(help="How much may stay, in GiB; 0 empties it.")] = 1.0,
    unused_days: Annotated[
        float | None, Parameter(help="Remove also what was not used for so many days.")
    ] = None,
) -> int:
    """Remove from the cache what has not been used for longest."""
    from bafflelens.caching.solved import prune
    from bafflelens.store import cache_path

    path = cache_path(folder)
    _print_cache(path, prune(path, to_gib=to_gib, older_than_days=unused_days))
    return FINE


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
    from bafflelens.queueing.waiting import Queue
    from bafflelens.queueing.working import add_job

    waiting = Queue(results)
    for path in (job, *more):
        added = add_job(waiting, path, _options(results, workers))
        _say(f"job {added.number}: {added.title} ({results / added.folder})")
    return FINE


@queue.command(name="list")
def queue_list(*, results: QueueFolder = Path("results")) -> int:
    """List the queue: what has run, what runs, what waits and in which order."""
    from bafflelens.queueing.waiting import Queue

    waiting = Queue(results)
    jobs = waiting.jobs()
    table = _table("Queue", "number", "status", "title", "run folder", "what there is to say")
    for job in jobs:
        killed = job.status == "running" and not waiting.is_worked_on
        texts = ("killed" if killed else job.status, job.title, job.folder, job.reason)
        table.add_row(str(job.number), *map(Text, texts))
    if jobs:
        _out().print(table)
    else:
        _say("the queue is empty")
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
    from bafflelens.queueing.waiting import Queue

    waiting = Queue(results)
    waiting.move(number, place)
    _say("waiting: " + ", ".join(str(job.number) for job in waiting.waiting()))
    return FINE


@queue.command(name="drop")
def queue_drop(number: QueueNumber, /, *, results: QueueFolder = Path("results")) -> int:
    """Take a waiting job out of the queue."""
    from bafflelens.queueing.waiting import Queue

    dropped = Queue(results).drop(number)
    _say(f"dropped job {dropped.number}: {dropped.title}")
    return FINE


@queue.command(name="start")
def queue_start(
    *,
    results: QueueFolder = Path("results"),
    workers: Workers = None,
    scheduler: Scheduler = None,
    cache: CacheFolder = None,
    cache_gib: CacheLimit = 10.0,
) -> int:
    """Run the jobs that wait, one after another, until none is left."""
    _prepare_compiler()
    from bafflelens.queueing.waiting import Queue
    from bafflelens.queueing.working import Ended, work_through

    def say_end(ended: Ended) -> None:
        folder = results / ended.job.folder
        _say(f"job {ended.job.number} {ended.status}: {ended.reason or '-'} ({folder})")

    options = _options(results, workers, scheduler, cache, cache_gib)
    with _stoppable():
        finished = work_through(Queue(results), options, ended=say_end)
    if not finished:
        _say("no job waits")
    return HAS_FAILURES if any(ended.status == "failed" for ended in finished) else FINE


@app.command
def rank(
    folder: Folder,
    /,
    *more: Folder,
    everything: Annotated[
        bool, Parameter(name="--all", negative="", help="List all candidates, not the best 40.")
    ] = False,
) -> int:
    """Print the ranking of a run, also of one that is not finished, or of several together."""
    from bafflelens.store import open_run
    from bafflelens.summary import has_failed, rank_run, seat_of, smallest_difference
    from bafflelens.together import rank_together

    if not more:
        opened = open_run(folder)
        rows = rank_run(opened)
        remeshing = smallest_difference(opened)
        seat: Callable[[str], Sequence[SeatBounce]] = partial(seat_of, opened)
    else:
        runs = [open_run(path) for path in (folder, *more)]
        joint = rank_together(runs, _ConsoleProgress(_err()))
        rows = joint.rows
        remeshing = joint.remeshing
        seat = lambda name: seat_of(*joint.origin[name])  # noqa: E731
    _print_ranking(rows, remeshing, seat, most=None if everything else _ROWS_SHOWN)
    return HAS_FAILURES if any(has_failed(row) for row in rows) else FINE


@app.command
def tolerances(
    folder: Folder,
    candidate: Annotated[str, Parameter(help="Id of a solved candidate.")],
    /,
    *,
    all_parameters: Annotated[
        bool, Parameter(help="Change every parameter of the shape, not only those searched.")
    ] = False,
    workers: Workers = None,
) -> int:
    """Change a candidate a little, one parameter at a time, and tell what that costs."""
    _prepare_compiler()
    from bafflelens.run import change_on_request

    options = _options(folder.parent, workers, None)
    found = change_on_request(folder, candidate, options, all_parameters=all_parameters)
    _print_robustness(found)
    return FINE


@app.command
def note(
    folder: Folder,
    candidate: Annotated[
        str | None,
        Parameter(help="Id of a candidate, or baseline; without it notes are listed."),
    ] = None,
    text: Annotated[str | None, Parameter(help="What was heard or seen, in quotes.")] = None,
    /,
    *,
    verdict: Annotated[str, Parameter(help="kept, rejected or undecided.")] = "undecided",
    sense: Annotated[str, Parameter(help="heard, seen or measured.")] = "heard",
) -> int:
    """Record what was heard or seen of a candidate; later runs are reminded of it."""
    from bafflelens.notes import listed
    from bafflelens.store import load_notes, open_run
    from bafflelens.summary import note_on

    opened = open_run(folder)
    if candidate is None:
        lines = listed(load_notes(folder.parent), opened.name)
        for line in lines or ("no notes on this run",):
            _out().print(line, markup=False, highlight=False, soft_wrap=True)
        return FINE
    if text is None:
        raise InputError(invalid("note", "", "text that says what was heard or seen"))
    made = note_on(opened, candidate, text, sense=sense, verdict=verdict)
    _out().print(
        f"noted: {candidate} {made.judgement}", markup=False, highlight=False, soft_wrap=True
    )
    return FINE


@app.command
def report(
    folder: Folder,
    /,
    *,
    pdf: Annotated[bool, Parameter(help="Also write report.pdf, A4 pages for filing.")] = False,
) -> int:
    """Write the report of a run again."""
    from bafflelens.store import open_run
    from bafflelens.summary import report_run

    opened = open_run(folder)
    with opened.locked():
        report_run(opened, opened.load_job(), opened.load_record(), is_filed=pdf)
    for path in (opened.report_path, *([opened.filed_path] if pdf else [])):
        _out().print(f"report: {path}", soft_wrap=True, markup=False, highlight=False)
    return FINE


@app.command
def curves(
    folder: Folder,
    candidate: Annotated[str, Parameter(help="Its id in the ranking: c009, or baseline.")],
    /,
    *,
    out: Annotated[Path, Parameter(help="File to write: .csv, .png, .pdf or .svg.")],
    rear_wall: Annotated[
        str,
        Parameter(help="Rear wall of the standard: A, all from 90 degrees back, or B, three."),
    ] = "A",
) -> int:
    """Write the curves of CTA-2034-A of a candidate, as a table or a picture."""
    from bafflelens.store import open_run, write_file
    from bafflelens.summary import curves_file

    file_format = out.suffix.removeprefix(".").lower()
    content = curves_file(open_run(folder), candidate, file_format, rear_wall)
    write_file(out, content, replace_existing=True)
    _out().print(f"curves: {out}", soft_wrap=True, markup=False, highlight=False)
    return FINE


@app.command
def export(
    folder: Folder,
    candidate: Annotated[str, Parameter(help="Its id in the ranking; or all.")],
    /,
    *more: Annotated[str, Parameter(help="Further ids.")],
    out: Annotated[Path, Parameter(help="Folder to write into: one folder a candidate.")],
) -> int:
    """Write directivities for other programs: AES69 (SOFA), and plain text an angle."""
    from bafflelens.measurement.export import export_candidates
    from bafflelens.store import open_run

    for path, remark in export_candidates(open_run(folder), (candidate, *more), out):
        _say(f"exported: {path}" + (f" ({remark})" if remark else ""))
    return FINE


@app.command
def measure_plan(
    folder: Folder,
    candidate: Annotated[str, Parameter(help="Its id in the ranking: c009, or baseline.")],
    /,
    *,
    out: Annotated[Path, Parameter(help="New folder: plan.pdf, plan.txt, measurement.toml.")],
    room_m: Annotated[
        tuple[float, float, float] | None,
        Parameter(help="Length, width, height of the measuring room; else the job's height."),
    ] = None,
    from_hz: Annotated[float | None, Parameter(help="Band; otherwise the job's.")] = None,
    to_hz: Annotated[float | None, Parameter(help="Band; otherwise the job's.")] = None,
    level_db: Annotated[float, Parameter(help="Level of the sweep at the microphone.")] = 80.0,
    noise_db: Annotated[float, Parameter(help="Noise of the room in its worst octave.")] = 30.0,
    repeats: Annotated[int, Parameter(help="Sweeps an angle.")] = 2,
) -> int:
    """Plan the measurement of a mock-up: distance, gate, angles, sweep; and a description."""
    from bafflelens.comparison.simulation import kept_radiator
    from bafflelens.measurement.plan_page import write_plan
    from bafflelens.store import open_run

    opened = open_run(folder)
    plan = write_plan(
        opened,
        candidate,
        out,
        room_m=room_m,
        from_hz=from_hz,
        to_hz=to_hz,
        level_db=level_db,
        noise_db=noise_db,
        repeats=repeats,
        field=kept_radiator(opened, candidate),
    )
    _say(
        f"{plan.chosen.distance_m:g} m, gate {1e3 * plan.chosen.gate_s:.1f} ms (from "
        f"{plan.chosen.lowest_hz:.0f} Hz), every {plan.step_deg:g} degrees, "
        f"{plan.minutes:.0f} minutes; mind the cautions of the plan: {out / 'plan.pdf'}"
    )
    return FINE


@app.command
def target(
    job: JobFile,
    /,
    *,
    out: Annotated[Path, Parameter(help="Picture to write: .png, .pdf or .svg.")],
) -> int:
    """Draw on one page what a job's target asks: angles, delays and levels over frequency."""
    from bafflelens.jobfile import load_job
    from bafflelens.report.target_file import target_file
    from bafflelens.store import write_file

    picture = target_file(load_job(job), out.suffix.removeprefix(".").lower())
    write_file(out, picture, replace_existing=True)
    _out().print(f"target: {out}", soft_wrap=True, markup=False, highlight=False)
    return FINE


@app.command
def crossover(
    folder: Folder,
    candidate: Annotated[str, Parameter(help="Id of a solved candidate, or baseline.")],
    /,
    *,
    job: Annotated[
        Path | None,
        Parameter(help="Job that says what is tried and how it is judged, if not the run's own."),
    ] = None,
) -> int:
    """Search crossover frequency, slope, polarity and delay for a solved shape."""
    from bafflelens.jobfile import load_job
    from bafflelens.store import open_run
    from bafflelens.tuning import tune_candidate

    opened = open_run(folder)
    loaded = opened.load_job() if job is None else load_job(job)
    _print_tuning(tune_candidate(opened, loaded, candidate, _ConsoleProgress(_err())))
    return FINE


@app.command
def draw(
    job: JobFile,
    /,
    *,
    candidate: Annotated[
        str, Parameter(help="Id of a candidate of the job, or baseline.")
    ] = "c001",
    out: Annotated[Path, Parameter(help="Folder for the pictures.")] = Path(),
) -> int:
    """Draw a candidate: in space, in dimensioned sections, and its mesh at the top of the band."""
    from bafflelens.drawing import draw_candidate, write_drawing
    from bafflelens.jobfile import load_job

    loaded = load_job(job)
    drawing = draw_candidate(loaded, candidate, _ConsoleProgress(_err()))
    written = write_drawing(drawing, out, f"{job.stem}_{candidate}")
    _print_solid(drawing.solid)
    for path in written:
        _out().print(f"picture: {path}", soft_wrap=True, markup=False, highlight=False)
    return FINE


@app.command
def shapes(
    folder: Annotated[Path, Parameter(help="Folder of geometry scripts.")] = Path("geometries"),
    /,
    *,
    page: Annotated[Path, Parameter(help="Page with thumbnails to write.")] = Path("shapes.html"),
) -> int:
    """List all shapes of a folder and write a page with their pictures and parameters."""
    from bafflelens.gallery import collect_shapes, show_shapes
    from bafflelens.store import write_file

    found = collect_shapes(folder)
    for shape in found:
        _out().print(
            f"{shape.name:18} {shape.summary}", soft_wrap=True, markup=False, highlight=False
        )
    content = show_shapes(found, _ConsoleProgress(_err()))
    write_file(page, content.encode("utf-8"), replace_existing=True)
    _out().print(f"page: {page}", soft_wrap=True, markup=False, highlight=False)
    return FINE


@app.command
def scan(
    scan_file: Annotated[Path, Parameter(help="The scanner's file: STL, PLY or OBJ.")],
    /,
    *,
    nominal: Annotated[Path, Parameter(help="Job file or run folder with the nominal shape.")],
    out: Annotated[Path, Parameter(help="Folder that is made.")],
    candidate: Annotated[str, Parameter(help="Which shape of the job was modelled.")] = "baseline",
    unit: Annotated[str, Parameter(help="Unit of the file: mm, cm, m or inch.")] = "mm",
    marks: Annotated[Path | None, Parameter(help="TOML file of marks that tell the pose.")] = None,
    refine: Annotated[bool, Parameter(help="Refine the pose by marks by registration.")] = False,
) -> int:
    """Make a candidate of the scan of a clay model and map its deviation."""
    from bafflelens.scan.clay import Request, take_scan
    from bafflelens.scan.nominal import nominal_shape

    shape, values = nominal_shape(nominal, candidate)
    if refine and marks is None:
        raise InputError(invalid("option '--refine'", "without marks", "given with '--marks'"))
    request = Request(
        scan=scan_file,
        shape=shape,
        values=values,
        nominal_name=f"{candidate} of {nominal.name}, {shape.script.name}",
        out=out,
        unit=unit,
        marks=marks,
        refine=refine,
    )
    _, text = take_scan(request, _ConsoleProgress(_err()))
    _out().print(text, soft_wrap=True, markup=False, highlight=False)
    _out().print(f"folder: {out}", soft_wrap=True, markup=False, highlight=False)
    return FINE


@app.command
def compare(
    folder: Folder,
    candidate: Annotated[str, Parameter(help="Id of a solved candidate, or of a plate.")],
    measurement: Annotated[Path, Parameter(help="File that describes the measurement (TOML).")],
    /,
    *,
    out: Annotated[Path, Parameter(help="Folder that is made.")],
    scan: Annotated[
        tuple[Path, str] | None,
        Parameter(help="Run and candidate that are the scanned clay: for shape against model."),
    ] = None,
    source: Annotated[
        str, Parameter(help="The only source that played, if not what the job says.")
    ] = "",
    solve: Annotated[
        bool, Parameter(help="Solve once more what no surface pressure was kept of.")
    ] = False,
    within: Annotated[float, Parameter(help="What agreement means, in dB r.m.s.")] = 1.0,
    smoothing: Annotated[int, Parameter(help="Both sides are averaged over 1/N octave.")] = 12,
) -> int:
    """Compare a measured mock-up with a candidate and say how far to trust the simulation."""
    _prepare_compiler()
    from bafflelens.comparison.compare import Request
    from bafflelens.comparison.compare import compare as compare_measurement
    from bafflelens.measurement.reading import read_measurement

    request = Request(
        run=folder,
        candidate=candidate,
        measurement=measurement,
        out=out,
        scan=scan,
        source=source,
        solve_again=solve,
        within_db=within,
        smoothing=smoothing,
    )
    found = compare_measurement(request, read_measurement, _ConsoleProgress(_err()))
    for sentence in found.comparison.verdict.sentences:
        _out().print(sentence, soft_wrap=True, markup=False, highlight=False)
    if found.library_line:
        _out().print(found.library_line, soft_wrap=True, markup=False, highlight=False)
    _out().print(
        f"page: {found.page} ({found.seconds:.0f} s)",
        soft_wrap=True,
        markup=False,
        highlight=False,
    )
    return FINE


@app.command
def handoff(
    folder: Folder,
    /,
    *candidates: Annotated[str, Parameter(help="Ids of candidates; or --top.")],
    out: Annotated[Path, Parameter(help="Folder that is made: one zip file a candidate.")],
    top: Annotated[int, Parameter(help="So many of the best candidates.")] = 0,
) -> int:
    """Write what the prototype shop needs: solid, templates, drawing, checks, manifest."""
    from bafflelens.handoff.package import hand_off
    from bafflelens.store import open_run

    if top < 0:
        raise InputError(invalid("option '--top'", top, "a whole number of at least 0"))
    progress = _ConsoleProgress(_err())
    for handed in hand_off(open_run(folder), candidates, out, progress, top=top):
        _say(f"handed off: {out / handed.archive}")
        for remark in handed.remarks:
            _say(f"  {remark}")
    return FINE


@app.command
def verify(folder: Annotated[Path, Parameter(help="Folder of a hand-off.")], /) -> int:
    """Check every file of a hand-off against its manifest."""
    from bafflelens.handoff.manifest import verify_folder

    faults = verify_folder(folder)
    _complain(faults)
    if not faults:
        _say(f"verified: {folder}, every file is as it was exported")
    return HAS_FAILURES if faults else FINE


@app.command
def inspect(
    folder: Annotated[Path, Parameter(help="Folder of a hand-off.")],
    readings: Annotated[Path, Parameter(help="CSV file: parameter, reading.")],
    /,
    *,
    candidate: Annotated[str, Parameter(help="Which one, if there are several.")] = "",
) -> int:
    """Compare caliper readings of what was made with the nominal: pass, rework, re-simulate."""
    from bafflelens.handoff.inspection import PASS, inspect_readings

    found = inspect_readings(folder, readings, candidate)
    for reading in found:
        _say(reading.text)
    return FINE if all(reading.verdict == PASS for reading in found) else HAS_FAILURES


@app.command
def faces(step: Annotated[Path, Parameter(help="CAD file in STEP.")], /) -> int:
    """List unit, size and faces of a CAD file, for the declaration that names them."""
    from bafflelens.facelist import faces_of_file

    size, found = faces_of_file(step)
    out = _out()
    out.print(f"{step.name}: {size}", soft_wrap=True, markup=False, highlight=False)
    table = _table("Faces", "number", "name", "kind", "area cm^2", "a point on it, mm")
    for number, face in enumerate(found, start=1):
        point = ", ".join(f"{round(value, 3) + 0.0:.7g}" for value in face.point_mm)
        area = f"{face.area_m2 * 1e4:.2f}"
        table.add_row(str(number), face.name or "-", face.kind, area, Text(f"[{point}]"))
    out.print(table)
    return FINE


def _prepare_compiler() -> None:
    """Tell numba about the processor; it reads this when it is loaded."""
    from bafflelens.processor import wide_vectors

    for name, value in wide_vectors().items():
        os.environ.setdefault(name, value)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code.

    Parameters
    ----------
    arguments : sequence of str, optional
        The words after ``bafflelens``; those of the process by default.
    """
    try:
        code = app(
            sys.argv[1:] if arguments is None else list(arguments),
            exit_on_error=False,
            print_error=False,
        )
    except CycloptsError as error:
        _complain(str(error).splitlines())
        return WRONG_INPUT
    except InputError as error:
        _complain(error.faults)
        return WRONG_INPUT
    except StoreError as error:
        _complain([str(error)])
        return WRONG_INPUT
    except BafflelensError as error:
        _complain(str(error).splitlines())
        return HAS_FAILURES
    except Terminated as signal:
        _complain([f"stopped by {signal}"])
        return TERMINATED
    except KeyboardInterrupt:
        _complain(["stopped by Ctrl-C"])
        return INTERRUPTED
    return code if isinstance(code, int) else FINE


# ------------------------------------------------------------------------------- helpers


def _options(
    results: Path,
    workers: int | None,
    scheduler: str | None = None,
    cache_folder: Path | None = None,
    cache_gib: float = 0.0,
) -> RunOptions:
    from bafflelens.caching.solved import CacheSettings
    from bafflelens.run import RunOptions
    from bafflelens.store import cache_path

    if not cache_gib >= 0:
        raise InputError(invalid("option '--cache-gib'", cache_gib, "a number of at least 0"))
    settings = CacheSettings(path=cache_path(cache_folder or results), limit_gib=cache_gib)
    return RunOptions(
        results=results,
        workers=_positive(workers),
        scheduler=scheduler,
        cache=settings if cache_gib else None,
        progress=_ConsoleProgress(_err()),
    )


def _stoppable() -> AbstractContextManager[None]:
    """Let SIGTERM end what is under way within ten seconds, with everything that is done kept."""
    from bafflelens.parallel import kill_workers

    return ended_by_signals(kill_workers)


def _positive(workers: int | None) -> int | None:
    if workers is not None and workers < 1:
        raise InputError(invalid("option '--workers'", workers, "a whole number of at least 1"))
    return workers


def _finish(result: RunResult) -> int:
    """Print what came of a run and return its exit code."""
    from bafflelens.summary import seat_of, smallest_difference

    folder = result.folder
    _print_ranking(result.rows, smallest_difference(folder), partial(seat_of, folder))
    report_path = result.folder.report_path
    _out().print(f"report: {report_path}", soft_wrap=True, markup=False, highlight=False)
    return HAS_FAILURES if result.has_failures else FINE


def _complain(lines: Sequence[str]) -> None:
    for line in lines:
        print(line, file=sys.stderr)


def _say(text: str) -> None:
    """Print one line, however long."""
    _out().print(text, soft_wrap=True, markup=False, highlight=False)


def _print_cache(path: Path, content: Content) -> None:
    kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(content.counts.items()))
    _say(f"{path}: {content.size_bytes / 2**30:.3f} GiB, {kinds or 'empty'}")
    if kinds:
        _say(f"longest unused: {_duration(max(time.time() - content.oldest_use, 0.0))}")


def _print_run_overview(run: RunOverview) -> None:
    """Print what a run does, how far it is, the best so far and the time left."""
    counts, step = run.counts, run.standing
    _say(f"{run.folder.name}: {run.title}, {run.status}")
    if step is not None:
        text = f"  {step.step}"
        if not math.isnan(step.share):
            text += f", {step.share:.0%}"
        if not math.isnan(left_s := run.left_s()):
            text += f", about {_duration(left_s)} left of this step"
        _say(f"{text} ({step.owner})")
    done = ", ".join(f"{number} {status}" for status, number in sorted(counts.statuses.items()))
    _say(f"  {counts.total} shapes: {done}")
    if counts.best is not None:
        _say(f"  best so far: {counts.best[0]} at {counts.best[1]:.2f} dB")
    if run.status in ("killed", "interrupted", "stopped"):
        _say(f"  go on with: bafflelens resume {run.folder.path}")


def _out() -> Console:
    return Console(width=None if sys.stdout.isatty() else _PIPE_WIDTH)


def _err() -> Console:
    return Console(stderr=True, width=None if sys.stderr.isatty() else _PIPE_WIDTH)


class _ConsoleProgress:
    """A bar with the time left on a terminal, plain lines elsewhere."""

    def __init__(self, console: Console) -> None:
        self._console = console

    def say(self, text: str) -> None:
        self._console.print(text, markup=False, highlight=False, soft_wrap=True)

    @contextmanager
    def bar(self, total: float, label: str = "meshing and solving") -> Iterator[Advance]:
        bar = RichProgress(
            TextColumn(label),
            BarColumn(),
            TaskProgressColumn(),
            TimeRemainingColumn(),
            TextColumn("left"),
            console=self._console,
            disable=not self._console.is_terminal,
            transient=True,
        )
        started = time.monotonic()
        done = 0.0
        task = bar.add_task("", total=total)

        def advance(amount: float, text: str = "") -> None:
            nonlocal done
            done += amount
            bar.advance(task, amount)
            if text and self._console.is_terminal:
                self.say(text)
            elif text:
                left_s = (time.monotonic() - started) * max(total - done, 0.0) / max(done, 1e-9)
                self.say(f"{done / total:4.0%}  {text}, {_duration(left_s)} left")

        with bar:
            yield advance


def _print_ranking(
    rows: Sequence[RankedRow],
    remeshing: Remeshing,
    seat_of: Callable[[str], Sequence[SeatBounce]],
    *,
    most: int | None = _ROWS_SHOWN,
) -> None:
    """Print the ranking, what each candidate pays for, the parameters, and the seat."""
    _print_rows(rows, most)
    for text in (remeshing.text, *(row.robustness.text for row in rows if row.robustness)):
        _out().print(text, markup=False, highlight=False, soft_wrap=True)
    shown = [row.candidate for row in rows if row.place is not None]
    best = next((candidate for candidate in shown if not candidate.is_baseline), None)
    for candidate in (
        best,
        next((c for c in shown if c.is_baseline and not c.is_reference), None),
    ):
        if candidate is not None:
            _print_seat(candidate.id, seat_of(candidate.id))
    _print_reasons(rows, most)


def _print_rows(rows: Sequence[RankedRow], most: int | None) -> None:
    every = [(row, row.candidate.score) for row in rows if row.status == "ranked"]
    behind = [pair for pair in every[most:] if pair[0].candidate.is_baseline] if most else []
    ranked = every[:most] + behind
    terms = next((found.terms for _, found in ranked if found), ())
    ranking = _table(
        "Ranking in dB, lower is better",
        *("place", "shape", "score", "better by"),
        *("vertical", "horizontal", "side effects", "small changes", "dominated by"),
    )
    paid = _table(
        "What the terms find in dB, lower is better",
        *("place", "shape", *(term.label for term in terms)),
    )
    keys = _varying(rows)
    parameters = _table("Parameters", "place", "shape", *_short_names(keys))
    for row, found in ranked:
        candidate = row.candidate
        if found is None:
            continue
        name = [f"{row.place}{' =' if row.is_tied else ''}", candidate.id]
        totals = [_decibels(found.total_db), _decibels(row.better_by_db, signed=True)]
        objectives = [_decibels(value) for value in found.objectives.values]
        style = "bold" if candidate.is_baseline else None
        spread = _spread(row.robustness)
        ranking.add_row(*name, *totals, *objectives, spread, row.dominated_by, style=style)
        paid.add_row(*name, *(_decibels(term.value_db) for term in found.terms), style=style)
        if not candidate.is_baseline:
            parameters.add_row(*name, *(_value(candidate.values, key) for key in keys))
    out = _out()
    for table in (ranking, paid, parameters) if ranked else ():
        out.print(table)
    if len(ranked) < len(every):
        _say(f"{len(every) - len(ranked)} more are ranked behind: bafflelens rank --all")


def _print_robustness(found: Robustness) -> None:
    """Print what each small change does."""
    table = _table(
        f"Small changes of {found.candidate}: rise of the score in dB",
        *("parameter", "change", "less", "more", "0.5 dB for", "remark"),
    )
    for change in found.changes:
        allowed = change.allowed(0.5)
        known = "-" if math.isnan(allowed) else "no change seen" if math.isinf(allowed) else ""
        table.add_row(
            change.key,
            f"{change.tolerance:g} {change.unit}",
            *(
                _decibels(math.nan if side is None else side, signed=True)
                for side in (change.less_db, change.more_db)
            ),
            known or f"{allowed:.2g} {change.unit}",
            "; ".join(change.reasons),
        )
    _out().print(table)
    _out().print(found.text, markup=False, highlight=False, soft_wrap=True)


def _print_seat(name: str, bounces: Sequence[SeatBounce]) -> None:
    """Print what arrives at the seat."""
    octaves = [
        f"{octave.from_hz / 1000:.2g}-{octave.to_hz / 1000:.2g} kHz"
        for octave in (bounces[0].octaves if bounces else ())
    ]
    table = _table(
        f"At the seat, dB re the direct sound: {name}",
        *("bounce", "angle, deg", "ms later", "by distance", *octaves),
    )
    for bounce in bounces:
        arrival = bounce.arrival
        is_side = bounce.name == "side wall"
        angle = arrival.azimuth_deg if is_side else arrival.elevation_deg
        table.add_row(
            bounce.name,
            f"{angle:+.0f}",
            f"{1e3 * arrival.delay_s:.1f}",
            f"{arrival.spreading_db:.1f}",
            *(_decibels(octave.level_db) for octave in bounce.octaves),
        )
    _out().print(table)


def _print_reasons(rows: Sequence[RankedRow], most: int | None) -> None:
    said = []
    for row in rows:
        reasons = row.reasons if row.status != "ranked" else row.candidate.reasons
        said += [f"{row.candidate.id} {note}" for note in row.notes]
        if reasons:
            said.append(f"{row.candidate.id} {row.status}: {'; '.join(reasons)}")
    for line in said[:most]:
        _say(line)
    if len(said) > len(said[:most]):
        _say(f"{len(said) - len(said[:most])} more lines of this kind: bafflelens rank --all")


def _spread(robustness: Robustness | None) -> str:
    """Return what small changes do to a score: on average, and how much it varies."""
    if robustness is None or robustness.worst is None:
        return "-"
    return f"{robustness.mean_db:+.2f} ± {robustness.spread_db:.2f}"


def _value(values: Mapping[str, float], key: str) -> str:
    """Return a parameter as text; a dash where the shape has none of that name."""
    return f"{values[key]:g}" if key in values else "-"


def _short_names(keys: Sequence[str]) -> list[str]:
    """Return parameters without their part where that leaves no doubt.

    Examples
    --------
    >>> _short_names(["lens.depth_mm", "upper.blend_mm", "lower.blend_mm"])
    ['depth_mm', 'upper.blend_mm', 'lower.blend_mm']
    """
    names = [key.partition(".")[2] for key in keys]
    return [name if names.count(name) == 1 else key for key, name in zip(keys, names, strict=True)]


def _decibels(value: float, *, signed: bool = False) -> str:
    return "-" if math.isnan(value) else f"{value:{'+' if signed else ''}.2f}"


def _table(title: str, *columns: str) -> Table:
    table = Table(title=title, title_justify="left", box=SIMPLE)
    for name in columns:
        table.add_column(
            name,
            justify="left" if name in ("shape", "bounce", "dominated by") else "right",
            overflow="fold",
        )
    return table


def _varying(rows: Sequence[RankedRow]) -> list[str]:
    """Return the parameters in which the candidates differ."""
    values: dict[str, set[float]] = {}
    for row in rows:
        if not row.candidate.is_baseline:
            for key, value in row.candidate.values.items():
                values.setdefault(key, set()).add(value)
    return [key for key, found in values.items() if len(found) > 1]


def _print_tuning(found: Tuning) -> None:
    """Print the job's own crossover and the best of those that were tried."""
    table = _table(
        f"Crossover between {found.lower} and {found.upper}, score in dB, lower is better",
        *("crossover", "Hz", "slope", "polarity", "delay ms", "score", "excursion dB"),
    )
    shown = [("as in the job", found.own)]
    shown += [(f"{place}", trial) for place, trial in enumerate(found.trials[:_TRIALS_SHOWN], 1)]
    for name, trial in shown:
        table.add_row(
            name,
            f"{trial.frequency_hz:.0f}",
            f"{trial.family} {trial.order}",
            "inverted" if trial.is_inverted else "normal",
            f"{1e3 * trial.delay_s:+.3f}",
            _decibels(trial.score.total_db),
            _decibels(trial.excursion_db, signed=True),
        )
    terms = _table("What they pay, in dB", "term", "as in the job", "best", "cost", "cost of best")
    for own, best in zip(found.own.score.terms, found.trials[0].score.terms, strict=True):
        values = _decibels(own.value_db), _decibels(best.value_db)
        terms.add_row(own.label, *values, _decibels(own.cost_db), _decibels(best.cost_db))
    out = _out()
    out.print(table)
    out.print(terms)
    for name, lobe in zip(("as in the job", "best"), found.lobes, strict=True):
        text = (
            f"{name}: the ways hand over at {lobe.frequency_hz:.0f} Hz, with the vertical lobe "
            f"tilted by {lobe.tilt_deg:+.1f} degrees, {lobe.largest_deg:+.1f} at most within half "
            "an octave (positive is up)"
        )
        out.print(text, markup=False, highlight=False, soft_wrap=True)
    note = (
        f"excursion: of {found.upper}, re the crossover of the job at the same level in front; "
        "what it can bear is for its maker to say"
    )
    for line in (note, f"kept: {found.toml}", f"picture: {found.picture}"):
        out.print(line, markup=False, highlight=False, soft_wrap=True)


def _print_solid(solid: SolidFacts) -> None:
    """Print volume, areas and mesh of a drawn shape."""
    out = _out()
    lines = [
        f"volume {solid.volume_m3 * 1e3:.2f} l, area {solid.area_m2 * 1e4:.0f} cm2",
        "  ".join(f"{name} {area * 1e4:.1f} cm2" for name, area in solid.areas_m2.items()),
        f"{solid.n_triangles} triangles for {solid.frequency_hz:.0f} Hz"
        f"{' (the kept half)' if solid.is_half else ''}, "
        f"elements a wavelength {solid.fewest_elements:.1f} to {solid.most_elements:.1f}, "
        f"smallest angle {solid.smallest_angle_deg:.1f} deg",
    ]
    for line in lines:
        out.print(line, soft_wrap=True, markup=False, highlight=False)


def _print_plan(loaded: LoadedJob, sampling: Sampling, plan: Plan) -> None:
    """Print what a job will do and cost."""
    from bafflelens.bem.burton_miller import Storage
    from bafflelens.loudspeaker import remarks_of

    out = _out()
    out.print(f"{loaded.job.title}: no faults found.", markup=False, highlight=False)
    shapes = f"{len(sampling.candidates)} candidates and the baseline"
    if sampling.references:
        named = ", ".join(reference.id for reference in sampling.references)
        shapes += f", {len(sampling.references)} references ({named})"
    if loaded.plates:
        shapes += f", {len(loaded.plates)} plates that drivers were measured in"
    if plan.remeshes:
        shapes += f", the best meshed {plan.remeshes} more ways"
    if plan.nearby:
        shapes += f", {plan.nearby.n_shapes} drafts of the leaders and what is near them"
    if sampling.skipped:
        shapes += f" ({sampling.skipped} samples skipped, for instance: {sampling.skipped_rule})"
    frequencies = [f for cost in plan.band_costs for f in cost.band.frequencies_hz]
    solves = plan.n_shapes * plan.n_frequencies
    largest = max(plan.band_costs, key=lambda cost: cost.unknowns)
    lines = [
        ("shapes", shapes),
        (
            "frequencies",
            f"{plan.n_frequencies} from {min(frequencies):.0f} to {max(frequencies):.0f} Hz, "
            f"{solves} solves in all",
        ),
        ("unknowns", f"up to {largest.unknowns:,}"),
        (
            "memory",
            f"up to {plan.memory_bytes / 2**30:.1f} GiB in {plan.workers} worker processes, which "
            f"may take {plan.memory_limit_bytes / 2**30:.1f} GiB together" + _alone(plan),
        ),
        (
            "time",
            f"about {_duration(plan.total_seconds)} (a shape: {_duration(plan.mesh_seconds)} to "
            f"mesh, {_duration(plan.solve_seconds)} to solve on one processor; "
            f"{_duration(plan.report_seconds)} for second opinion and report)",
        ),
    ]
    sound_speed = loaded.job.air.medium.sound_speed
    lines += [("sources", text) for text in remarks_of(loaded.loudspeaker, sound_speed)]
    for name, text in lines:
        out.print(f"  {name:12} {text}", markup=False, highlight=False, soft_wrap=True)
    table = _table(
        "Bands of one shape (estimates)",
        *("from Hz", "to Hz", "frequencies", "unknowns", "matrix", "memory GiB", "time s"),
    )
    for cost in plan.band_costs:
        table.add_row(
            f"{cost.band.frequencies_hz[0]:.0f}",
            f"{cost.band.frequencies_hz[-1]:.0f}",
            str(len(cost.band.frequencies_hz)),
            f"{cost.unknowns:,}",
            "stored, packed" if cost.storage is Storage.PACKED else f"{cost.storage.value}",
            f"{cost.memory_bytes / 2**30:.2f}",
            f"{cost.seconds:.1f}",
        )
    out.print(table)


def _alone(plan: Plan) -> str:
    """Return which bands have to wait for each other, empty if none has."""
    if not plan.solved_alone or plan.workers == 1:
        return ""
    lowest = min(band.frequencies_hz[0] for band in plan.solved_alone)
    return f"; not every worker can hold a band from {lowest:.0f} Hz on at the same time"


def _duration(seconds: float) -> str:
    """Return a time as a person would say it.

    Examples
    --------
    >>> _duration(48.0), _duration(200.0), _duration(9000.0)
    ('48 s', '3.3 min', '2.5 h')
    """
    if seconds < 100:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.1f} min" if seconds < 6000 else f"{seconds / 3600:.1f} h"
