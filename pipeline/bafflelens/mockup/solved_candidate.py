# SPDX-License-Identifier: GPL-3.0-or-later
"""A solved candidate of a run, by its id, and what moves and absorbs of it."""

from __future__ import annotations

from bafflelens.base.errors import InputError, invalid
from bafflelens.bem.moving_body import MovingBody
from bafflelens.job.job_file import LoadedJob
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.store import RunFolder


def candidate_of(folder: RunFolder, candidate_id: str) -> CandidateResult:
    """Return a solved candidate, or plate, of a run.

    Raises
    ------
    InputError
        If it is not among those that are solved.
    """
    candidates = {candidate.id: candidate for candidate in folder.candidates()}
    solved = [name for name in candidates if folder.has_directivity(name)]
    if candidate_id not in solved:
        rule = "one that the run has solved: " + (", ".join(solved) or "there is none yet")
        raise InputError(invalid("candidate", candidate_id, rule))
    return candidates[candidate_id]


def moving_body_of(loaded: LoadedJob, candidate: CandidateResult) -> MovingBody:
    """Return what a candidate of a job is besides its meshes."""
    shape = loaded.shape_of(candidate.id)
    motions, absorbers = loaded.boundaries.both_of(shape, candidate.values)
    return MovingBody(
        air=loaded.job.air.medium,
        symmetry=shape.symmetry,
        motions=motions,
        absorbers=absorbers,
    )
