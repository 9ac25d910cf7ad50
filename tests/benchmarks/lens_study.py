# SPDX-License-Identifier: GPL-3.0-or-later
"""A study of random lenses: solve each once and write a compact table of what it scores.

The table (``tests/references/lens_study.csv``) is what the benchmarks of the search work on. The
setting is small on purpose, a few frequencies of draft quality, so that a candidate takes about
two seconds of one core. A study that was stopped goes on where it was.

::

    python tests/benchmarks/lens_study.py 160 draft
    python tests/benchmarks/lens_study.py 40 standard
"""

from __future__ import annotations

import csv
import os
import sys
import time
from collections.abc import Mapping
from pathlib import Path

os.environ.setdefault("NUMBA_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1] / "references"))

import numpy as np
from whole_sweep import solved_shape

from bafflelens.base.errors import BafflelensError
from bafflelens.base.medium import Air
from bafflelens.scoring.score import Score, ScoreSettings, score
from bafflelens.scoring.target import Room, default_target
from bafflelens.shapes.meshing.loading import check_parameters, load_shape

ROOT = Path(__file__).parents[2]
TABLE = ROOT / "tests/references/lens_study.csv"
LENS = load_shape(ROOT / "geometries/vertical_lens.py")
PLAIN = load_shape(ROOT / "geometries/plain_baffle.py")
BAND_HZ = (2000.0, 8000.0)
PER_OCTAVE = 3
SEED = 1
RANGES = {
    "lens.opening_height_mm": (75.0, 160.0),
    "lens.wall_half_angle_deg": (35.0, 65.0),
    "lens.side_angle_deg": (60.0, 90.0),
    "lens.lip_radius_mm": (5.0, 50.0),
    "cabinet.width_mm": (150.0, 300.0),
}
COLUMNS = ("id", "quality", *RANGES, "total_db", "vertical_db", "horizontal_db", "side_effects_db")


def main() -> None:
    """Solve what is missing in the table, in order, and add it line by line."""
    number, quality = int(sys.argv[1]), sys.argv[2]
    if not TABLE.exists():
        TABLE.write_text(",".join(COLUMNS) + "\n", encoding="utf-8")
    with TABLE.open(newline="", encoding="utf-8") as stream:
        done = {(row["id"], row["quality"]) for row in csv.DictReader(stream)}
    baseline = solved(PLAIN, {p.key: p.default for p in PLAIN.parameters}, quality)
    for index, values in enumerate(drawn(number)):
        name = f"s{index + 1:03d}"
        if (name, quality) in done:
            continue
        start = time.perf_counter()
        try:
            found = judged(solved(LENS, values, quality), baseline)
        except BafflelensError as error:
            print(f"{name} {quality}: failed: {error}", flush=True)
            continue
        numbers = [values[key] for key in RANGES]
        numbers += [round(v, 4) for v in (found.total_db, *found.objectives.values)]
        with TABLE.open("a", encoding="utf-8") as stream:
            stream.write(",".join([name, quality, *(f"{v:g}" for v in numbers)]) + "\n")
        print(
            f"{name} {quality}: {found.total_db:.2f} dB, {time.perf_counter() - start:.1f} s",
            flush=True,
        )


def drawn(number: int) -> list[dict[str, float]]:
    """Return so many random lenses, all of them possible."""
    generator = np.random.default_rng(SEED)
    found: list[dict[str, float]] = []
    while len(found) < number:
        values = complete(
            {key: round(float(generator.uniform(*ends)), 1) for key, ends in RANGES.items()}
        )
        if not check_parameters(LENS, values):
            found.append(values)
    return found


def complete(values: Mapping[str, float]) -> dict[str, float]:
    """Return all parameters of a lens."""
    return {p.key: values.get(p.key, p.default) for p in LENS.parameters}


def solved(shape, values, quality):  # type: ignore[no-untyped-def]
    """Return what a shape radiates."""
    count = round(np.log2(BAND_HZ[1] / BAND_HZ[0]) * PER_OCTAVE) + 1
    return solved_shape(shape, values, tuple(np.geomspace(*BAND_HZ, count)), quality, Air())


def judged(dataset, baseline) -> Score:  # type: ignore[no-untyped-def]
    """Return the score of what a lens radiates."""
    settings = ScoreSettings(from_hz=BAND_HZ[0], to_hz=BAND_HZ[1])
    return score(dataset, default_target(Room()), settings, baseline)


if __name__ == "__main__":
    main()
