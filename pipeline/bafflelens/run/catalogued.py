# SPDX-License-Identifier: GPL-3.0-or-later
"""The candidates of a run as its catalogue lists them."""

from __future__ import annotations

from bafflelens import store
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.sampling import Candidate, Sampling
from bafflelens.job.sources import is_plate
from bafflelens.run.searching.ahead import still_to_propose
from bafflelens.scoring.by_hand import is_by_hand
from bafflelens.scoring.carved import is_carved
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.scoring.references import reference_name
from bafflelens.store import RunFolder


def catalogue_entries(loaded: LoadedJob, sampling: Sampling) -> list[CandidateResult]:
    """Return the entries of the catalogue before anything is solved: plates after the baseline."""
    entries = [
        CandidateResult(
            id=candidate.id,
            label=reference_name(candidate.id) or loaded.shape_of(candidate.id).name,
            is_baseline=candidate.is_baseline,
            values=candidate.values,
            score=None,
            status=store.WAITING,
        )
        for candidate in sampling.everything
    ]
    plates = [
        CandidateResult(
            id=plate.id,
            label=plate.shape.name,
            is_baseline=False,
            values=plate.values,
            score=None,
            status=store.WAITING,
        )
        for plate in loaded.plates
    ]
    return [*entries[:1], *plates, *entries[1:]]


def sampling_of(folder: RunFolder, loaded: LoadedJob) -> Sampling:
    """Return the candidates of a run as they were drawn when it began."""
    found = [
        c
        for c in folder.candidates()
        if not (is_plate(c.id) or is_carved(c.id) or is_by_hand(c.id))
    ]
    drawn = {
        is_baseline: tuple(
            Candidate(id=entry.id, values=dict(entry.values))
            for entry in found
            if entry.is_baseline == is_baseline
        )
        for is_baseline in (True, False)
    }
    baseline, *references = drawn[True]
    return Sampling(
        baseline=baseline,
        candidates=drawn[False],
        references=tuple(references),
        proposed=still_to_propose(folder, loaded),
    )
