# SPDX-License-Identifier: GPL-3.0-or-later
"""How many solves a directed search takes to what random candidates reach.

First a test function whose front is known: ZDT1 (E. Zitzler, K. Deb, L. Thiele, "Comparison of
multiobjective evolutionary algorithms", Evolutionary Computation 8, 2000; formula from memory)
with five parameters. The measure is the area that the candidates dominate below the corner
(1.1, 6), as a share of what the known front dominates.

Then the lens study (``lens_study.py``): its random lenses, 150 of them or more, against directed
searches that solve what they propose, at the same draft quality. What is solved is kept in
``tests/references/lens_study_directed.csv``; what is there is not solved again.

::

    python tests/benchmarks/directed.py            # the test function, and the study as it stands
    python tests/benchmarks/directed.py 7 75       # seven searches of at most 75 lenses
"""

from __future__ import annotations

import csv
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

import lens_study
import numpy as np

from bafflelens.base.errors import BafflelensError
from bafflelens.job.sampling import low_discrepancy, random_points
from bafflelens.job.shape_sections import Fixed, Setting, Span
from bafflelens.run.searching.proposing import Tried, propose, seed_of_proposal
from bafflelens.shapes.meshing.loading import check_parameters

TABLE = lens_study.ROOT / "tests/references/lens_study_directed.csv"
RANDOM_LENSES = 150
FIRST = 10  # two a parameter, as in a run
AT_ONCE = 4
CORNER = (1.1, 6.0)

Cost = Callable[[Mapping[str, float]], tuple[float, ...] | None]
Rule = Callable[[Mapping[str, float]], bool]


def main() -> None:
    """Print the solves that both take, and their ratio."""
    analytic()
    seeds, most = (int(text) for text in sys.argv[1:3]) if len(sys.argv) > 2 else (0, 0)
    study(seeds, most)


# ---------------------------------------------------------------------- a front that is known


def analytic(seeds: int = 9, number: int = 150) -> None:
    """Compare the areas dominated on ZDT1."""
    settings: dict[str, Setting] = {f"x{n}": Span(0.0, 1.0) for n in range(1, 6)}
    share = np.linspace(0, 1, 20_001)
    whole = dominated(np.column_stack([share, 1 - np.sqrt(share)]))
    random, solves = [], []
    for seed in range(seeds):
        points = random_points(settings, seed, number)
        random.append(dominated(np.array([zdt1(values) for values in points])) / whole)
    goal = float(np.median(random))
    for seed in range(seeds):
        found: list[tuple[float, ...]] = []
        for item in searched(settings, seed, number, zdt1, 2, lambda values: True):
            assert item.objectives_db is not None
            found.append(item.objectives_db)
            if dominated(np.array(found)) / whole >= goal:
                break
        solves.append(len(found))
    print(
        f"ZDT1, 5 parameters, {seeds} seeds: {number} random candidates dominate "
        f"{goal:.3f} of what the front does (median);\n  directed search does with "
        f"{np.median(solves):.0f} (median; {sorted(solves)}), "
        f"{np.median(solves) / number:.2f} of the number"
    )


def zdt1(values: Mapping[str, float]) -> tuple[float, float]:
    """Return both objectives."""
    first, *others = values.values()
    growth = 1 + 9 * sum(others) / len(others)
    return first, growth * (1 - np.sqrt(first / growth))


def dominated(points: np.ndarray) -> float:
    """Return the area below the corner that points dominate."""
    inside = points[(points < CORNER).all(axis=1)]
    area, lowest = 0.0, CORNER[1]
    for first, second in inside[np.argsort(inside[:, 0])]:
        if second < lowest:
            area += (CORNER[0] - first) * (lowest - second)
            lowest = second
    return area


# -------------------------------------------------------------------------- the lens study


def study(seeds: int, most: int) -> None:
    """Compare directed searches with the random lenses of the study."""
    with lens_study.TABLE.open(newline="", encoding="utf-8") as stream:
        rows = [row for row in csv.DictReader(stream) if row["quality"] == "draft"]
    scores_db = np.array([float(row["total_db"]) for row in rows])[:RANDOM_LENSES]
    goal_db = scores_db.min()
    print(f"lens study: the best of {len(scores_db)} random lenses scores {goal_db:.2f} dB")
    known = Known()
    settings = lens_settings()
    solves: list[float] = []
    for seed in range(1, (seeds or known.seeds) + 1):
        best_db = np.inf
        tried = 0
        count: float = np.inf
        known.seed = seed
        for item in searched(settings, seed, most or RANDOM_LENSES, known.cost, 1, is_possible):
            tried += 1
            best_db = min(best_db, item.objectives_db[0] if item.objectives_db else np.inf)
            if best_db <= goal_db:
                count = tried
                break
            if not seeds and known.is_exhausted(settings, seed, tried):
                break
        solves.append(count)
        print(f"  seed {seed}: {best_db:.2f} dB after {tried}", flush=True)
    if solves:
        median = float(np.median(solves))
        print(
            f"  directed search reaches it with {median:.0f} (median of {len(solves)}; "
            f"{sorted(solves)}): {median / len(scores_db):.2f} of the solves"
        )


def lens_settings() -> dict[str, Setting]:
    """Return the ranges of the study; what it does not search is fixed."""
    return {
        p.key: Span(*lens_study.RANGES[p.key]) if p.key in lens_study.RANGES else Fixed(p.default)
        for p in lens_study.LENS.parameters
    }


def is_possible(values: Mapping[str, float]) -> bool:
    """Tell whether there is such a lens."""
    return not check_parameters(lens_study.LENS, values)


class Known:
    """What directed searches have solved, in a table."""

    def __init__(self, path: Path = TABLE) -> None:
        self._path = path
        self.seed = 0
        self._baseline: object = None
        if not path.exists():
            path.write_text(",".join(("seed", *lens_study.RANGES, "total_db")) + "\n")
        with path.open(newline="", encoding="utf-8") as stream:
            rows = list(csv.DictReader(stream))
        self._found = {
            tuple(float(row[key]) for key in lens_study.RANGES): float(row["total_db"])
            for row in rows
        }
        self.seeds = max((int(row["seed"]) for row in rows), default=0)
        self._by_seed = {
            seed: sum(int(row["seed"]) == seed for row in rows)
            for seed in range(1, self.seeds + 1)
        }

    def is_exhausted(self, settings: Mapping[str, Setting], seed: int, tried: int) -> bool:
        """Tell whether the table says no more of a search."""
        return tried >= self._by_seed.get(seed, 0)

    def cost(self, values: Mapping[str, float]) -> tuple[float] | None:
        """Return the score of a lens; None if it cannot be solved."""
        key = tuple(values[name] for name in lens_study.RANGES)
        if key not in self._found:
            self._found[key] = self._solved(values)
            line = [str(self.seed), *(f"{v:g}" for v in key), f"{self._found[key]:.4f}"]
            with self._path.open("a", encoding="utf-8") as stream:
                stream.write(",".join(line) + "\n")
        found = self._found[key]
        return (found,) if np.isfinite(found) else None

    def _solved(self, values: Mapping[str, float]) -> float:
        start = time.perf_counter()
        try:
            if self._baseline is None:
                plain = {p.key: p.default for p in lens_study.PLAIN.parameters}
                self._baseline = lens_study.solved(lens_study.PLAIN, plain, "draft")
            dataset = lens_study.solved(lens_study.LENS, values, "draft")
        except BafflelensError as error:
            print(f"    failed: {error}", flush=True)
            return float("nan")
        total_db = lens_study.judged(dataset, self._baseline).total_db
        print(f"    {total_db:.2f} dB, {time.perf_counter() - start:.1f} s", flush=True)
        return total_db


# ---------------------------------------------------------------------------------- searching


def searched(
    settings: Mapping[str, Setting],
    seed: int,
    number: int,
    cost: Cost,
    objectives: int,
    possible: Rule,
) -> Iterator[Tried]:
    """Yield what a directed search tries, as a run does: the last few count as open."""
    tried: list[Tried] = []
    for values in low_discrepancy(settings, seed, 100 * FIRST):
        if len(tried) < FIRST and possible(values):
            tried.append(Tried(values=values, objectives_db=cost(values)))
            yield tried[-1]
    while len(tried) < number:
        counted = len(tried) - AT_ONCE
        open_ones: Sequence[Tried] = [
            Tried(values=item.values, is_open=True) for item in tried[counted:]
        ]
        values = propose(
            settings,
            [*tried[:counted], *open_ones],
            objectives=objectives,
            seed=seed_of_proposal(seed, len(tried) + 1),
            is_possible=possible,
        )
        if values is None:
            return
        tried.append(Tried(values=values, objectives_db=cost(values)))
        yield tried[-1]


if __name__ == "__main__":
    main()
