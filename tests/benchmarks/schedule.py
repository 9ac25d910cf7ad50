# SPDX-License-Identifier: GPL-3.0-or-later
"""What the workers of a finished run did when, and what they would with its steps as one batch.

Usage: schedule.py RUN [--workers N] [--opinion-s SECONDS]

The pieces of work and how long each took come from the record of the run; who takes which when is
simulated, by the rules of the work loop: the candidates in order, of each its meshes and then its
bands, the small changes of a shape after the meshes that theirs are moved from, the second opinion
beside them as soon as half of the candidates are solved. So two orders are compared with the very
same work, which two runs on a machine with other work never are.
"""

from __future__ import annotations

import argparse
import heapq
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from bafflelens.store import open_run


@dataclass
class Piece:
    """A piece of work: its step, how long it takes, and what it waits for."""

    step: str
    seconds: float
    after: list[Piece] = field(default_factory=list)
    begins_s: float = -1.0
    ends_s: float = -1.0


def step_of(candidate: str) -> str:
    """Return which step of a run a shape belongs to."""
    leader, _, rest = candidate.partition(".")
    if rest.startswith("mesh"):
        return "meshed again"
    return f"changes of {leader}" if rest else "candidates"


def pieces_of(tasks: Sequence[tuple[str, str, float]], opinion_s: float) -> list[Piece]:
    """Return the work of a run, in the order in which workers take it."""
    by_shape: dict[str, list[tuple[str, float]]] = defaultdict(list)
    for candidate, task, seconds in tasks:
        by_shape[candidate].append((task, seconds))
    found: list[Piece] = []
    anchors: dict[str, Piece] = {}
    lasts: list[list[Piece]] = []
    for candidate, done in by_shape.items():
        step = step_of(candidate)
        mesh = Piece(step, sum(seconds for task, seconds in done if task == "mesh"))
        if step.startswith("changes"):
            anchor = anchors.setdefault(step, mesh)
            mesh.after = [anchor] if anchor is not mesh else []
        bands = [Piece(step, seconds, [mesh]) for task, seconds in done if task != "mesh"]
        found += [mesh, *bands]
        if step == "candidates":
            lasts.append(bands)
    half = [piece for bands in lasts[: (len(lasts) + 1) // 2] for piece in bands]
    return [Piece("second opinion", opinion_s, half), *found]


def scheduled(pieces: Sequence[Piece], workers: int, barriers: Sequence[Sequence[str]]) -> float:
    """Let workers take pieces in order, those of a later barrier once the earlier are done.

    Returns
    -------
    float
        When the last piece ends, in s.
    """
    waits = {step: number for number, steps in enumerate(barriers) for step in steps}
    for piece in pieces:
        piece.begins_s = piece.ends_s = -1.0
    free = [0.0] * workers
    left, now = list(pieces), 0.0
    running: list[tuple[float, int]] = []
    while left:
        over = {id(piece) for piece in pieces if 0 <= piece.ends_s <= now}
        done_to = next(
            (
                number
                for number, steps in enumerate(barriers)
                if any(piece.step in steps and id(piece) not in over for piece in pieces)
            ),
            len(barriers),
        )
        ready = next(
            (
                piece
                for piece in left
                if all(id(one) in over for one in piece.after)
                and waits.get(piece.step, 0) <= done_to
            ),
            None,
        )
        if ready is None or min(free) > now:
            now = heapq.heappop(running)[0]
            continue
        worker = free.index(min(free))
        ready.begins_s, ready.ends_s = now, now + ready.seconds
        free[worker] = ready.ends_s
        heapq.heappush(running, (ready.ends_s, id(ready)))
        left.remove(ready)
    return max(piece.ends_s for piece in pieces)


def told(title: str, pieces: Sequence[Piece], workers: int, end_s: float) -> None:
    """Print from when to when each step went, and how long workers had nothing to do."""
    print(f"{title}: {end_s:.0f} s")
    for step in dict.fromkeys(piece.step for piece in pieces):
        own = [piece for piece in pieces if piece.step == step]
        began, ended = min(p.begins_s for p in own), max(p.ends_s for p in own)
        worked = sum(max(0.0, min(p.ends_s, ended) - max(p.begins_s, began)) for p in pieces)
        idle = workers * (ended - began) - worked
        print(
            f"  {step:22} {began:6.0f} to {ended:6.0f} s, {sum(p.seconds for p in own):6.0f} s "
            f"of work, workers idle {idle:5.0f} s meanwhile"
        )
    worked = sum(piece.seconds for piece in pieces)
    print(f"  idle in all: {workers * end_s - worked:.0f} s of {workers * end_s:.0f} s")


def main() -> None:
    """Compare the orders for the run that is named."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("run", type=Path)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--opinion-s", type=float, help="instead of what it took in the run")
    given = parser.parse_args()
    record = open_run(given.run).load_record()
    recorded_s = record.timing_s.get("second opinion, summed over workers", 0.0)
    tasks = [(task.candidate, task.task, task.seconds) for task in record.tasks]
    opinions_s = {"as recorded": recorded_s}
    if given.opinion_s is not None:
        opinions_s[f"of {given.opinion_s:g} s"] = given.opinion_s
    for name, opinion_s in opinions_s.items():
        pieces = pieces_of(tasks, opinion_s)
        steps = list(dict.fromkeys(p.step for p in pieces if p.step != "second opinion"))
        one_by_one = scheduled(pieces, given.workers, [[step] for step in steps])
        told(f"one step after the other, second opinion {name}", pieces, given.workers, one_by_one)
        together = scheduled(pieces, given.workers, [steps[:1], steps[1:]])
        told(f"one batch, second opinion {name}", pieces, given.workers, together)
        print(f"ratio {together / one_by_one:.3f}")


if __name__ == "__main__":
    main()
