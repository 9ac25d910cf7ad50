# SPDX-License-Identifier: GPL-3.0-or-later
"""Cost against size: time and memory of one frequency, from 1,000 to 60,000 unknowns.

A cabinet of 0.21 x 0.40 x 0.25 m in equal triangles, 6.5 elements a wavelength, one source, no
guess. Each size has a process of its own, so that its largest memory can be told; slopes are those
of straight lines through the logarithms, packed and of low rank apart.

Usage: cost.py [UNKNOWNS ...]
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

SIZES = (1_000, 2_000, 4_000, 8_000, 16_000, 24_000, 32_000, 60_000)
ELEMENTS_A_WAVELENGTH = 6.5


def main(sizes: list[int]) -> None:
    """Print the table and the slopes."""
    print(" unknowns      Hz  way         mesh s  solve s  processor s  steps  GiB")
    rows = []
    for size in sizes:
        command = [sys.executable, __file__, "--one", str(size)]
        answer = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        row = json.loads(answer.splitlines()[-1])
        rows.append(row)
        print(
            f"{row['unknowns']:9d} {row['frequency_hz']:7.0f}  {row['way']:10s} "
            f"{row['discretise_s']:7.2f} {row['solve_s']:8.2f} {row['processor_s']:12.2f} "
            f"{row['iterations']:6d} {row['memory_gib']:4.1f}",
            flush=True,
        )
    for way in sorted({row["way"] for row in rows}):
        chosen = [row for row in rows if row["way"] == way]
        if len(chosen) > 1:
            slopes = [_slope(chosen, key) for key in ("processor_s", "memory_gib")]
            print(f"{way}: time grows with the power {slopes[0]:.2f}, memory with {slopes[1]:.2f}")


def one(size: int) -> None:
    """Print what one size costs, as JSON."""
    from card import _box, _problem

    from bafflelens.base.medium import Air
    from bafflelens.bem.burton_miller import solve_burton_miller
    from bafflelens.bem.discretisation import discretise
    from bafflelens.bem.engine_settings import EngineSettings
    from bafflelens.bem.warm_up import warm_up

    warm_up(lambda _: None)
    mesh = _box(size)
    edge = np.sqrt(mesh.areas.mean() * 4 / np.sqrt(3))
    frequency = Air().sound_speed / ELEMENTS_A_WAVELENGTH / edge
    problem = _problem(mesh, frequency)
    begun = time.perf_counter(), time.process_time()
    discretisation = discretise(mesh, ())
    middle = time.perf_counter()
    solution = solve_burton_miller(problem, discretisation=discretisation)
    ended = time.perf_counter(), time.process_time()
    row = {
        "unknowns": mesh.n_triangles,
        "frequency_hz": frequency,
        "way": EngineSettings().storage_for(mesh.n_triangles).value,
        "discretise_s": middle - begun[0],
        "solve_s": ended[0] - middle,
        "processor_s": ended[1] - begun[1],
        "iterations": solution.iterations,
        "memory_gib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20,
    }
    print(json.dumps(row))


def _slope(rows: list[dict[str, float]], key: str) -> float:
    """Return the power of the number of unknowns that a quantity grows with."""
    sizes = np.log([row["unknowns"] for row in rows])
    return float(np.polyfit(sizes, np.log([row[key] for row in rows]), 1)[0])


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    if sys.argv[1:2] == ["--one"]:
        one(int(sys.argv[2]))
    else:
        main([int(size) for size in sys.argv[1:]] or list(SIZES))
