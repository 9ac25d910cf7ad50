# SPDX-License-Identifier: GPL-3.0-or-later
"""Carving the plain baffle itself, against the best of sixty directed lenses.

::

    python tests/benchmarks/carve_baffle.py [--lenses 60] [--steps 24] [--radius-mm 10]
        [--workers 16] [--folder DIR]

A directed search solves so many vertical lenses as drafts at three frequencies an octave from 2
to 8 kHz, the cabinet's width with them. Then the plain baffle, as wide as the best of these, is
carved on the same score and frequencies, at most 30 mm out and 40 mm deep. The lips of a lens have
radii from 5 mm on; what is carved has the radius that is given. What counts is the
workers' time for all pieces of work: how low the carving got with the time that the lenses took;
and the processor time of both runs with all that belongs to them.
Drafts are off by tenths of a dB, more than the best lens and the carved shape differ. So in the
end the best five lenses of the drafts and the carved shape are solved at standard quality, and
the better lens and the carved shape on five meshes each. How far these are apart says which
difference means anything: 2.8 standard deviations between two single scores. With ``--lenses 0``
the best of `directed.py`'s earlier searches stand for them, and sixty times a draft of the baffle
for their time.

Both runs say as they go what they do. With ``--folder`` they are kept there, and the same command
goes on with them where they were stopped.
"""

from __future__ import annotations

import argparse
import csv
import resource
import statistics
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import lens_study

from bafflelens.commands.console import ConsoleProgress
from bafflelens.run.carving.keeping import kept_steps
from bafflelens.run.options import RunOptions
from bafflelens.run.pipeline import resume_run, run_job
from bafflelens.scoring.ranking import Remeshing
from bafflelens.store import RunFolder

ROOT = Path(__file__).parents[2]
TABLE = ROOT / "tests/references/lens_study_directed.csv"
EARLIER = 60  # that the table of earlier searches stands for
LEADERS = 5  # of the drafts, that are solved at standard
MESHES = 5  # on which both are solved in the end
PARENT, CARVED = "c001", "c001_carved"
HEAD = """
title = "{title}"
[geometry]
script = "{script}"
{ranges}
[baseline]
script = "{root}/geometries/plain_baffle.py"
[baseline.cabinet]
width_mm = 210
[search]
{search}
[frequencies]
from_hz = 2000
to_hz = 8000
per_octave = 3
[solve]
quality = "{quality}"
remeshes = {remeshes}
second_opinion = false
[robustness]
leaders = 0
[score]
from_hz = 2000
to_hz = 8000
"""
CARVE = """
[carve]
leaders = 1
steps = {steps}
outward_mm = 30
inward_mm = 40
radius_mm = {radius_mm:g}
"""


@dataclass(frozen=True, kw_only=True)
class Lenses:
    """What the lenses came to.

    Attributes
    ----------
    text : str
        Which they are.
    best_db : float
        The lowest score.
    leaders : tuple of mapping of str to float
        Lengths and angles of the best few, the best first.
    work_s : float or None
        Time that the workers took for all; None where nobody knows.
    """

    text: str
    best_db: float
    leaders: tuple[Mapping[str, float], ...]
    work_s: float | None

    @property
    def width_mm(self) -> float:
        """Width of that one's cabinet."""
        return self.leaders[0]["cabinet.width_mm"]


def main() -> None:
    """Search, carve, and print what came of either."""
    given = _arguments()
    with tempfile.TemporaryDirectory() as name:
        base = given.folder or Path(name)
        base.mkdir(parents=True, exist_ok=True)
        lenses = searched(base, given) if given.lenses else earlier()
        print(
            f"{lenses.text}: best {lenses.best_db:.2f} dB, {lenses.width_mm:g} mm wide", flush=True
        )
        job = HEAD.format(
            title="The plain baffle, carved",
            root=ROOT,
            script=ROOT / "geometries/plain_baffle.py",
            quality="draft",
            remeshes=0,
            ranges=sections({"cabinet.width_mm": f"[{lenses.width_mm:g}]"}),
            search='plan = "list"',
        )
        folder = done(
            base,
            "carve_baffle",
            job + CARVE.format(steps=given.steps, radius_mm=given.radius_mm),
            given.workers,
        )
        print_result(folder, lenses)
        for name in (f"directed_{given.lenses}",) * bool(given.lenses) + ("carve_baffle",):
            print(f"processor time of all of {name}: {taken_s(base, name):.0f} s")
        print_at_standard(base, folder, lenses, given.workers)


def searched(base: Path, given: argparse.Namespace) -> Lenses:
    """Return what a directed search finds, on the ranges of the lens study."""
    ranges: dict[str, str] = {}
    limits = {p.key: p for p in lens_study.LENS.parameters}
    for key, (low, high) in lens_study.RANGES.items():
        low, high = max(low, limits[key].low), min(high, limits[key].high)
        ranges[key] = f"{{ from = {low:g}, to = {high:g} }}"
    job = HEAD.format(
        title="Directed lenses",
        root=ROOT,
        script=ROOT / "geometries/vertical_lens.py",
        quality="draft",
        remeshes=0,
        ranges=sections(ranges),
        search=f'plan = "directed"\ncandidates = {given.lenses}\nseed = {given.seed}',
    )
    folder = done(base, f"directed_{given.lenses}", job, given.workers)
    scored = sorted(
        (c.score.total_db, c.id, c.values)
        for c in folder.candidates()
        if c.score is not None and c.id in ids(folder)
    )
    return Lenses(
        text=f"{len(scored)} directed lenses",
        best_db=scored[0][0],
        leaders=tuple(
            {key: values[key] for key in lens_study.RANGES} for _, _, values in scored[:LEADERS]
        ),
        work_s=sum(t.seconds for t in folder.load_record().tasks if t.candidate in ids(folder)),
    )


def sections(ranges: Mapping[str, str]) -> str:
    """Return the sections of a job that hold what parameters may be."""
    found: dict[str, list[str]] = {}
    for key, text in ranges.items():
        section, name = key.split(".")
        found.setdefault(section, []).append(f"{name} = {text}")
    return "\n".join(
        line for name, keys in found.items() for line in (f"[geometry.{name}]", *keys)
    )


def ids(folder: RunFolder) -> set[str]:
    """Return the ids of the searched lenses."""
    return {c.id for c in folder.candidates() if c.id.startswith("c") and c.id[1:].isdigit()}


def earlier() -> Lenses:
    """Return what the table of earlier searches holds."""
    with TABLE.open(newline="", encoding="utf-8") as stream:
        rows = sorted(csv.DictReader(stream), key=lambda row: float(row["total_db"]))
    return Lenses(
        text="best of earlier searches",
        best_db=float(rows[0]["total_db"]),
        leaders=tuple(
            {key: float(row[key]) for key in lens_study.RANGES} for row in rows[:LEADERS]
        ),
        work_s=None,
    )


def done(base: Path, name: str, text: str, workers: int) -> RunFolder:
    """Run a job, or go on with its run."""
    options = RunOptions(results=base, progress=ConsoleProgress(), workers=workers)
    job = base / f"{name}.toml"
    if job.exists() and job.read_text(encoding="utf-8") != text:
        msg = f"Invalid folder '{base}'. Must be one of the same options, or a new one."
        raise SystemExit(msg)
    job.write_text(text, encoding="utf-8")
    runs = sorted(path for path in base.glob(f"{name}_2*") if path.is_dir())
    began_s = processor_s()
    folder = (resume_run(runs[-1], options) if runs else run_job(job, options)).folder
    taken = base / f"{name}.processor_s"
    before_s = float(taken.read_text()) if taken.exists() else 0.0
    taken.write_text(f"{before_s + processor_s() - began_s:.1f}\n")
    return folder


def processor_s() -> float:
    """Return the processor time of this process and of its children that have ended, in s."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(each.ru_utime + each.ru_stime for each in used)


def taken_s(base: Path, name: str) -> float:
    """Return what a run took of the processors so far, in s."""
    return float((base / f"{name}.processor_s").read_text())


def print_result(folder: RunFolder, lenses: Lenses) -> None:
    """Print scores on fresh meshes, and when the carving passed the lenses."""
    scores = {c.id: c.score.total_db for c in folder.candidates() if c.score is not None}
    steps = kept_steps(folder, CARVED)
    lenses_s = EARLIER * steps[0].work_s[0] if lenses.work_s is None else lenses.work_s
    print(f"\n{lenses.text}: best {lenses.best_db:.2f} dB, {lenses_s:.0f} s of the workers")
    carved_db = scores.get(CARVED, float("nan"))
    print(f"plain baffle as wide: {scores[PARENT]:.2f} dB; carved, afresh: {carved_db:.2f} dB")
    spent_s = 0.0
    for step in steps:
        spent_s += sum(step.work_s)
        is_better = "better than the lenses" if step.score_db < lenses.best_db else ""
        is_dearer = "" if spent_s <= lenses_s else "longer than the lenses"
        print(f"step {step.number}: {step.text}; {spent_s:.0f} s {is_better} {is_dearer}".rstrip())


def print_at_standard(base: Path, folder: RunFolder, lenses: Lenses, workers: int) -> None:
    """Solve both at standard quality on several meshes, and print their scores."""
    (declaration,) = folder.path.glob(f"shapes/carved.{CARVED}/*.toml")
    lens = ROOT / "geometries/vertical_lens.py"

    def scores_db(name: str, script: Path, values: Mapping[str, float], meshes: int) -> Any:
        job = HEAD.format(
            title=f"{name} at standard",
            root=ROOT,
            script=script,
            quality="standard",
            remeshes=meshes - 1,
            ranges=sections({key: f"[{value!r}]" for key, value in values.items()}),
            search='plan = "list"',
        )
        run = done(base, f"standard_{name}", job, workers)
        if meshes > 1:
            return run.load_record().remeshing.scores_db
        return [c.score.total_db for c in run.candidates() if c.id == PARENT and c.score]

    once = [scores_db(f"lens_{n}", lens, values, 1) for n, values in enumerate(lenses.leaders)]
    print(f"at standard, the best lenses of the drafts: {listed([one for (one,) in once])} dB")
    best = min(range(len(once)), key=lambda n: once[n])
    found = {
        "lens": scores_db("lens_meshes", lens, lenses.leaders[best], MESHES),
        "carved": scores_db("carved_meshes", declaration, {}, MESHES),
    }
    for name, scores in found.items():
        smallest_db = Remeshing(candidate=name, scores_db=tuple(scores)).smallest_difference_db
        print(
            f"{name} on {len(scores)} meshes at standard: {listed(scores)} dB, mean "
            f"{statistics.mean(scores):.3f}; two scores of it differ by less than "
            f"{smallest_db:.3f} dB"
        )
    gained = statistics.mean(found["lens"]) - statistics.mean(found["carved"])
    apart = min(found["lens"]) - max(found["carved"])
    print(f"carved better by {gained:+.3f} dB in the mean, {apart:+.3f} dB on the worst meshes")


def listed(scores: Sequence[float]) -> str:
    """Return scores in words."""
    return ", ".join(f"{score:.3f}" for score in scores)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--lenses", type=int, default=60)
    parser.add_argument("--steps", type=int, default=24)
    parser.add_argument("--radius-mm", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--folder", type=Path)
    return parser.parse_args()


if __name__ == "__main__":
    main()
