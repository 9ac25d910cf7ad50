# SPDX-License-Identifier: GPL-3.0-or-later
"""Stages of fidelity: many candidates as drafts, the promising in full, the best once more.

The rule that promotes is `bafflelens.job.fidelity.promoted`; what it costs is measured by
``tests/benchmarks/promotion.py``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import xarray as xr

from bafflelens import store
from bafflelens.base.errors import InputError
from bafflelens.base.status import Status
from bafflelens.job.cost_estimate import Plan, band_mesh_sizes
from bafflelens.job.fidelity import finals_job, look_job, promoted
from bafflelens.job.sampling import BASELINE_ID
from bafflelens.job.search_sections import FirstLookSection
from bafflelens.job.sources import is_plate
from bafflelens.run.judging import judge_when_possible, members_judged, score_of
from bafflelens.run.searching.ahead import still_to_propose
from bafflelens.run.solving import Aside, proposed, solve_aside, solve_candidates
from bafflelens.run.state import FINAL_SUFFIX, LOOK_SUFFIX, Run
from bafflelens.run.work_loop import Judge, Wanted, WorkLoop
from bafflelens.scoring.by_hand import is_by_hand
from bafflelens.scoring.carved import is_carved
from bafflelens.scoring.ranking import CandidateResult, RankedRow
from bafflelens.scoring.score import Score
from bafflelens.store.system_response import played


def solve_in_stages(run: Run, judge: Judge = judge_when_possible) -> None:
    """Solve all candidates of a run; where its job takes a first look, only the promising.

    ``judge`` takes those that are solved in full.
    """
    section, plan = run.loaded.job.first_look, run.plan.look
    if section is None or plan is None:
        solve_candidates(run, judge=judge)
        return
    if run.loaded.loudspeaker.plates:
        solve_candidates(run, only=())  # a draft is judged as it plays, too
    look_at_candidates(run, section, plan)
    solve_candidates(run, only=promote(run, section), judge=judge)


def look_at_candidates(run: Run, section: FirstLookSection, plan: Plan) -> None:
    """Solve every candidate as a draft and score it so, beside the baseline's draft."""
    draft = replace(run, loaded=look_job(run.loaded), plan=plan, played={}, baseline_members=[])
    known = [
        candidate
        for candidate in run.folder.candidates()
        if candidate.id == BASELINE_ID
        or not (
            candidate.is_baseline
            or is_plate(candidate.id)
            or is_carved(candidate.id)
            or is_by_hand(candidate.id)
        )
    ]
    baseline_look = f"{BASELINE_ID}{LOOK_SUFFIX}"
    if run.folder.has_directivity(baseline_look):
        _take_as_baseline(draft, run.folder.load_directivity(baseline_look))
    scores = run.folder.scores_at(store.FIRST_LOOK)
    missing: list[Wanted] = []
    for position, candidate in enumerate(known):
        look = _as_look(candidate)
        if not run.folder.has_directivity(look.id):
            missing.append(Wanted(look, position))
        elif candidate.id not in scores:  # it was stopped in between
            _judge_look(draft, look, run.folder.load_directivity(look.id))

    def ahead() -> Iterator[Wanted | None]:
        yield from missing
        for wanted in proposed(draft):
            if wanted is None:
                yield None
            else:
                yield wanted._replace(candidate=_as_look(wanted.candidate))

    def then_s() -> float:
        kept = section.keep_pct / 100 * run.folder.count_at(store.FIRST_LOOK)
        return (kept + 1) * run.clock.shape_s + run.clock.later_s

    number = len(missing) + still_to_propose(run.folder, run.loaded)
    WorkLoop(draft, ahead(), number * plan.work_seconds, then_s, _judge_look).work()
    _judge_again(draft)


def promote(run: Run, section: FirstLookSection) -> tuple[str, ...]:
    """Return the candidates that are worth solving in full, the best first, and say so."""
    looks = run.folder.scores_at(store.FIRST_LOOK)
    scores_db = {
        name: look.total_db
        for name, look in looks.items()
        if look.is_complete and name != BASELINE_ID
    }
    chosen = promoted(scores_db, section.keep_pct, section.margin_db)
    text = (
        "first look: time ran out before any candidate was solved"
        if not scores_db
        else f"first look: {len(chosen)} of {len(scores_db)} candidates are promising: the best "
        f"{section.keep_pct:g} per cent, and all within {section.margin_db:g} dB of the last of "
        "these"
    )
    is_waiting = {c.id: c.status == store.WAITING for c in run.folder.candidates()}
    for name in looks:
        if name == BASELINE_ID or run.folder.has_directivity(name):
            continue
        if name in chosen:
            run.folder.update_candidate(name, status=store.WAITING)
        elif is_waiting.get(name):  # it was stopped in between, or was promising in a smaller run
            run.folder.update_candidate(name, status=store.LOOKED_AT)
    run.progress.say(text)
    if text not in run.journal.record.remarks:
        run.journal.add_remark(text)
    return chosen


def solve_finalists(run: Run, rows: Sequence[RankedRow]) -> None:
    """Solve the best of a ranking at a better quality, and enter their scores there."""
    ranked = [row.candidate for row in rows if row.status == Status.RANKED]
    count = run.loaded.job.finalists.count
    finalists = [c for c in ranked if not c.is_baseline][:count]
    if run.plan.finals is None or not finalists:
        return
    quality = run.loaded.job.finalists.better_quality
    run.progress.say(f"{', '.join(c.id for c in finalists)}: once more at quality {quality}")
    finals = replace(
        run,
        loaded=finals_job(run.loaded),
        plan=run.plan.finals,
        played={},
        baseline_members=[],
    )
    sizes = band_mesh_sizes(finals.loaded, finals.plan.bands)
    baseline = next(c for c in run.folder.candidates() if c.id == BASELINE_ID)
    shapes = [replace(c, id=f"{c.id}{FINAL_SUFFIX}") for c in (baseline, *finalists)]

    def conclude(found: dict[str, xr.Dataset]) -> None:
        if shapes[0].id not in found:
            remark = "finalists are not judged: the baseline was not solved beside them"
            run.journal.add_remark(remark)
            return
        _take_as_baseline(finals, found[shapes[0].id])
        for shape, candidate in zip(shapes, (baseline, *finalists), strict=True):
            if shape.id in found:
                final = _score(finals, candidate, found[shape.id])
                run.folder.enter_stage(candidate.id, store.FINALS, final)

    with_sizes = [(shape, sizes) for shape in shapes]
    solve_aside(finals, Aside(run=finals, shapes=with_sizes, conclude=conclude))


def _as_look(candidate: CandidateResult) -> CandidateResult:
    return replace(candidate, id=f"{candidate.id}{LOOK_SUFFIX}")


def _take_as_baseline(run: Run, dataset: xr.Dataset) -> None:
    """Let scores be relative to the baseline as it was solved at this stage."""
    run.played[BASELINE_ID] = played(run.folder, run.loaded, dataset)
    if run.loaded.job.score.domes != "rigid":
        run.baseline_members[:] = members_judged(run, dataset)


def _score(run: Run, candidate: CandidateResult, dataset: xr.Dataset) -> Score:
    return score_of(run, dataset, is_baseline=candidate.id == BASELINE_ID)


def _judge_look(run: Run, look: CandidateResult, dataset: xr.Dataset) -> str:
    """Score a first look at a candidate."""
    name = look.id.removesuffix(LOOK_SUFFIX)
    candidate = replace(look, id=name)
    if name == BASELINE_ID:
        _take_as_baseline(run, dataset)
    try:
        found = _score(run, candidate, dataset)
    except InputError as error:
        run.folder.update_candidate(name, status=store.FAILED, reasons=[f"first look: {error}"])
        return f"{name} failed: {error}"
    run.folder.enter_stage(name, store.FIRST_LOOK, found)
    if name == BASELINE_ID:
        _judge_again(run)
    elif not run.folder.has_directivity(name):
        run.folder.update_candidate(name, status=store.LOOKED_AT)
    return f"{name} looked at, score {found.total_db:.2f} dB as a draft"


def _judge_again(run: Run) -> None:
    """Score the looks again that came before the baseline's."""
    for name, look in run.folder.scores_at(store.FIRST_LOOK).items():
        if name != BASELINE_ID and any(not term.is_judged for term in look.terms):
            dataset = run.folder.load_directivity(f"{name}{LOOK_SUFFIX}")
            found = score_of(run, dataset)
            run.folder.enter_stage(name, store.FIRST_LOOK, found)
