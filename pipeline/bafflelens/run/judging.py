# SPDX-License-Identifier: GPL-3.0-or-later
"""Score what was solved of a candidate as it plays, against the baseline of its run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import xarray as xr

from bafflelens import store
from bafflelens.base.errors import InputError
from bafflelens.base.parameter_words import change_called
from bafflelens.directivity.dome_mixtures import has_profiles, without_profiles
from bafflelens.directivity.interpolated import interpolation_warning, shown
from bafflelens.job.sampling import BASELINE_ID
from bafflelens.job.sources import is_plate
from bafflelens.mesh.thin_gaps import warnings_of
from bafflelens.run.state import LOOK_SUFFIX, Run
from bafflelens.scoring.criteria import needed_directions
from bafflelens.scoring.dome_family import DomeScores, following, octave_settings
from bafflelens.scoring.ranking import WARNING, CandidateResult
from bafflelens.scoring.score import AGAINST_BASELINE, Score, ScoreSettings, score
from bafflelens.scoring.target import Target
from bafflelens.store import TaskRecord
from bafflelens.store.system_response import members_played, missing_plates, played
from bafflelens.workers.batches import Outcome


def score_of(run: Run, dataset: xr.Dataset, *, is_baseline: bool = False) -> Score:
    """Return the score of a dataset as it plays by the run's job, against the run's baseline.

    It follows the family of the domes' motions where the job says so and profiles were solved.

    Raises
    ------
    InputError
        If it cannot be played, for want of a plate for instance.
    """
    found = _rigid_score(run, dataset, is_baseline)
    follow = run.loaded.job.score.domes
    domes = None if follow == "rigid" else scores_of_domes(run, dataset, found, is_baseline)
    return found if domes is None else following(found, domes, follow)


def _rigid_score(run: Run, dataset: xr.Dataset, is_baseline: bool) -> Score:
    job, baseline = run.loaded.job, None
    dataset = played(run.folder, run.loaded, dataset)
    if is_baseline:
        baseline = dataset
    elif BASELINE_ID in run.played:
        baseline = run.played[BASELINE_ID]
    elif run.folder.has_directivity(BASELINE_ID):
        solved = run.folder.load_directivity(BASELINE_ID)
        baseline = run.played[BASELINE_ID] = played(run.folder, run.loaded, solved)
    return score(dataset, job.target.target(job.room.room), job.score.settings, baseline)


def scores_of_domes(
    run: Run, dataset: xr.Dataset, rigid: Score, is_baseline: bool
) -> DomeScores | None:
    """Return the scores over the family, each member against the baseline with the same motion.

    None where no profiles were solved, or the band is not complete.
    """
    job = run.loaded.job
    if not has_profiles(dataset) or not rigid.is_complete:
        return None
    target, settings = job.target.target(job.room.room), job.score.settings
    members = members_judged(run, dataset)
    if not is_baseline and not run.baseline_members and run.folder.has_directivity(BASELINE_ID):
        run.baseline_members[:] = members_judged(run, run.folder.load_directivity(BASELINE_ID))
    baselines: Sequence[xr.Dataset | None] = members if is_baseline else run.baseline_members
    baselines = baselines or [None] * len(members)
    pairs = list(zip(members, baselines, strict=True))
    totals = [score(one, target, settings, baseline).total_db for one, baseline in pairs]
    order = np.argsort(totals)
    octaves = []
    for middle, alone in octave_settings(settings):
        worst, best = (score(*_with(pairs[order[n]], target, alone)).total_db for n in (-1, 0))
        octaves.append((middle, float(worst - best)))
    return DomeScores(
        rigid_db=rigid.total_db, members_db=tuple(map(float, totals)), octaves=tuple(octaves)
    )


def members_judged(run: Run, dataset: xr.Dataset) -> list[xr.Dataset]:
    """Return a dataset as it plays with each motion of its domes, where scores look.

    Empty where no profiles were solved.
    """
    if not has_profiles(dataset):
        return []
    target = run.loaded.job.target.target(run.loaded.job.room.room)
    needed = needed_directions(shown(without_profiles(dataset)), target)
    return list(members_played(run.folder, run.loaded, dataset, needed))


def _with(
    pair: tuple[xr.Dataset, xr.Dataset | None], target: Target, settings: ScoreSettings
) -> tuple[xr.Dataset, Target, ScoreSettings, xr.Dataset | None]:
    return pair[0], target, settings, pair[1]


def complete_scores(run: Run, waiting: set[str]) -> None:
    """Judge those that waited for a driver's plate, or were done before the baseline."""
    for candidate in run.folder.candidates():
        waited = candidate.status == store.WAITING or candidate.id in waiting
        if waited and run.folder.has_directivity(candidate.id):
            run.folder.log(judge_solved(run, candidate, run.folder.load_directivity(candidate.id)))
    if run.folder.has_directivity(BASELINE_ID):
        _compare_with_baseline(run)


def _compare_with_baseline(run: Run) -> None:
    """Judge again those that were solved before the baseline."""
    for candidate in run.folder.candidates():
        terms = candidate.score.terms if candidate.score else ()
        if any(term.name in AGAINST_BASELINE and not term.is_judged for term in terms):
            judge_solved(run, candidate, run.folder.load_directivity(candidate.id))


def judge_when_possible(run: Run, candidate: CandidateResult, dataset: xr.Dataset) -> str:
    """Judge a candidate, unless it waits for a driver's plate."""
    missing = missing_plates(run.folder, run.loaded)
    if missing and not is_plate(candidate.id):
        return f"{candidate.id} solved, to be judged when {', '.join(missing)} is solved"
    conclusion = judge_solved(run, candidate, dataset)
    if candidate.id == BASELINE_ID:  # a directed search goes on from complete scores
        _compare_with_baseline(run)
    return conclusion


def judge_solved(run: Run, candidate: CandidateResult, dataset: xr.Dataset) -> str:
    """Score a complete candidate as it plays; a plate is only noted as solved."""
    if is_plate(candidate.id):
        run.folder.update_candidate(candidate.id, status=store.SOLVED)
        return f"{change_called(candidate.id)} solved"
    try:
        is_baseline = candidate.id == BASELINE_ID
        found = _rigid_score(run, dataset, is_baseline)
        domes = scores_of_domes(run, dataset, found, is_baseline)
    except InputError as error:
        failure = Outcome(name="score", value=None, error=str(error))
        return fail(run, candidate, {"score": failure})
    if domes is not None:
        run.folder.enter_domes(candidate.id, domes)
        found = following(found, domes, run.loaded.job.score.domes)
    if run.journal.has_task(candidate.id, "score"):
        record = TaskRecord(candidate=candidate.id, task="score", status=store.DONE, seconds=0.0)
        run.journal.add_task(record)  # it failed before, for want of a plate
    failed = dataset.isel(frequency=dataset["status"].values == store.FAILED)
    reasons = [
        f"{frequency:.0f} Hz failed: {reason or 'no reason recorded'}"
        for frequency, reason in zip(
            failed["frequency"].values, failed["reason"].values, strict=True
        )
    ]
    doubt = interpolation_warning(dataset)
    reasons += [f"{WARNING}{doubt}"] if doubt else []
    narrow = warnings_of(run.folder.load_mesh(candidate.id), run.shape_of(candidate).symmetry)
    reasons += [f"{WARNING}{text}" for text in narrow]
    run.folder.update_candidate(candidate.id, status=store.SOLVED, score=found, reasons=reasons)
    return "; ".join([f"{candidate.id} solved, score {found.total_db:.2f} dB", *reasons])


def fail(run: Run, candidate: CandidateResult, failures: Mapping[str, Outcome]) -> str:
    """Record why a candidate failed."""
    for name, outcome in failures.items():
        record = TaskRecord(
            candidate=candidate.id,
            task=name,
            status=store.FAILED,
            seconds=0.0,
            reason=outcome.error,
        )
        run.journal.add_task(record, outcome.detail)
    reasons = [f"{name}: {outcome.error}" for name, outcome in failures.items()]
    run.folder.update_candidate(
        candidate.id.removesuffix(LOOK_SUFFIX), status=store.FAILED, reasons=reasons
    )
    return f"{candidate.id} failed: {'; '.join(reasons)}"
