# SPDX-License-Identifier: GPL-3.0-or-later
"""The second opinion: another solver on a leading candidate, at one frequency it can afford."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Final

import numpy as np
import xarray as xr

from bafflelens.base.status import Status
from bafflelens.bem.sweep import BandResult
from bafflelens.directivity.direction_set import DirectionSet, directions
from bafflelens.job.solve_costs import band_memory
from bafflelens.mesh.quality import Band, mesh_size
from bafflelens.report.summary import rank_run
from bafflelens.run.state import Run
from bafflelens.run.work_loop import Judge
from bafflelens.scoring.ranking import WARNING, CandidateResult, RankedRow
from bafflelens.shapes.meshing.scripts import packed
from bafflelens.workers.batches import Outcome
from bafflelens.workers.work_units import SolveSettings

ENGINE: Final = "bempp"
QUALITY: Final = "draft"
MESH_NAME: Final = "second opinion mesh"
LARGEST_DIFFERENCE_DB: Final = 0.3

_WIDEST_ANGLE_DEG: Final = 60.0
_LOWEST_LEVEL_DB: Final = -20.0


class SecondOpinion:
    """The second opinion of a run, worked on aside from when a likely leader is known.

    The frequency is the lowest of the score band and the quality is draft: the other engine
    needs minutes where the project's own needs a second. So it is asked for while others are
    meshed and solved, once half the candidates have a score, and read in the end. The verdict
    is about the engines on shapes like these; it says which shape it was, and if another came
    to be the best.

    Parameters
    ----------
    run : Run
        The run.
    """

    def __init__(self, run: Run) -> None:
        solve, plan = run.loaded.job.solve, run.plan
        self._is_wanted = solve.second_opinion and solve.engine != ENGINE
        self._enough = ((plan.n_promoted if plan.look else plan.n_shapes) + 1) // 2
        self._n_scored = 0
        self._asked_on: CandidateResult | None = None

    def judging(self, judge: Judge) -> Judge:
        """Return a judge who asks for the opinion, too, once enough were judged."""

        def judged(run: Run, candidate: CandidateResult, dataset: xr.Dataset) -> str:
            conclusion = judge(run, candidate, dataset)
            self._n_scored += 1
            clock = run.clock
            if self._n_scored >= self._enough and clock.left_s > clock.opinion_s + clock.report_s:
                self.ask(run)
            return conclusion

        return judged

    @property
    def is_asked(self) -> bool:
        """Whether it is worked on, or has come."""
        return self._asked_on is not None

    def ask(self, run: Run) -> None:
        """Have both engines solve the best candidate so far, unless that was done before."""
        if not self._is_wanted or self._asked_on is not None:
            return
        best = _best(rank_run(run.folder))
        if best is None:
            return
        self._asked_on = best
        run.progress.say(f"second opinion on {best.id}, while other work goes on")
        _ask(run, best)

    def take(self, run: Run) -> None:
        """Wait for the opinion that was asked for, and note it."""
        asked_on = self._asked_on
        if asked_on is None:
            return
        opinion = _verdict(run, asked_on)
        candidates = {candidate.id: candidate for candidate in run.folder.candidates()}
        best = _best(rank_run(run.folder))
        if best is not None and best.id != asked_on.id:
            opinion += f" ({asked_on.id} was the best when it was asked for; {best.id} is now)"
        run.journal.set_second_opinion(opinion)
        for candidate in candidates.values():
            _note(run, candidate, opinion if candidate.id == asked_on.id else "")
        run.progress.say(f"second opinion: {opinion}")


def _best(rows: Sequence[RankedRow]) -> CandidateResult | None:
    ranked = (row.candidate for row in rows if row.status == Status.RANKED)
    return next((candidate for candidate in ranked if not candidate.is_baseline), None)


def _note(run: Run, candidate: CandidateResult, opinion: str) -> None:
    """Let the reasons of a candidate hold what an opinion warns of, nothing of earlier ones."""
    begin = f"{WARNING}second opinion"
    reasons = [reason for reason in candidate.reasons if not reason.startswith(begin)]
    if opinion.startswith(WARNING):
        reasons.append(f"{begin}: {opinion.removeprefix(WARNING)}")
    if reasons != list(candidate.reasons):
        run.folder.update_candidate(
            candidate.id, status=candidate.status, score=candidate.score, reasons=reasons
        )


def _frequency_hz(run: Run) -> float:
    job = run.loaded.job
    return min(f for f in job.frequencies.frequencies_hz if f >= 0.99 * job.score.from_hz)


def _engines(run: Run) -> tuple[str, str]:
    return run.loaded.job.solve.engine, ENGINE


def _ask(run: Run, best: CandidateResult) -> None:
    job = run.loaded.job
    shape, air, frequency_hz = run.shape_of(best), job.air.medium, _frequency_hz(run)
    meshes = run.pool.mesh(
        MESH_NAME,
        run.methods,
        packed(shape),
        dict(best.values),
        [mesh_size(QUALITY, frequency_hz, air)],
        job.solve.mesh_time_limit_s,
        aside=True,
    )

    def memory(engine: str) -> float:
        unknowns = meshes.meshes[0].n_triangles if meshes.meshes else 0
        return band_memory(unknowns, len(shape.symmetry), engine)

    for engine in _engines(run):
        settings = SolveSettings(
            motions=run.loaded.boundaries.motions_of(shape, best.values),
            air=air,
            symmetry=shape.symmetry,
            engine=engine,
            quality=QUALITY,
        )
        band = Band(frequencies_hz=(frequency_hz,), mesh_frequency_hz=frequency_hz)
        run.pool.solve_band(
            f"second opinion, {engine}",
            run.methods,
            meshes,
            0,
            band,
            settings,
            memory=partial(memory, engine),
            aside=True,
        )


def _verdict(run: Run, asked_on: CandidateResult) -> str:
    """Return a sentence, which begins with "Warning" if there is reason to doubt the results."""
    found = run.pool.outcomes_aside(is_over=lambda: run.clock.is_up)
    names = [f"second opinion, {engine}" for engine in _engines(run)]
    if not found.keys() >= set(names):
        return "Warning: no second opinion, no time left"
    for outcome in found.values():
        if not outcome.error:
            run.journal.add_time("second opinion, summed over workers", outcome.value.seconds)
    covered = run.loaded.boundaries.absorbers_of(run.shape_of(asked_on), asked_on.values)
    rigid = ", felt taken as rigid" if covered else ""
    frequency = f"{_frequency_hz(run):.0f} Hz"
    subject = f"{ENGINE} on the same {QUALITY} mesh of {asked_on.id} at {frequency}{rigid}"
    problem = _problem_of(found)
    if problem:
        return f"Warning: no second opinion, {subject} failed: {problem}"
    results: list[BandResult] = [found[name].value.value for name in names]
    difference_db = largest_difference_db(results[0], results[1], directions())
    verdict = (
        f"{subject} ({results[0].outcomes[0].unknowns} unknowns here): at most "
        f"{difference_db:.2f} dB apart within {_WIDEST_ANGLE_DEG:g} degrees on both orbits"
    )
    if not difference_db <= LARGEST_DIFFERENCE_DB:
        return f"Warning: {verdict}, more than the {LARGEST_DIFFERENCE_DB:g} dB expected"
    return verdict


def largest_difference_db(
    one: BandResult, other: BandResult, direction_set: DirectionSet
) -> float:
    """Return the largest difference in level on both orbits near the axis, in dB.

    Parameters
    ----------
    one, other : BandResult
        The same frequency from two engines.
    direction_set : DirectionSet
        Their directions; those within 60 degrees of the axis on an orbit count, where the level
        is within 20 dB of the maximum.
    """
    azimuth, elevation = direction_set.azimuth_deg, direction_set.elevation_deg
    horizontal = (elevation == 0) & (np.abs(azimuth) <= _WIDEST_ANGLE_DEG)
    vertical = (azimuth == 0) & (np.abs(elevation) <= _WIDEST_ANGLE_DEG)
    levels = [
        20 * np.log10(np.abs(result.far_field[:, 0, horizontal | vertical]))
        for result in (one, other)
    ]
    counts = levels[0] > levels[0].max(axis=-1, keepdims=True) + _LOWEST_LEVEL_DB
    return float(np.abs(levels[0] - levels[1])[counts].max())


def _problem_of(outcomes: dict[str, Outcome]) -> str:
    """Return why there is nothing to compare, empty if there is."""
    for outcome in outcomes.values():
        if outcome.error:
            return outcome.error
    for engine in (name for name in outcomes if name != MESH_NAME):
        result: BandResult = outcomes[engine].value.value
        if result.outcomes[0].status != Status.SOLVED:
            return result.outcomes[0].reason
    return ""
