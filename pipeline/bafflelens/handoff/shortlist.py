# SPDX-License-Identifier: GPL-3.0-or-later
"""The short list that is handed off: its order, why each is there, what to make first."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from bafflelens import store
from bafflelens.directivity.interpolated import largest_error_db
from bafflelens.handoff.checks import FAILED, Check
from bafflelens.handoff.expected import Expected, expected_of, plan_of
from bafflelens.handoff.thresholds import (
    Before,
    Threshold,
    Trust,
    before_making,
    thresholds_of,
    trust_of,
)
from bafflelens.job.job_file import LoadedJob
from bafflelens.mockup.comparison.simulation import kept_radiator
from bafflelens.mockup.measurement.planning import MeasurementPlan
from bafflelens.report.curves import Mark, Towards, marks_of, towards_of
from bafflelens.report.leaders import leader_summary
from bafflelens.report.shown import baseline_row, names_of
from bafflelens.report.words import Direction, directions_of
from bafflelens.scoring.model_error import mock_ups_line
from bafflelens.scoring.ranking import NOT_MESHED_AGAIN, RankedRow, Remeshing
from bafflelens.store import RunFolder, RunRecord
from bafflelens.store.system_response import missing_plates, played

HINDERING: Final = (
    "same as analysed",
    "dome's travel",
    "flange and screws",
    "driver's room",
)
"""Checks that, failed, make a part useless; the others ask for other tools or another way."""

ONLY_SURFACE: Final = "only its surface"
"""Of a scan, and of what was carved and cannot be made of smooth faces."""

FIRST_RULE: Final = (
    "Rule: by place; after those with a place come those without; last come those that are not "
    "worth making or have failed one of these checks: "
    + ", ".join(HINDERING)
    + ". Among those that share a place the scores decide nothing, so the one with fewer failed "
    "checks is made first, then the one that stands small changes better, then the lower score."
)


@dataclass(frozen=True, kw_only=True)
class Made:
    """What a hand-off knows of a candidate besides its row.

    Attributes
    ----------
    row : RankedRow
        Its row in the ranking.
    revision : str
        Of what is handed off.
    checks : tuple of Check
        The making checks; empty where only the surface is handed off.
    warnings : tuple of str
        What else the shop must know.
    tolerance : str
        What each place of its front may be off, or why that is not known, as a sentence.
    """

    row: RankedRow
    revision: str
    checks: tuple[Check, ...]
    warnings: tuple[str, ...]
    tolerance: str

    @property
    def failed(self) -> tuple[Check, ...]:
        """The checks that failed."""
        return tuple(check for check in self.checks if check.state == FAILED)

    @property
    def hindering(self) -> tuple[Check, ...]:
        """Those of them that make the part useless."""
        return tuple(check for check in self.failed if check.name in HINDERING)


@dataclass(frozen=True, kw_only=True, eq=False)
class KnownSound:
    """What is known of the sound of a candidate, whatever is made of it.

    Attributes
    ----------
    interpolation_db : float
        What levels between solved frequencies may be off by; NaN without any.
    directions : mapping of str to Direction
        What it gains towards floor, ceiling and to the sides; empty where that is unknown.
    plan : MeasurementPlan or str
        How to measure it, or why there is no plan.
    expected, baseline : Expected or None
        What to expect of it and of the baseline, in the same place; None where that is unknown.
    """

    interpolation_db: float
    directions: Mapping[str, Direction]
    plan: MeasurementPlan | str
    expected: Expected | None
    baseline: Expected | None


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


def known_sound_of(
    folder: RunFolder, loaded: LoadedJob, rows: Sequence[RankedRow], row: RankedRow
) -> KnownSound:
    """Return what is known of the sound of a candidate.

    Parameters
    ----------
    folder, loaded
        The run and its job.
    rows : sequence of RankedRow
        The whole ranking.
    row : RankedRow
        The candidate.
    """
    name, baseline = row.candidate.id, baseline_row(rows)
    radiator = kept_radiator(folder, name)
    plan = plan_of(folder, loaded, name, radiator)
    is_known = not missing_plates(folder, loaded)
    expected = expected_of(folder, loaded, name, radiator, plan) if is_known else None
    reference = _towards(folder, loaded, baseline.candidate.id)
    return KnownSound(
        interpolation_db=_interpolation_db(folder, loaded, name),
        directions=_directions(folder, loaded, name, reference),
        plan=plan,
        expected=expected,
        baseline=_same_place(folder, loaded, baseline, row, plan, expected),
    )


def _interpolation_db(folder: RunFolder, loaded: LoadedJob, name: str) -> float:
    """Return what levels between solved frequencies may be off by, in dB; NaN without any."""
    if not folder.has_directivity(name) or missing_plates(folder, loaded):
        return math.nan
    return largest_error_db(played(folder, loaded, folder.load_directivity(name)))


def turns_of(made: Sequence[Made], verdicts: Sequence[Before]) -> list[tuple[int, str]]:
    """Return when each candidate is to be made, 1 first, and what that follows from."""
    keys = [_turn_key(one, before) for one, before in zip(made, verdicts, strict=True)]
    order = sorted(range(len(made)), key=lambda number: keys[number])
    turn = {number: place for place, number in enumerate(order, start=1)}
    return [
        (turn[number], _why_turn(one, before))
        for number, (one, before) in enumerate(zip(made, verdicts, strict=True))
    ]


def _turn_key(one: Made, before: Before) -> tuple[float, ...]:
    row = one.row
    worst = _worst_db(row)
    score = row.candidate.score
    return (
        float(row.candidate.is_baseline),
        float(not before.is_worth or bool(one.hindering)),
        float(row.place is None),
        float(row.place or 0),
        float(len(one.failed)),
        worst if math.isfinite(worst) else math.inf,
        score.total_db if score is not None and math.isfinite(score.total_db) else math.inf,
    )


def _why_turn(one: Made, before: Before) -> str:
    row = one.row
    if row.candidate.is_baseline:
        return "the baseline, to compare with"
    place = f"place {row.place}" if row.place is not None else "no place: " + row.status
    parts = [place + (", shared" if row.is_tied else "")]
    parts += [] if before.is_worth else ["not worth making"]
    names = ", ".join(check.name for check in one.hindering)
    parts += [f"hindered by {names}"] if names else []
    count = len(one.failed)
    parts.append(
        f"{count} failed check{'' if count == 1 else 's'}" if one.checks else ONLY_SURFACE
    )
    worst = _worst_db(row)
    if math.isfinite(worst):
        parts.append(f"small changes cost at most {worst:.2f} dB each")
    else:
        parts.append("small changes not solved")
    return "; ".join(parts)


def _worst_db(row: RankedRow) -> float:
    """Return the most that one small change costs, in dB; NaN where that was not solved."""
    worst = row.robustness.worst if row.robustness is not None else None
    return worst.worst_db if worst is not None else math.nan


def _summary(
    row: RankedRow,
    baseline: RankedRow,
    names: Mapping[str, str],
    directions: Mapping[str, Direction],
) -> str:
    if row.candidate.is_baseline:
        return "It is a baseline: made to measure what the others gain against it."
    return leader_summary(row, baseline, names[baseline.candidate.id], directions, names)


def _towards(folder: RunFolder, loaded: LoadedJob, name: str) -> Towards | None:
    if not folder.has_directivity(name) or missing_plates(folder, loaded):
        return None
    job = loaded.job
    dataset = played(folder, loaded, folder.load_directivity(name))
    return towards_of(dataset, job.target.target(job.room.room))


def _directions(
    folder: RunFolder, loaded: LoadedJob, name: str, reference: Towards | None
) -> dict[str, Direction]:
    own = _towards(folder, loaded, name)
    if reference is None or own is None:
        return {}
    job = loaded.job
    target = job.target.target(job.room.room)
    return directions_of(own, reference, target, job.score.settings.band_hz)


def _same_place(
    folder: RunFolder,
    loaded: LoadedJob,
    baseline: RankedRow,
    row: RankedRow,
    plan: MeasurementPlan | str,
    expected: Expected | None,
) -> Expected | None:
    """Return what to expect of the baseline in the same place; None if that is not known."""
    name = baseline.candidate.id
    if expected is None or name == row.candidate.id or not folder.has_directivity(name):
        return None
    found = expected_of(folder, loaded, name, kept_radiator(folder, name), plan)
    return found if found is not None and found.where == expected.where else None
