# SPDX-License-Identifier: GPL-3.0-or-later
"""A second opinion in a process that compiles it, against one that finds it on the disk.

Usage: kept_compilation.py [DIVISIONS]

Each process solves a cap on a sphere of 8 * 4^DIVISIONS triangles (3 by default) with bempp-cl;
the first with an empty folder for what numba compiles, the second with the folder that the first
left. Processor time of the processes, start and imports included: two minutes.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from resource import RUSAGE_CHILDREN, getrusage
from tempfile import TemporaryDirectory

ROOT = Path(__file__).parents[2]
SOLVED = """
import numpy as np, bodies, radiating
from bafflelens.bem.engines import solve
mesh = bodies.octasphere({divisions}, ("y",))
velocity = (mesh.centroids[:, 0] > 0.8).astype(float)
found = solve(radiating.problem(mesh, velocity, 2.0, ("y",)), "bempp")
print(abs(found.surface_pressure).mean())
"""


def solved(divisions: int, kept: str) -> tuple[float, float, str]:
    """Return processor time and wall time of a process in s, and what it printed."""
    path = os.pathsep.join((str(ROOT / "pipeline"), str(ROOT / "tests" / "references")))
    before, began = getrusage(RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", SOLVED.format(divisions=divisions)],
        env={**os.environ, "NUMBA_CACHE_DIR": kept, "NUMBA_NUM_THREADS": "1", "PYTHONPATH": path},
        check=True,
        capture_output=True,
        text=True,
    )
    after = getrusage(RUSAGE_CHILDREN)
    processor_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return processor_s, time.perf_counter() - began, done.stdout.split()[-1]


def main() -> None:
    """Solve twice, and print both times and their ratio."""
    divisions = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    with TemporaryDirectory() as kept:
        first_s, first_wall_s, first = solved(divisions, kept)
        again_s, again_wall_s, again = solved(divisions, kept)
    print(f"compiled:  {first_s:6.1f} s of processor time, {first_wall_s:6.1f} s by the clock")
    print(f"kept:      {again_s:6.1f} s of processor time, {again_wall_s:6.1f} s by the clock")
    print(f"ratio of processor time {first_s / again_s:.1f}; mean pressure {first} and {again} Pa")


if __name__ == "__main__":
    main()
