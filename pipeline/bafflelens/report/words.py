# SPDX-License-Identifier: GPL-3.0-or-later
"""Plain words made from numbers: what won, by how much, and what it costs."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.octaves import octave_shares, octaves_of
from bafflelens.directivity.far_field_data import is_solved
from bafflelens.report.curves import Requirement, Towards, angle_text, requirements_of
from bafflelens.report.view import CandidateView, Failure, RunView
from bafflelens.scoring.notes import distance
from bafflelens.scoring.ranking import WAITING, WARNING, RankedRow
from bafflelens.scoring.target import Target

SMALLEST_DB = 0.05  # less than this is written as no difference
_GOOD_SHARE = 0.75
_DIFFERENT = 0.2


@dataclass(frozen=True, kw_only=True)
class Change:
    """Mean levels of a candidate and the baseline in one band, re their listening windows.

    Attributes
    ----------
    band_hz : tuple of 2 floats
        The band in Hz.
    level_db, baseline_db : float
        The candidate's and the baseline's mean level in dB; NaN if it is not known.
    """

    band_hz: tuple[float, float]
    level_db: float
    baseline_db: float

    @property
    def change_db(self) -> float:
        """Candidate less baseline, in dB."""
        return self.level_db - self.baseline_db


@dataclass(frozen=True, kw_only=True)
class Direction:
    """What a candidate changes in one direction.

    Attributes
    ----------
    requirement : Requirement
        The direction, and what the target asks there.
    octaves : tuple of Change
        Octave by octave of the scored band.
    whole : Change
        Over the whole scored band.
    """

    requirement: Requirement
    octaves: tuple[Change, ...]
    whole: Change

    @property
    def gain_db(self) -> float:
        """What is won over the whole band in dB: less where less is wanted, more where more."""
        return self.gain_in(self.whole)

    def gain_in(self, change: Change) -> float:
        """Return what is won in a part of the band, in dB."""
        return -change.change_db if self.requirement.is_upper else change.change_db


@dataclass(frozen=True, kw_only=True)
class FailureGroup:
    """Failures that have the same cause."""

    cause: str
    where: tuple[tuple[str, tuple[str, ...]], ...]  # candidate, what failed


def decibel_text(value: float, digits: int = 1) -> str:
    """Return a level without a sign for zero, ``−3.4`` or ``0.0``; a dash if there is none."""
    if not math.isfinite(value):
        return "–"
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def signed_decibels(value: float) -> str:
    """Return a difference with its sign, ``+3.4`` or ``−0.6``; a dash if there is none."""
    if not math.isfinite(value):
        return "–"
    if abs(value) < SMALLEST_DB:
        return "0.0"
    return f"{value:+.1f}".replace("-", "−")


def range_text(band_hz: tuple[float, float]) -> str:
    """Return a band in words, ``2–12 kHz``."""
    low, high = (f"{float(f'{f / 1000:.3g}'):g}" for f in band_hz)
    return f"{low}–{high} kHz"


def number(value: float) -> str:
    """Return a number with four digits at most and no needless zeros."""
    return f"{float(f'{value:.4g}'):g}".replace("-", "−")


def with_unit(value: float, unit: str) -> str:
    """Return a number with its unit as people write it, ``52.4 mm`` or ``40.8°``.

    Parameters
    ----------
    value : float
        The number.
    unit : str
        As `parameter_words.unit_text` gives it; may be empty.
    """
    return f"{number(value)}{unit}" if unit == "°" else f"{number(value)} {unit}".rstrip()


def scientific(value: float) -> str:
    """Return a small number as people write it, ``1.18 · 10⁻⁴``."""
    mantissa, _, power = f"{value:.2e}".partition("e")
    return f"{mantissa} · 10" + f"{int(power)}".translate(
        str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
    )


def duration(seconds: float) -> str:
    """Return a time for people: ``0.8 s``, ``42 s``, ``3 min 05 s``, ``2 h 10 min``."""
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def sentence(text: str) -> str:
    """Return a phrase as a sentence: a capital first, a full stop last.

    A name such as ``c009`` stays as it is.
    """
    is_name = any(letter.isdigit() for letter in text.split(" ")[0])
    start = text[:1] if is_name else text[:1].upper()
    return start + text[1:].rstrip(".") + "."


def listed(items: Sequence[str]) -> str:
    """Return items as a list in words, ``a, b and c``."""
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]


# ------------------------------------------------------------------------------- the answer


def verdict(run: RunView, best: RankedRow | None, baseline: RankedRow, name: str) -> str:
    """Return the first sentence of the report: what won, or that nothing did.

    Parameters
    ----------
    run : RunView
        The run.
    best : RankedRow or None
        The best candidate that is no baseline, None if none could be ranked.
    baseline : RankedRow
        What it is compared with.
    name : str
        What the baseline is called.
    """
    tried = [
        row
        for row in run.every_row or run.rows
        if row.status != WAITING and not row.candidate.is_baseline
    ]
    if not tried:
        return "No candidate is solved yet."
    count = f"{len(tried)} candidate" + ("s" if len(tried) != 1 else "")
    if best is None or best.candidate.score is None:
        return f"None of the {count} could be ranked; the reasons are under Failures."
    total = decibel_text(best.candidate.score.total_db, 2)
    if not math.isfinite(best.better_by_db):
        return (
            f"{best.candidate.id} is the best of {count} with a score of {total} dB, but the "
            f"{name} could not be scored, so its gain is not known."
        )
    gain = best.better_by_db
    ties = [
        row.candidate.id
        for row in tried
        if row.place == best.place and row.candidate.id != best.candidate.id
    ]
    shared = f" It shares its place with {listed(ties)}." if ties else ""
    if baseline.place == best.place:
        return (
            f"No candidate beats the {name}: the best of {count}, {best.candidate.id}, scores "
            f"{total} dB, too close to the {name} to mean anything.{shared}"
        )
    if gain <= 0:
        return (
            f"No candidate beats the {name}: the best of {count}, {best.candidate.id}, scores "
            f"{total} dB, {decibel_text(-gain, 2)} dB worse.{shared}"
        )
    return (
        f"{best.candidate.id} is the best of {count}. Its score is {total} dB, "
        f"{decibel_text(gain, 2)} dB better than the {name}.{shared}"
    )


def vertical_sentence(
    directions: Mapping[str, Direction], band_hz: tuple[float, float], name: str
) -> str:
    """Return how much less goes to floor and ceiling than from the baseline."""
    both = [directions["floor"], directions["ceiling"]]
    mean = sum(direction.gain_db for direction in both) / 2
    if not math.isfinite(mean):
        return "Its vertical control could not be compared."
    parts = [
        f"{_more_or_less(direction.gain_db)} towards the {direction.requirement.key} bounce "
        f"({angle_text(direction.requirement.limit.angle_deg)})"
        for direction in both
    ]
    start = f"Vertical control, {range_text(band_hz)}: {listed(parts)} than from the {name}; "
    if abs(mean) < SMALLEST_DB:
        return start + "no difference on average."
    side = "better" if mean > 0 else "worse"
    return start + f"{decibel_text(abs(mean))} dB {side} on average."


def horizontal_sentence(
    direction: Direction | None, band_hz: tuple[float, float], name: str
) -> str:
    """Return what the candidate gives up, or wins, at the edge of the horizontal window."""
    if direction is None or not math.isfinite(direction.gain_db):
        return "The horizontal window could not be compared."
    start = f"Horizontal cost, {range_text(band_hz)}: "
    window = f"the edge of the ±{direction.requirement.limit.angle_deg:.0f}° window"
    gain = direction.gain_db
    known = [octave for octave in direction.octaves if math.isfinite(octave.change_db)]
    worst = min(known, key=lambda octave: octave.change_db)
    lost, where = decibel_text(-worst.change_db), range_text(worst.band_hz)
    is_local = worst.change_db <= -SMALLEST_DB and len(known) > 1
    if gain <= -SMALLEST_DB:
        most = f", most of it at {where} ({lost} dB)" if is_local else ""
        return f"{start}{decibel_text(-gain)} dB less at {window} than from the {name}{most}."
    text = f"{start}none on average; {window} is as loud as from the {name}"
    if gain >= SMALLEST_DB:
        text = f"{start}none; {decibel_text(gain)} dB more at {window} than from the {name}"
    return text + (f", but {lost} dB less at {where}." if is_local else ".")


def target_sentence(row: RankedRow) -> str:
    """Return what a candidate still misses of the target, and what that costs."""
    score = row.candidate.score
    if score is None:
        return ""
    missed = [term for term in score.terms if term.cost_db >= SMALLEST_DB]
    missed.sort(key=lambda term: -term.cost_db)
    unjudged = [term.label for term in score.terms if not math.isfinite(term.value_db)]
    text = (
        "Its score is made of "
        + listed([f"{term.label} ({decibel_text(term.cost_db, 2)} dB)" for term in missed])
        + "."
        if missed
        else "It meets the target within the tolerances."
    )
    if unjudged:
        text += f" Not judged: {listed(unjudged)}."
    return text


def leader_sentence(
    changes: Mapping[str, Mapping[str, Direction]], best_id: str, places: Mapping[str, int | None]
) -> str:
    """Return who has the most vertical control, if that is not the best; else nothing.

    Parameters
    ----------
    changes : mapping of str to mapping
        What each candidate changes, by id and direction.
    best_id : str
        The best candidate's id.
    places : mapping of str to int or None
        Place of each candidate that counts, by id.
    """
    gains = {
        candidate: (found["floor"].gain_db + found["ceiling"].gain_db) / 2
        for candidate, found in changes.items()
        if places.get(candidate) is not None
    }
    known = {candidate: gain for candidate, gain in gains.items() if math.isfinite(gain)}
    leader = max(known, key=lambda candidate: known[candidate], default=best_id)
    least = max(known.get(best_id, 0.0), 0.0) + SMALLEST_DB
    if leader == best_id or known[leader] < least:
        return ""
    return (
        f"Most vertical control: {leader} (place {places[leader]}), "
        f"{decibel_text(known[leader])} dB better than the baseline on average."
    )


def rejected_sentence(rows: Sequence[RankedRow], best: RankedRow) -> str:
    """Return which better shapes were rejected, and why; nothing if none was."""
    if best.rejected:
        return f"Every ranked shape was rejected; {best.candidate.id} was {best.rejected}."
    ahead = rows[: rows.index(best)]
    said = [f"{row.candidate.id} was {row.rejected}" for row in ahead if row.rejected]
    return f"Passed over: {'; '.join(said)}." if said else ""


def next_sentence(
    rows: Sequence[RankedRow], best: RankedRow, ranges: Mapping[str, tuple[float, float]]
) -> str:
    """Return the most different of the good shapes, as what to try next; nothing if none is.

    Good is what gains three quarters of what the best gains and was not rejected; different what
    is a fifth of a searched range away in one dimension (common practice, no source).
    """
    spans = {key: high - low for key, (low, high) in ranges.items() if high > low}
    if not spans or not best.better_by_db > 0:
        return ""

    def apart(row: RankedRow) -> float:
        values = row.candidate.values, best.candidate.values
        one, other = ({key: some[key] for key in spans if key in some} for some in values)
        return distance(one, other, spans)

    good = [
        row
        for row in rows
        if row.place is not None
        and not (row.candidate.is_baseline or row.rejected)
        and row.better_by_db >= _GOOD_SHARE * best.better_by_db
    ]
    other = max(good, key=apart, default=best)
    if not _DIFFERENT <= apart(other) < math.inf:
        return ""
    return (
        f"Most different of the good ones, to try next: {other.candidate.id} "
        f"(place {other.place}, "
        f"{decibel_text(other.better_by_db, 2)} dB better than the baseline)."
    )


def _more_or_less(gain_db: float) -> str:
    if not math.isfinite(gain_db):
        return "an unknown amount"
    if abs(gain_db) < SMALLEST_DB:
        return "no less"
    return f"{decibel_text(abs(gain_db))} dB {'less' if gain_db > 0 else 'more'}"


# --------------------------------------------------------------- changes against the baseline


def directions_of(
    candidate: Towards, baseline: Towards, target: Target, band_hz: tuple[float, float]
) -> dict[str, Direction]:
    """Return what a candidate changes towards floor, ceiling and sides, by the same keys."""

    def change(key: str, part_hz: tuple[float, float]) -> Change:
        return Change(
            band_hz=part_hz,
            level_db=band_mean(candidate.frequency_hz, candidate.level_db[key], part_hz),
            baseline_db=band_mean(baseline.frequency_hz, baseline.level_db[key], part_hz),
        )

    return {
        requirement.key: Direction(
            requirement=requirement,
            octaves=tuple(change(requirement.key, part_hz) for part_hz in octaves_of(band_hz)),
            whole=change(requirement.key, band_hz),
        )
        for requirement in requirements_of(target)
    }


def band_mean(
    frequency_hz: FloatArray, level_db: FloatArray, band_hz: tuple[float, float]
) -> float:
    """Return the mean of a curve over a band on a logarithmic axis; NaN if nothing is there."""
    known = np.isfinite(level_db)
    share = octave_shares(frequency_hz[known], band_hz)
    return float(share @ level_db[known] / share.sum()) if share.sum() > 0 else float("nan")


# -------------------------------------------------------------------------------- failures


def grouped_failures(run: RunView) -> tuple[FailureGroup, ...]:
    """Return every failure of a run, grouped by cause, the most frequent first.

    From the ranking (reasons of what has no place), from the datasets (frequencies that failed)
    and from the list of failures itself; what is told twice is listed once.
    """
    found: dict[str, dict[str, list[str]]] = {}

    def add(candidate: str, what: str, reason: str) -> None:
        told = re.fullmatch(r"([\d.]+ Hz) failed: (.*)", reason, flags=re.DOTALL)
        if told:
            what, reason = told[1], told[2]
        places = found.setdefault(reason or "no reason recorded", {}).setdefault(candidate, [])
        if what and what not in places:
            places.append(what)

    for failure in run.failures:
        add(failure.candidate, failure.what, failure.reason)
    for row in run.rows:
        if row.place is None:
            for reason in (r for r in row.reasons if not r.startswith(WARNING)):
                add(row.candidate.id, "", reason)
    for view in run.views:
        for failed in failed_frequencies(view):
            add(failed.candidate, failed.what, failed.reason)
    groups = [
        FailureGroup(
            cause=cause,
            where=tuple((candidate, tuple(places)) for candidate, places in sorted(where.items())),
        )
        for cause, where in found.items()
    ]
    return tuple(sorted(groups, key=lambda group: (-len(group.where), group.cause)))


def failed_frequencies(view: CandidateView) -> tuple[Failure, ...]:
    """Return the frequencies of a candidate that were not solved, with their reasons."""
    frequency = view.dataset["frequency"].values
    reason = view.dataset["reason"].values
    return tuple(
        Failure(candidate=view.id, what=f"{frequency[i]:.0f} Hz", reason=str(reason[i]))
        for i in np.flatnonzero(~is_solved(view.dataset))
    )


def kilohertz(frequency_hz: float, nominal_hz: float | None = None) -> str:
    """Return a frequency the way an axis names it: ``500 Hz``, ``2 kHz``.

    Parameters
    ----------
    frequency_hz : float
        The frequency in Hz.
    nominal_hz : float, optional
        A round frequency in Hz, which gives the name if it is within 2 %: 7,943 Hz is 8 kHz.
    """
    is_near = nominal_hz is not None and abs(frequency_hz / nominal_hz - 1) < 0.02
    named = nominal_hz if is_near and nominal_hz else frequency_hz
    if named < 995:
        return f"{float(f'{named:.2g}'):g} Hz"
    return f"{float(f'{named / 1000:.2g}'):g} kHz"
