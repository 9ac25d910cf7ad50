# SPDX-License-Identifier: GPL-3.0-or-later
"""The second opinion: another solver on the best candidate, at one frequency it can afford."""

from __future__ import annotations

from typing import Final

import numpy as np

from bafflelens.base.status import Status
from bafflelens.bem.sweep import BandResult
from bafflelens.directivity.far_field_data import DirectionSet, directions
from bafflelens.mesh.quality import Band, mesh_size
from bafflelens.run.state import Run
from bafflelens.scoring.ranking import WARNING, CandidateResult, RankedRow
from bafflelens.shapes.meshing.scripts import packed
from bafflelens.workers.batches import Outcome
from bafflelens.workers.work_units import SolveSettings

ENGINE: Final = "bempp"
QUALITY: Final = "draft"
LARGEST_DIFFERENCE_DB: Final = 0.3

_WIDEST_ANGLE_DEG: Final = 60.0
_LOWEST_LEVEL_DB: Final = -20.0


def ask_second_opinion(run: Run, rows: tuple[RankedRow, ...]) -> None:
    """Solve the best candidate with both engines on one mesh and note how far they differ.

    The frequency is the lowest of the score band and the quality is draft: the other engine
    needs minutes where the project's own needs a second.

    Parameters
    ----------
    run : Run
        The run.
    rows : tuple of RankedRow
        Its ranking.
    """
    job = run.loaded.job
    ranked = [row.candidate for row in rows if row.status == Status.RANKED]
    best = next((candidate for candidate in ranked if not candidate.is_baseline), None)
    if not job.solve.second_opinion or job.solve.engine == ENGINE or best is None:
        return
    run.progress.say(f"second opinion on {best.id}")
    opinion = _opinion_on(run, best)
    run.journal.set_second_opinion(opinion)
    others = [
        reason for reason in best.reasons if not reason.startswith(f"{WARNING}second opinion")
    ]
    if opinion.startswith(WARNING):
        others.append(f"{WARNING}second opinion: {opinion.removeprefix(WARNING)}")
    run.folder.update_candidate(best.id, status=best.status, score=best.score, reasons=others)
    run.progress.say(f"second opinion: {opinion}")


def _opinion_on(run: Run, best: CandidateResult) -> str:
    """Return a sentence, which begins with "Warning" if there is reason to doubt the results."""
    job = run.loaded.job
    shape, air = run.shape_of(best), job.air.medium
    frequency_hz = min(f for f in job.frequencies.frequencies_hz if f >= 0.99 * job.score.from_hz)
    meshes = run.pool.mesh(
        "second opinion mesh",
        run.methods,
        packed(shape),
        dict(best.values),
        [mesh_size(QUALITY, frequency_hz, air)],
        job.solve.mesh_time_limit_s,
    )
    engines = (job.solve.engine, ENGINE)
    for engine in engines:
        settings = SolveSettings(
            motions=run.loaded.boundaries.motions_of(shape, best.values),
            air=air,
            symmetry=shape.symmetry,
            engine=engine,
            quality=QUALITY,
        )
        band = Band(frequencies_hz=(frequency_hz,), mesh_frequency_hz=frequency_hz)
        run.pool.solve_band(engine, run.methods, meshes, 0, band, settings)
    outcomes = run.pool.outcomes(is_over=lambda: run.clock.is_up)
    found = {outcome.name: outcome for outcome in outcomes}
    if not found.keys() >= set(engines):
        return "Warning: no second opinion, no time left"
    rigid = (
        ", felt taken as rigid" if run.loaded.boundaries.absorbers_of(shape, best.values) else ""
    )
    subject = f"{ENGINE} on the same {QUALITY} mesh of {best.id} at {frequency_hz:.0f} Hz{rigid}"
    problem = _problem_of(found)
    if problem:
        return f"Warning: no second opinion, {subject} failed: {problem}"
    results: list[BandResult] = [found[engine].value.value for engine in engines]
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
    for engine in (name for name in outcomes if name != "second opinion mesh"):
        result: BandResult = outcomes[engine].value.value
        if result.outcomes[0].status != Status.SOLVED:
            return result.outcomes[0].reason
    return ""
