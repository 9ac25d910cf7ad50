# SPDX-License-Identifier: GPL-3.0-or-later
"""What carving gains, and what its steps cost.

The job ``jobs/carve_lens.toml`` is solved as it is shipped, and then its lens carved: the ninth of
the first job, at most 8 mm out and in, no radius under 10 mm, with fewer steps. Printed are the
scores at the job's own quality, on fresh meshes; every term before and after; how the bounces
compare with the plain baffle in each third octave; the time of slopes against that of fields;
where the time of the steps goes by the clock; and the processor time of the whole carve, from its
meshes to the carved shape's own solution.

::

    python tests/benchmarks/carve.py [steps] [outward and inward in mm] [workers]
"""

from __future__ import annotations

import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

from bafflelens.commands.console import ConsoleProgress
from bafflelens.run.carving import carve, descent, evaluation
from bafflelens.run.carving.evaluation import Evaluation
from bafflelens.run.carving.keeping import kept_steps
from bafflelens.run.on_request import carve_on_request
from bafflelens.run.options import RunOptions
from bafflelens.run.pipeline import run_job
from bafflelens.scoring.quieter import above_db, quieter_than, third_octave_means
from bafflelens.store import RunFolder
from bafflelens.store.system_response import played

JOB = Path(__file__).parents[2] / "jobs" / "carve_lens.toml"
BAND_HZ = (2000.0, 12000.0)
PARENT, CARVED, BASELINE = "c001", "c001_carved", "baseline"


def main() -> None:
    """Run the job and print what came of it."""
    steps = int(sys.argv[1]) if len(sys.argv) > 1 else 15
    limit_mm = float(sys.argv[2]) if len(sys.argv) > 2 else 8.0
    workers = int(sys.argv[3]) if len(sys.argv) > 3 else 2
    with tempfile.TemporaryDirectory() as name:
        scratch = Path(name)
        text = JOB.read_text(encoding="utf-8").replace("../", f"{JOB.parents[1]}/")
        job = scratch / JOB.name
        job.write_text(text.replace("leaders = 1\n", "leaders = 0\n"), encoding="utf-8")
        options = RunOptions(results=scratch, workers=workers, progress=ConsoleProgress())
        folder = run_job(job, options).folder
        before_s = processor_s()
        changes = {"steps": steps, "outward_mm": limit_mm, "inward_mm": limit_mm}
        clocks = watched()
        carve_on_request(folder.path, PARENT, options, changes=changes)
        taken_s = processor_s() - before_s
        print_scores(folder)
        print_bounces(folder)
        print_times(folder)
        print("by the clock, tries that were not taken with them:")
        print(", ".join(f"{name} {seconds:.1f} s" for name, seconds in clocks.items()))
        print(f"processor time of it all: {taken_s:.0f} s, {taken_s / 2:.0f} s on each of two")


def watched() -> dict[str, float]:
    """Return the time by the clock of the parts of all steps from here on, in s; it grows."""
    clocks: dict[str, float] = {}
    parts = {
        "fields": (Evaluation, "_solved"),
        "what is made small and its slope with the far field": (evaluation, "softened_slope"),
        "score": (evaluation, "score_of"),
        "slopes": (Evaluation, "slope"),
        "where a step goes": (descent, "step_of"),
        "meshes anew": (carve, "mesh_anew"),
    }
    for name, (owner, function) in parts.items():
        clocks[name] = 0.0
        setattr(owner, function, timed(getattr(owner, function), name, clocks))
    descend = carve._descend

    def from_here(*given: Any) -> str:
        clocks.update(dict.fromkeys(clocks, 0.0))  # the parent's own values are there already
        return descend(*given)

    carve._descend = from_here
    return clocks


def timed(function: Callable[..., Any], name: str, clocks: dict[str, float]) -> Any:
    """Return a function that adds to a clock how long it takes."""

    @wraps(function)
    def found(*given: Any, **named: Any) -> Any:
        began = time.perf_counter()
        try:
            return function(*given, **named)
        finally:
            clocks[name] += time.perf_counter() - began

    return found


def processor_s() -> float:
    """Return the processor time of this process and of its children that have ended, in s."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(each.ru_utime + each.ru_stime for each in used)


def print_scores(folder: RunFolder) -> None:
    """Print the score of each shape with its terms, on fresh meshes."""
    scores = {c.id: c.score for c in folder.candidates() if c.score is not None}
    print(f"\n{'dB':<20}" + "".join(f"{name:>14}" for name in scores))
    print(f"{'score':<20}" + "".join(f"{s.total_db:>14.2f}" for s in scores.values()))
    for number, term in enumerate(scores[PARENT].terms):
        row = "".join(f"{s.terms[number].cost_db:>14.2f}" for s in scores.values())
        print(f"{term.label:<20}{row}")


def print_bounces(folder: RunFolder) -> None:
    """Print levels towards floor and ceiling re the plain baffle's, by third octaves."""
    loaded = folder.load_job()
    target = loaded.job.target.target(loaded.job.room.room)
    plays = {
        name: played(folder, loaded, folder.load_directivity(name))
        for name in (BASELINE, PARENT, CARVED)
    }
    quieter = quieter_than(plays[BASELINE], target, BAND_HZ)
    centres, _ = third_octave_means(quieter.frequency_hz, BAND_HZ)
    before, after = (above_db(plays[name], target, quieter) for name in (PARENT, CARVED))
    print(f"\nbounce re the plain baffle, dB, {BAND_HZ[0]:g} to {BAND_HZ[1]:g} Hz")
    print(f"{'':>11}{'floor before':>14}{'after':>8}{'ceiling before':>16}{'after':>8}")
    for number, centre in enumerate(centres):
        row = (before[0], after[0], before[1], after[1])
        values = (
            f"{part[number]:>{width}.1f}" for part, width in zip(row, (14, 8, 16, 8), strict=True)
        )
        print(f"{centre:>8.0f} Hz" + "".join(values))
    print(f"loudest after carving: {after.max():+.1f} dB")


def print_times(folder: RunFolder) -> None:
    """Print what the steps cost, as they are recorded."""
    steps = kept_steps(folder, CARVED)
    seconds = [step.seconds for step in steps[1:]]
    print(f"\nscore as a draft: {', '.join(f'{step.score_db:.2f}' for step in steps)} dB")
    print(
        f"{len(seconds)} steps in {sum(seconds):.0f} s by the clock, each "
        f"{statistics.median(seconds):.1f} s (median)"
    )
    fields_s, slopes_s = (sum(step.work_s[part] for step in steps) for part in (0, 1))
    print(
        f"time of the slopes over that of the fields: {slopes_s / fields_s:.2f}; of the workers "
        f"together {fields_s + slopes_s:.0f} s, {(fields_s + slopes_s) / 2:.0f} s on each of two"
    )


if __name__ == "__main__":
    main()
