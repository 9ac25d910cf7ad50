# SPDX-License-Identifier: GPL-3.0-or-later
"""Thousands of candidates through scheduling, catalogue and report, with a solver of no use.

The solver and the mesher are STAND-INS, and no number of the ranking means anything; worker
processes, run folder, scores, ranking and report are the real ones. Printed are the wall time
for each task beyond what the stand-ins themselves take, the memory of the scheduling process, the
size of the report and the time that ``bafflelens rank`` takes. Beside them stand, from the same
minutes, what dask takes to pass the same bands one by one, with nothing kept or scored, and what a
directed search would take for one proposal (`result_files.py` is for the files).

    .venv/bin/python tests/benchmarks/scale.py [candidates] [solved] [--cache] [--profile]

With fewer solved than there are to be, the rest of the catalogue are copies of those: report and
ranking then have all of them to deal with, after a part of the time. With ``--cache`` every
frequency is kept in the cache of solved frequencies as well, as the command line does.
"""

import cProfile
import os
import pstats
import random
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

REFERENCES = Path(__file__).parents[1] / "references"
sys.path.insert(0, str(REFERENCES))
# The workers import the stand-ins, too.
os.environ["PYTHONPATH"] = os.pathsep.join([str(REFERENCES), *sys.path[1:]])

import small_job  # noqa: E402
import stand_ins  # noqa: E402
from distributed import Client, LocalCluster, as_completed  # noqa: E402

from bafflelens import store  # noqa: E402
from bafflelens.bem.sweep import BandResult  # noqa: E402
from bafflelens.job.sampling import settings_of  # noqa: E402
from bafflelens.mesh.mesh import Mesh  # noqa: E402
from bafflelens.mesh.quality import Band  # noqa: E402
from bafflelens.report.summary import report_run  # noqa: E402
from bafflelens.run import pipeline  # noqa: E402
from bafflelens.run.options import RunOptions  # noqa: E402
from bafflelens.run.searching.proposing import Tried, propose  # noqa: E402
from bafflelens.store import RunFolder  # noqa: E402
from bafflelens.workers.caching.solved import CacheSettings  # noqa: E402

PASSED = 2000
FREQUENCIES = (
    (
        "from_hz = 2000\nto_hz = 4000\nper_octave = 3",
        "from_hz = 500\nto_hz = 16000\nper_octave = 6",
    ),
    ("[score]\nfrom_hz = 2000\nto_hz = 4000", "[score]\nfrom_hz = 1000\nto_hz = 12000"),
)


def main() -> None:
    """Print one line for each figure."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    in_all = numbers[0] if numbers else 5000
    count = numbers[1] if len(numbers) > 1 else in_all
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        job = small_job.write(
            folder / "job", ("candidates = 3", f"candidates = {count}"), *FREQUENCIES
        )
        cache = CacheSettings(path=folder / "solved.sqlite") if "--cache" in sys.argv else None
        options = RunOptions(
            results=folder / "results", workers=2, methods=stand_ins.METHODS, cache=cache
        )
        profile = cProfile.Profile()
        busy = []
        real = pipeline.solve_in_stages

        def solve_in_stages(given: pipeline.Run) -> None:
            began, own = time.process_time(), time.thread_time()
            if "--profile" in sys.argv:
                profile.enable()
            real(given)
            profile.disable()
            busy.extend((time.process_time() - began, time.thread_time() - own))

        pipeline.solve_in_stages = solve_in_stages
        started = time.perf_counter()
        result = pipeline.run_job(job, options)
        wall_s = time.perf_counter() - started
        record = result.folder.load_record()
        solving_s = record.timing_s["meshing and solving"]
        inside_s = sum(task.seconds for task in record.tasks) / options.workers
        tasks = len(record.tasks)
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        print(
            f"{count} candidates, {tasks} tasks, whole run {wall_s:.0f} s (stand-ins for solver)"
        )
        print(
            f"scheduling: {1e3 * solving_s / tasks:.2f} ms of wall time a task, with two workers"
        )
        print(f"  beyond the stand-ins: {1e3 * (solving_s - inside_s) / tasks:.2f} ms a task")
        print(
            f"  processor time of the scheduling process: {1e3 * busy[0] / tasks:.2f} ms a task, "
            f"of which dask {1e3 * (busy[0] - busy[1]) / tasks:.2f}"
        )
        print(f"memory of the scheduling process: at most {memory:.2f} GiB")
        passed_ms = 1e3 * passed_by_dask(result.folder)
        print(
            f"dask alone, which keeps and scores nothing: {passed_ms:.2f} ms of wall time a band, "
            f"ratio {1e3 * (solving_s - inside_s) / tasks / passed_ms:.2f}"
        )
        copy_up_to(result.folder, in_all)
        started = time.perf_counter()
        report_run(result.folder, result.folder.load_job(), record)
        size = result.folder.report_path.stat().st_size / 2**20
        print(f"report of {in_all}: {time.perf_counter() - started:.1f} s, {size:.1f} MiB")
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        print(f"memory with it: at most {memory:.2f} GiB")
        proposed_after(result.folder)  # loads optuna
        read_s, propose_s = proposed_after(result.folder)
        print(
            f"a proposal after {in_all}: {propose_s:.2f} s, the catalogue before it {read_s:.2f} s"
        )
        command = [sys.executable, "-m", "bafflelens", "rank", str(result.folder.path)]
        started = time.perf_counter()
        subprocess.run(command, check=False, stdout=subprocess.DEVNULL)
        print(f"bafflelens rank of {in_all}: {time.perf_counter() - started:.2f} s")
        started = time.perf_counter()
        subprocess.run([*command[:-2], "--version"], check=False, stdout=subprocess.DEVNULL)
        print(f"  of which the program takes to start: {time.perf_counter() - started:.2f} s")
        if "--profile" in sys.argv:
            pstats.Stats(profile).sort_stats("tottime").print_stats(45)
            pstats.Stats(profile).sort_stats("cumtime").print_stats(60)


def passed_by_dask(folder: RunFolder) -> float:
    """Return what dask alone takes for each band beyond the stand-in itself, wall time in s."""
    mesh = folder.load_mesh(a_candidate(folder))
    bands = [
        Band(frequencies_hz=(1000.0 + n, 1100.0 + n, 1200.0 + n), mesh_frequency_hz=1200.0)
        for n in range(PASSED)
    ]
    with (
        LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address=None,
            memory_limit=None,
        ) as cluster,
        Client(cluster) as client,
    ):
        client.gather(client.map(timed_band, bands[:50], mesh=mesh, pure=False))
        started = time.perf_counter()
        inside_s = 0.0
        work = as_completed(
            client.map(timed_band, bands, mesh=mesh, pure=False), with_results=True
        )
        for _, (_, seconds) in work:
            inside_s += seconds
        return (time.perf_counter() - started - inside_s / 2) / PASSED


def timed_band(band: Band, mesh: Mesh) -> tuple[BandResult, float]:
    """Return what the stand-in makes of a band, and how long that took in s."""
    started = time.perf_counter()
    result = stand_ins.solve_band(mesh, (), band)
    return result, time.perf_counter() - started


def proposed_after(folder: RunFolder) -> tuple[float, float]:
    """Return what a directed search takes to read the catalogue, and to propose, in s."""
    settings = settings_of(folder.load_job())
    began = time.perf_counter()
    known = [entry for entry in folder.candidates() if not entry.is_baseline]
    read = time.perf_counter()
    tried = [Tried(values=c.values, objectives_db=(c.score.total_db,)) for c in known if c.score]
    propose(settings, tried, objectives=1, seed=1, is_possible=lambda values: True)
    return read - began, time.perf_counter() - read


def a_candidate(folder: RunFolder) -> str:
    """Return the id of one that is solved."""
    return next(entry.id for entry in folder.candidates() if not entry.is_baseline)


def copy_up_to(folder: RunFolder, count: int) -> None:
    """Enter copies of what is solved, with slightly other scores, up to a number of candidates."""
    solved = [entry for entry in folder.candidates() if not entry.is_baseline and entry.score]
    draw = random.Random(0)
    names = [f"c{number:04d}" for number in range(len(solved) + 1, count + 1)]
    entries = [
        replace(draw.choice(solved), id=name, status=store.WAITING, reasons=()) for name in names
    ]
    with folder.kept_open():
        folder.add_candidates(entries)
        for number, entry in enumerate(entries):
            original = solved[number % len(solved)]
            terms = tuple(
                replace(term, excess_db=term.excess_db * draw.uniform(0.9, 1.5))
                for term in original.score.terms
            )
            total = sum(term.cost_db for term in terms)
            score = replace(original.score, terms=terms, total_db=total)
            folder.update_candidate(entry.id, status=store.SOLVED, score=score)
            shutil.copytree(
                folder.path / "candidates" / original.id,
                folder.path / "candidates" / entry.id,
                copy_function=os.link,
            )


if __name__ == "__main__":
    main()
