# SPDX-License-Identifier: GPL-3.0-or-later
"""The short list that is handed off: its order, why each is there, what to make first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bafflelens import store
from bafflelens.handoff.expected import Expected
from bafflelens.handoff.known_sound import KnownSound, known_sound_of
from bafflelens.handoff.making_order import Made, turns_of
from bafflelens.handoff.thresholds import (
    Before,
    Threshold,
    Trust,
    before_making,
    thresholds_of,
    trust_of,
)
from bafflelens.job.job_file import LoadedJob
from bafflelens.mockup.measurement.planning import MeasurementPlan
from bafflelens.report.curves import Mark, marks_of
from bafflelens.report.leaders import leader_summary
from bafflelens.report.shown import baseline_row, names_of
from bafflelens.report.words import Direction
from bafflelens.scoring.model_error import mock_ups_line
from bafflelens.scoring.ranking import NOT_MESHED_AGAIN, RankedRow, Remeshing
from bafflelens.store import RunFolder, RunRecord


@dataclass(frozen=True, kw_only=True, eq=False)
class Listed:
    """One candidate of the short list.

    Attributes
    ----------
    made : Made
        What was made of it.
    turn : int
        1 is to be made first.
    why_turn : str
        What that follows from.
    summary : str
        What it gains and what it costs.
    before : Before
        Whether it is worth making.
    thresholds : tuple of Threshold
        What would make us stop after measuring.
    plan : MeasurementPlan or str
        How to measure it, or why there is no plan.
    expected, baseline : Expected or None
        What to expect of it and of the baseline, in the same place; None where that is unknown.
    """

    made: Made
    turn: int
    why_turn: str
    summary: str
    before: Before
    thresholds: tuple[Threshold, ...]
    plan: MeasurementPlan | str
    expected: Expected | None
    baseline: Expected | None

    @property
    def row(self) -> RankedRow:
        """Its row in the ranking."""
        return self.made.row


@dataclass(frozen=True, kw_only=True, eq=False)
class ShortList:
    """All that the summary sheet says.

    Attributes
    ----------
    run, title, why, date, quality : str
        What was asked, when, and how exactly it was solved.
    place : str
        The run's folder, from where the folder of results lies.
    baseline : RankedRow
        What the candidates are compared with.
    baseline_name : str
        What it is called.
    listed : tuple of Listed
        In the order of the ranking.
    remeshing : Remeshing
        Which differences of scores mean anything.
    mock_ups : str
        What mock-ups so far say; empty if there is none.
    trust : Trust
        How far a measured level may be off.
    band_hz : (float, float)
        The band that the score looks at.
    marks : tuple of Mark
        Angles of bounces and of the window.
    """

    run: str
    place: str
    title: str
    why: str
    date: str
    quality: str
    baseline: RankedRow
    baseline_name: str
    listed: tuple[Listed, ...]
    remeshing: Remeshing
    mock_ups: str
    trust: Trust
    band_hz: tuple[float, float]
    marks: tuple[Mark, ...]

    @property
    def in_turn(self) -> tuple[Listed, ...]:
        """The same in the order of making."""
        return tuple(sorted(self.listed, key=lambda one: one.turn))


def short_list(
    folder: RunFolder,
    loaded: LoadedJob,
    record: RunRecord,
    rows: Sequence[RankedRow],
    made: Sequence[Made],
    heard: Mapping[str, KnownSound] | None = None,
) -> ShortList:
    """Return the short list of a hand-off.

    Parameters
    ----------
    folder, loaded, record
        The run, its job and its record.
    rows : sequence of RankedRow
        The whole ranking.
    made : sequence of Made
        The candidates that are handed off, in the order of the ranking.
    heard : mapping of str to KnownSound, optional
        What is known of the sound of each of them, where that was looked up before.
    """
    job = loaded.job
    remeshing = record.remeshing or NOT_MESHED_AGAIN
    mock_ups = store.load_mock_ups(folder.path.parent)
    trust = trust_of(job.solve.quality, mock_ups)
    baseline, names = baseline_row(rows), names_of(rows)
    known = heard or {
        one.row.candidate.id: known_sound_of(folder, loaded, rows, one.row) for one in made
    }
    verdicts = [
        before_making(
            one.row,
            remeshing.smallest_difference_db,
            failed=[check.name for check in one.failed],
            quality=job.solve.quality,
            interpolation_db=known[one.row.candidate.id].interpolation_db,
        )
        for one in made
    ]
    turns = turns_of(made, verdicts)
    listed = []
    for one, before, (turn, why_turn) in zip(made, verdicts, turns, strict=True):
        of_one = known[one.row.candidate.id]
        directions, band_hz = of_one.directions, job.score.settings.band_hz
        listed.append(
            Listed(
                made=one,
                turn=turn,
                why_turn=why_turn,
                summary=_summary(one.row, baseline, names, directions),
                before=before,
                thresholds=thresholds_of(one.row, directions, trust, band_hz),
                plan=of_one.plan,
                expected=of_one.expected,
                baseline=of_one.baseline,
            )
        )
    return ShortList(
        run=folder.name,
        place=f"{folder.path.resolve().parent.name}/{folder.name}",
        title=job.title,
        why=" ".join(job.why.split()),
        date=record.created_utc[:10],
        quality=job.solve.quality,
        baseline=baseline,
        baseline_name=names[baseline.candidate.id],
        listed=tuple(listed),
        remeshing=remeshing,
        mock_ups=mock_ups_line(mock_ups),
        trust=trust,
        band_hz=job.score.settings.band_hz,
        marks=marks_of(job.target.target(job.room.room)),
    )


def _summary(
    row: RankedRow,
    baseline: RankedRow,
    names: Mapping[str, str],
    directions: Mapping[str, Direction],
) -> str:
    if row.candidate.is_baseline:
        return "It is a baseline: made to measure what the others gain against it."
    return leader_summary(row, baseline, names[baseline.candidate.id], directions, names)
