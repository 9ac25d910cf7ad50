# SPDX-License-Identifier: GPL-3.0-or-later
"""Several runs in one ranking, judged alike."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.progress import Progress
from bafflelens.job.dimensions import dimensions_in
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.sampling import BASELINE_ID
from bafflelens.report.summary import candidates_of, lore_of, remeshing_of
from bafflelens.scoring.ranking import CandidateResult, RankedRow, Remeshing, rank
from bafflelens.scoring.score import TERM_NAMES, score
from bafflelens.store import RunFolder
from bafflelens.store.system_response import played


@dataclass(frozen=True, kw_only=True)
class JointRanking:
    """The candidates of several runs in order.

    Attributes
    ----------
    rows : tuple of RankedRow
        The ranking. An id is the name of the run, a slash, and the candidate's own id.
    remeshing : Remeshing
        Of the runs' smallest differences that mean anything, the largest.
    origin : mapping of str to (RunFolder, str)
        The run and the candidate's own id, by the id in the ranking.
    """

    rows: tuple[RankedRow, ...]
    remeshing: Remeshing
    origin: Mapping[str, tuple[RunFolder, str]]


def rank_together(folders: Sequence[RunFolder], progress: Progress) -> JointRanking:
    """Return one ranking of several runs, all judged by the job of the first.

    Target, weights and tolerances are those of the first run. A run that was judged otherwise is
    judged anew from what was solved, without solving anything; the scores that it keeps stay as
    they are. Sensitivity is compared with each run's own baseline, and *better by* with that of
    the first. A candidate in which a term could not be judged that was in others, for its
    frequencies are too few for instance, has no place: it would be the better for it.

    Parameters
    ----------
    folders : sequence of RunFolder
        The runs.
    progress : Progress
        Who is told.

    Raises
    ------
    InputError
        If two runs have the same name.
    """
    names = [folder.name for folder in folders]
    doubled = [name for name, count in Counter(names).items() if count > 1]
    if doubled:
        raise InputError(invalid("run folder", doubled[0], "named once; each run counts once"))
    judge = folders[0].load_job()
    entries: list[CandidateResult] = []
    origin: dict[str, tuple[RunFolder, str]] = {}
    for folder in folders:
        for candidate in _judged(folder, judge, progress):
            joint_id = f"{folder.name}/{candidate.id}"
            entries.append(replace(candidate, id=joint_id))
            origin[joint_id] = (folder, candidate.id)
    found = [remeshing_of(folder) for folder in folders]
    remeshing = max(found, key=lambda remeshing: remeshing.smallest_difference_db)
    with_lore = {
        folder.name: lore_of(folder, folder.load_record(with_tasks=False)) for folder in folders
    }
    dimensions = {folder.name: dimensions_in(folder.load_job()) for folder in folders}
    rows = []
    for row in rank(_comparable(entries), remeshing.smallest_difference_db):
        folder, own_id = origin[row.candidate.id]
        row = with_lore[folder.name](row, replace(row.candidate, id=own_id))
        resolved = dimensions[folder.name](own_id, row.candidate.values)
        rows.append(replace(row, resolved=resolved))
    return JointRanking(rows=tuple(rows), remeshing=remeshing, origin=origin)


def _comparable(candidates: Sequence[CandidateResult]) -> list[CandidateResult]:
    """Return the candidates; one that lacks a term that others have gets a gap for it."""
    judged = {
        term.label
        for candidate in candidates
        for term in (candidate.score.terms if candidate.score else ())
        if term.is_judged
    }

    def with_gaps(candidate: CandidateResult) -> CandidateResult:
        if candidate.score is None:
            return candidate
        gaps = tuple(
            f"{term.label} is {term.note}, but was judged in other runs"
            for term in candidate.score.terms
            if not term.is_judged and term.label in judged
        )
        found = replace(candidate.score, gaps=candidate.score.gaps + gaps)
        return replace(candidate, score=found)

    return [with_gaps(candidate) for candidate in candidates]


def _judged(
    folder: RunFolder, judge: LoadedJob, progress: Progress
) -> tuple[CandidateResult, ...]:
    """Return a run's candidates with scores by the judging job."""
    candidates = tuple(candidates_of(folder))
    own = folder.load_job()
    if _judges_alike(own, judge) and all(_is_up_to_date(candidate) for candidate in candidates):
        return candidates
    solved = [c for c in candidates if c.score is not None and folder.has_directivity(c.id)]
    progress.say(f"judging {folder.name} anew by the job of the first run")
    target = judge.job.target.target(judge.job.room.room)
    settings, baseline = judge.job.score.settings, None
    if folder.has_directivity(BASELINE_ID):
        baseline = played(folder, own, folder.load_directivity(BASELINE_ID))
    scores = {}
    with progress.bar(len(solved), "judging") as advance:
        for candidate in solved:
            dataset = played(folder, own, folder.load_directivity(candidate.id))
            scores[candidate.id] = score(dataset, target, settings, baseline)
            advance(1.0)
    return tuple(replace(c, score=scores.get(c.id, c.score)) for c in candidates)


def _judges_alike(own: LoadedJob, judge: LoadedJob) -> bool:
    """Return whether two jobs ask for the same and weigh it alike."""
    targets = [job.target.target(job.room.room) for job in (own.job, judge.job)]
    return targets[0] == targets[1] and own.job.score.settings == judge.job.score.settings


def _is_up_to_date(candidate: CandidateResult) -> bool:
    """Return whether a score has the terms of today; older runs know fewer."""
    if candidate.score is None:
        return True
    return tuple(term.name for term in candidate.score.terms) == TERM_NAMES
