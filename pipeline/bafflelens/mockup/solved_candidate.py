# SPDX-License-Identifier: GPL-3.0-or-later
"""A solved candidate of a run, by its id."""

from __future__ import annotations

from bafflelens.base.errors import InputError, invalid
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
