# SPDX-License-Identifier: GPL-3.0-or-later
"""The candidates of a directed search, made one after another while others are solved.

Number n follows from the results of the candidates before it but the last few, which count as
open whether they are or not. So it depends on no clock: a run that was killed and resumed, or one
with more workers, makes the same candidates as an undisturbed one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from typing import Final

from bafflelens import store
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.sampling import candidate_id, faults_of, seed_of, settings_of
from bafflelens.job.sources import is_plate
from bafflelens.run.searching.proposing import Tried, propose, seed_of_proposal
from bafflelens.scoring.by_hand import is_by_hand
from bafflelens.scoring.carved import is_carved
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.scoring.score import Score
from bafflelens.store import RunFolder

AT_ONCE: Final = 4
"""Candidates that count as open, where the job does not say how many."""

_OBJECTIVES: Final = {"score": 1, "trade-off": 3}


def proposed_candidates(
    folder: RunFolder, loaded: LoadedJob, say: Callable[[str], None]
) -> Iterator[CandidateResult | None]:
    """Yield the further candidates of a directed search; None while it waits for results.

    Each is in the catalogue before it is yielded. It ends when there are as many as the job
    says, or nothing new is found. Where the job takes a first look at candidates, that is what
    the search goes by.

    Parameters
    ----------
    folder : RunFolder
        The run, whose catalogue says what was tried and what came of it.
    loaded : LoadedJob
        Its job.
    say : callable
        Told if nothing new is found.
    """
    search, settings = loaded.job.search, settings_of(loaded)
    if not search.is_directed or search.candidates is None:
        return
    objectives = _OBJECTIVES[search.aim or "score"]
    at_once = search.at_once or AT_ONCE
    while True:
        baseline, known = _known(folder)
        scores = folder.scores_at(store.FIRST_LOOK) if loaded.job.first_look else {}
        if len(known) >= search.candidates:
            return
        counted = known[: max(len(known) - at_once, 0)]
        if any(c.status == store.WAITING and c.id not in scores for c in (baseline, *counted)):
            yield None
            continue
        values = propose(
            settings,
            [
                *(_tried(c, scores.get(c.id, c.score), objectives) for c in counted),
                *(Tried(values=c.values, is_open=True) for c in known[len(counted) :]),
            ],
            objectives=objectives,
            seed=seed_of_proposal(seed_of(loaded), len(known) + 1),
            is_possible=lambda values: not faults_of(loaded, values),
        )
        if values is None:
            say(f"no new candidate was found after {len(known)}: the ranges are exhausted")
            return
        name = candidate_id(len(known) + 1, search.candidates)
        found = CandidateResult(
            id=name,
            label=loaded.shape_of(name).name,
            is_baseline=False,
            values=values,
            score=None,
            status=store.WAITING,
        )
        folder.add_candidates([found])
        yield found


def still_to_propose(folder: RunFolder, loaded: LoadedJob) -> int:
    """Return how many candidates a directed search has still to make."""
    search = loaded.job.search
    if not search.is_directed or search.candidates is None:
        return 0
    return max(search.candidates - len(_known(folder)[1]), 0)


def _known(folder: RunFolder) -> tuple[CandidateResult, Sequence[CandidateResult]]:
    """Return the baseline, and the candidates that there are, in order."""
    baseline, *others = folder.candidates()
    return baseline, [
        c
        for c in others
        if not (c.is_baseline or is_plate(c.id) or is_carved(c.id) or is_by_hand(c.id))
    ]


def _tried(candidate: CandidateResult, score: Score | None, objectives: int) -> Tried:
    return Tried(values=candidate.values, objectives_db=_objectives_db(score, objectives))


def _objectives_db(score: Score | None, number: int) -> tuple[float, ...] | None:
    """Return what a search makes small; None where the score is not complete."""
    if score is None or not score.is_complete:
        return None
    found = (score.total_db,) if number == 1 else score.objectives.values
    return found if all(math.isfinite(value) for value in found) else None
