# SPDX-License-Identifier: GPL-3.0-or-later
"""How long a hand-off takes, by the clock and in processor time, and where that goes.

The command is run as a user would, in turn with that of another checkout if one is given, and the
processor time of all its processes is added up. Then its steps are timed in one process: those
that wait for a process of their own by the clock, the others in processor time of their thread.

    python tests/benchmarks/hand_off_steps.py RUN CANDIDATE [--before CHECKOUT] [--times 3]
"""

from __future__ import annotations

import argparse
import functools
import importlib
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).parents[2]
BY_THE_CLOCK = (
    ("handoff.solid_export", "SolidBegun.body"),
    ("handoff.solid_export", "SolidBegun.whole"),
    ("handoff.datum", "_kept"),
    ("handoff.datum", "curved_surface"),
    ("report.shape_picture", "_drawn_apart"),
)
IN_THREAD = (
    ("handoff.curved_surface", "CurvedSurface.heights"),
    ("handoff.candidate_files", "likeness"),
    ("handoff.candidate_files", "making_checks"),
    ("handoff.candidate_files", "part_checks"),
    ("handoff.candidate_files", "measured_dimensions"),
    ("handoff.candidate_files", "print_files"),
    ("handoff.candidate_files", "dxf_bytes"),
    ("handoff.candidate_files", "templates_pdf"),
    ("handoff.candidate_files", "sheet_pdf"),
    ("handoff.candidate_files", "form_pdf"),
    ("handoff.packing", "known_sound_of"),
    ("handoff.packing", "short_list"),
    ("handoff.packing", "summary_pdf"),
    ("handoff.packing", "zipped"),
)


def main() -> None:
    """Time the command, then its steps."""
    parser = argparse.ArgumentParser()
    parser.add_argument("run", type=Path)
    parser.add_argument("candidate")
    parser.add_argument("--before", type=Path)
    parser.add_argument("--times", type=int, default=3)
    given = parser.parse_args()
    if given.times:
        compare(given.run.resolve(), given.candidate, given.before, given.times)
    for name, (seconds, times) in steps(given.run, given.candidate).items():
        print(f"{name:<40}{seconds:7.2f} s{times:5d} times")


def compare(run: Path, candidate: str, before: Path | None, times: int) -> None:
    """Time the command, in turn with that of another checkout if there is one."""
    checkouts = {"this": ROOT} | ({"before": before} if before else {})
    found = defaultdict(list)
    for number in range(times + 1):
        for name, checkout in checkouts.items():
            taken = timed(checkout, run, candidate)
            if number:  # the first one compiles
                found[name].append(taken)
    for name, taken in found.items():
        clock, processor = (statistics.median(one) for one in zip(*taken, strict=True))
        print(f"{name:<8} {clock:6.1f} s by the clock, {processor:6.1f} s of processor time")
    if before:
        pairs = list(zip(found["this"], found["before"], strict=True))
        clock, processor = (
            statistics.median(this[what] / other[what] for this, other in pairs) for what in (0, 1)
        )
        print(f"this over before: {clock:.2f} by the clock, {processor:.2f} in processor time")


def timed(checkout: Path, run: Path, candidate: str) -> tuple[float, float]:
    """Return how long the command takes by the clock and in processor time of all processes."""
    with tempfile.TemporaryDirectory() as folder:
        before = used()
        start = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "bafflelens", "handoff", run, candidate, "--out", "out"],
            cwd=folder,
            env={**os.environ, "PYTHONPATH": str(checkout.resolve() / "pipeline")},
            check=True,
            capture_output=True,
        )
        return time.perf_counter() - start, used() - before


def used() -> float:
    """Return the processor time of the processes that have ended."""
    found = resource.getrusage(resource.RUSAGE_CHILDREN)
    return found.ru_utime + found.ru_stime


def steps(run: Path, candidate: str) -> dict[str, tuple[float, int]]:
    """Return how long each step of a hand-off takes in all, and how often it is done."""
    start = time.process_time()
    from bafflelens.base.progress import Silent
    from bafflelens.handoff.helpers import helpers_ready
    from bafflelens.handoff.package import hand_off
    from bafflelens.store import open_run

    importlib.import_module("bafflelens.handoff.packing")  # as a hand-off does meanwhile
    taken = {"importing": [time.process_time() - start]}
    lock = threading.Lock()
    for places, clock in ((BY_THE_CLOCK, time.perf_counter), (IN_THREAD, time.thread_time)):
        for place in places:
            measure(*place, clock, taken, lock)
    with tempfile.TemporaryDirectory() as folder, helpers_ready():
        start, begun = time.process_time(), time.perf_counter()
        hand_off(open_run(run), [candidate], Path(folder) / "out", Silent())
        taken["all in this process"] = [time.process_time() - start]
        taken["all by the clock"] = [time.perf_counter() - begun]
    return {name: (sum(seconds), len(seconds)) for name, seconds in taken.items()}


def measure(module: str, name: str, clock, taken, lock) -> None:
    """Let a function or a method of a module note how long each of its calls takes."""
    home = sys.modules[f"bafflelens.{module}"]
    if "." in name:
        kind, name = name.split(".")
        home = getattr(home, kind)
    called = getattr(home, name)

    @functools.wraps(called)
    def noting(*arguments, **named):
        start = clock()
        try:
            return called(*arguments, **named)
        finally:
            what = "by the clock" if clock is time.perf_counter else "processor"
            with lock:
                taken.setdefault(f"{name} ({what})", []).append(clock() - start)

    setattr(home, name, noting)


if __name__ == "__main__":
    main()
