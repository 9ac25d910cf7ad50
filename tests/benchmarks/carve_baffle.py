# SPDX-License-Identifier: GPL-3.0-or-later
"""Carving the plain baffle itself, against the best of sixty directed lenses.

What sixty directed lenses reached is in ``tests/references/lens_study_directed.csv`` (all that the
searches of `directed.py` solved, as drafts at three frequencies an octave from 2 to 8 kHz; the
cabinet's width was searched with the lens): so none is solved again. Here the plain baffle, as
wide as the best of these, is carved on the same score, at most 30 mm out and 40 mm deep. The
processor time that sixty lenses take is that of one draft of the baffle in this run, times sixty.

::

    python tests/benchmarks/carve_baffle.py [steps]
"""

from __future__ import annotations

import csv
import sys
import tempfile
from pathlib import Path

from bafflelens.commands.console import ConsoleProgress
from bafflelens.run.carving.keeping import kept_steps
from bafflelens.run.pipeline import RunOptions, run_job
from bafflelens.store import RunFolder

ROOT = Path(__file__).parents[2]
TABLE = ROOT / "tests/references/lens_study_directed.csv"
LENSES = 60
PARENT, CARVED = "c001", "c001_carved"
JOB = """
title = "The plain baffle, carved"
[geometry]
script = "{script}"
[geometry.cabinet]
width_mm = [{width}]
[baseline]
script = "{script}"
[baseline.cabinet]
width_mm = 210
[search]
plan = "list"
[frequencies]
from_hz = 2000
to_hz = 8000
per_octave = 3
[solve]
quality = "draft"
remeshes = 0
second_opinion = false
[robustness]
leaders = 0
[score]
from_hz = 2000
to_hz = 8000
[carve]
leaders = 1
steps = {steps}
outward_mm = 30
inward_mm = 40
"""


def main() -> None:
    """Carve and print what came of it beside the directed lenses."""
    steps = int(sys.argv[1]) if len(sys.argv) > 1 else 24
    with TABLE.open(newline="", encoding="utf-8") as stream:
        best = min(csv.DictReader(stream), key=lambda row: float(row["total_db"]))
    width = best["cabinet.width_mm"]
    with tempfile.TemporaryDirectory() as name:
        scratch = Path(name)
        job = scratch / "carve_baffle.toml"
        script = ROOT / "geometries/plain_baffle.py"
        job.write_text(JOB.format(script=script, width=width, steps=steps), encoding="utf-8")
        result = run_job(job, RunOptions(results=scratch, progress=ConsoleProgress(), workers=1))
        print_result(result.folder, float(best["total_db"]), float(width))


def print_result(folder: RunFolder, best_db: float, width_mm: float) -> None:
    """Print scores on fresh meshes, and when the carving passed the lenses."""
    scores = {c.id: c.score.total_db for c in folder.candidates() if c.score is not None}
    steps = kept_steps(folder, CARVED)
    lenses_s = LENSES * steps[0].work_s[0]
    print(f"\nbest of {LENSES} directed lenses: {best_db:.2f} dB, cabinet {width_mm:g} mm wide")
    print(
        f"plain baffle as wide: {scores[PARENT]:.2f} dB; carved, afresh: {scores[CARVED]:.2f} dB"
    )
    print(
        f"{LENSES} drafts of the baffle would take the workers {lenses_s:.0f} s (without meshing)"
    )
    spent_s = 0.0
    for step in steps:
        spent_s += sum(step.work_s)
        is_better = "better than the lenses" if step.score_db < best_db else ""
        is_dearer = "" if spent_s <= lenses_s else "longer than the lenses"
        print(f"step {step.number}: {step.text}; {spent_s:.0f} s {is_better} {is_dearer}".rstrip())


if __name__ == "__main__":
    main()
