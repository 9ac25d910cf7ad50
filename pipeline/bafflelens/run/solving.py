# SPDX-License-Identifier: GPL-3.0-or-later
"""Mesh and solve every candidate that is not complete yet, on the workers, and score each."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, count

import xarray as xr

from bafflelens.base.parameter_words import change_called
from bafflelens.job.sources import is_plate
from bafflelens.mesh.quality import MeshSize
from bafflelens.run.judging import complete_scores, judge_solved, judge_when_possible
from bafflelens.run.searching.ahead import proposed_candidates, still_to_propose
from bafflelens.run.state import Run
from bafflelens.run.work_loop import Judge, Wanted, WorkLoop
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.store.system_response import missing_plates


def solve_candidates(
    run: Run, only: Sequence[str] | None = None, judge: Judge = judge_when_possible
) -> None:
    """Mesh and solve whatever is missing; a candidate that fails is recorded, the run goes on.

    Parameters
    ----------
    run : Run
        The run.
    only : sequence of str, optional
        Ids of the candidates that are to be solved, in this order, after baseline, plates and
        references; all of them by default.
    judge : callable
        Takes what was solved of a candidate, and says in one line what it is.
    """
    missing: list[Wanted] = []
    waiting: set[str] = set()  # for the plate that a driver was measured in
    for position, candidate in enumerate(_chosen(run, only)):
        if not run.folder.has_directivity(candidate.id):
            missing.append(Wanted(candidate, position))
        elif is_plate(candidate.id) or missing_plates(run.folder, run.loaded):
            waiting.add(candidate.id)
        elif candidate.score is None:  # it was stopped in between
            judge_solved(run, candidate, run.folder.load_directivity(candidate.id))
    ahead: Iterator[Wanted | None] = iter(missing)
    number = len(missing)
    if only is None:
        ahead = chain(ahead, proposed(run))
        number += still_to_propose(run.folder, run.loaded)
    planned_s = number * run.plan.work_seconds
    WorkLoop(run, ahead, planned_s, lambda: run.clock.later_s, judge).work()
    complete_scores(run, waiting)


def _chosen(run: Run, only: Sequence[str] | None) -> Sequence[CandidateResult]:
    """Return what is to be solved of the catalogue, in this order."""
    everything = run.folder.candidates()
    if only is None:
        return everything
    known = {candidate.id: candidate for candidate in everything}
    besides = [c for c in everything if c.is_baseline or is_plate(c.id)]
    return [*besides, *(known[name] for name in only)]


def proposed(run: Run) -> Iterator[Wanted | None]:
    """Yield what a directed search wants solved next; None while it waits for results."""
    place = count(len(run.folder.candidates()))
    for candidate in proposed_candidates(run.folder, run.loaded, run.journal.add_remark):
        yield None if candidate is None else Wanted(candidate, next(place))


@dataclass(frozen=True, kw_only=True)
class Aside:
    """Shapes that are no candidates of a run, and what follows from them.

    Attributes
    ----------
    run : Run
        The run, with the job that they are solved by.
    shapes : sequence of (CandidateResult, sequence of MeshSize)
        Each under an id of its own, with the mesh rule of every band.
    conclude : callable
        Takes the directivity of each by its id; what failed is left out.
    moved_from : mapping of str to float or None
        Values of the shape whose meshes are moved onto all of them where that does no harm.
    """

    run: Run
    shapes: Sequence[tuple[CandidateResult, Sequence[MeshSize]]]
    conclude: Callable[[dict[str, xr.Dataset]], None]
    moved_from: Mapping[str, float] | None = None

    @property
    def wanted(self) -> Iterator[Wanted]:
        """What is not solved yet, each in the first place."""
        for shape, sizes in self.shapes:
            if not self.run.folder.has_directivity(shape.id):
                yield Wanted(shape, 0, sizes, self.moved_from, self.run)

    @property
    def found(self) -> dict[str, xr.Dataset]:
        """Directivity by id of all that is solved."""
        folder = self.run.folder
        ids = [shape.id for shape, _ in self.shapes]
        return {
            name: folder.load_directivity(name) for name in ids if folder.has_directivity(name)
        }


def solve_aside(run: Run, *asides: Aside) -> None:
    """Mesh and solve shapes that are no candidates, all of them together, and conclude.

    What was done before is kept, what fails is recorded. The shapes go to the workers in the
    order in which they are given, so those that take longest had better come first; then none
    of the workers waits for the last shape of one before the next is begun.

    Parameters
    ----------
    run : Run
        The run.
    *asides : Aside
        The shapes; they are concluded in this order.
    """
    wanted = [one for aside in asides for one in aside.wanted]
    missing = [one._replace(position=position) for position, one in enumerate(wanted)]
    planned_s = sum(aside.run.plan.work_seconds for aside in asides for _ in aside.wanted)
    WorkLoop(run, iter(missing), planned_s, lambda: run.clock.report_s, _only_kept).work()
    for aside in asides:
        aside.conclude(aside.found)


def _only_kept(run: Run, candidate: CandidateResult, dataset: xr.Dataset) -> str:
    """Leave it to others to judge a shape that is no candidate of the run."""
    return f"{change_called(candidate.id)} solved"
