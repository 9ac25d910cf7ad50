# SPDX-License-Identifier: GPL-3.0-or-later
"""The ranked summary as PDF: what to make first, what to measure, what to expect, when to stop."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any, Final

import numpy as np

from bafflelens.handoff.expected import FAR_FIELD, Expected, third_octaves
from bafflelens.handoff.making_order import FIRST_RULE, ONLY_SURFACE
from bafflelens.handoff.paper import heading, pages_pdf, paragraph, table
from bafflelens.handoff.shortlist import Listed, ShortList
from bafflelens.handoff.summary_charts import UP_AND_DOWN_DEG, chart_pages, degrees_text
from bafflelens.handoff.summary_decision import decision_page
from bafflelens.mockup.measurement.measured import OrbitName
from bafflelens.mockup.measurement.plan_page import sections
from bafflelens.mockup.measurement.planning import MeasurementPlan
from bafflelens.report import words
from bafflelens.report.dimension_lines import in_a_line

_MOST_ACROSS: Final = 6  # candidates side by side in one table
_MOST_BANDS: Final = 8
_FINE_STEPS: Final = 11.5  # an octave; four a third-octave


def summary_pdf(found: ShortList) -> bytes:
    """Return the summary of a hand-off.

    Parameters
    ----------
    found : ShortList
        What it says.
    """
    title = f"Short list of {found.run}"
    foot = f"run of {found.date}; scores in dB, lower is better; made by bafflelens"
    return pages_pdf(lambda: list(_story(found)), title, foot)


def _story(found: ShortList) -> Iterator[Any]:
    from reportlab.platypus import KeepTogether, PageBreak

    yield from _order(found)
    yield from _reasons(found)
    yield from _measuring(found)
    yield KeepTogether(list(_stopping(found)))
    for one in found.listed:
        yield PageBreak()
        yield from decision_page(found, one)
        yield PageBreak()
        yield from _numbers(found, one)
        yield from chart_pages(found, one)


# ------------------------------------------------------------------------------- the order


def _order(found: ShortList) -> Iterator[Any]:
    yield heading(found.title, size=14)
    if found.why:
        yield paragraph(found.why)
    first = found.in_turn[0]
    name = f"{first.row.candidate.id} rev {first.made.revision}"
    yield heading("What to make first")
    if first.before.is_go:
        yield paragraph(f"{name}: {first.why_turn}. {first.before.text}", size=10, bold=True)
    else:
        text = (
            f"Nothing yet; the first to make would be {name}: {first.why_turn}. "
            f"{first.before.text}"
        )
        yield paragraph(text, size=10, bold=True)
        for check in first.made.failed:
            yield paragraph(f"Settle before it is made: {check.name}: {check.text}.", bold=True)
    yield paragraph(FIRST_RULE, size=7.5)
    yield heading("The short list, in the order of the ranking; scores in dB")
    heads = ("Place", "Make", "Candidate", "Score", "Better by", "Vertical", "Horizontal",
             "Side effects", "Small changes", "Failed checks")  # fmt: skip
    rows = [heads, *(_list_row(one) for one in found.listed)]
    if all(not one.row.candidate.is_baseline for one in found.listed):
        rows.append(_baseline_row(found))
    yield table(rows, (11, 11, 27, 13, 16, 16, 18, 15, 22, 31), size=7)
    yield paragraph(
        f"Better by: against {found.baseline_name}, the baseline. Vertical, horizontal and side "
        "effects add up to the score; small changes: what they do to the score on average, and "
        f"its spread. {found.remeshing.text[0].upper()}{found.remeshing.text[1:]}. "
        f"{found.mock_ups or 'No mock-up was compared with this folder of results yet.'}",
        size=7.5,
    )
    yield heading("What the scores are made of: cost in dB (what was found in dB)")
    for start in range(0, len(found.listed), _MOST_ACROSS):
        yield _terms(found, found.listed[start : start + _MOST_ACROSS])


def _list_row(one: Listed) -> tuple[str, ...]:
    row = one.row
    score, robustness = row.candidate.score, row.robustness
    parts: tuple[str, ...] = ("–",) * 4
    if score is not None:
        parts = tuple(words.decibel_text(v, 2) for v in (score.total_db, *score.objectives.values))
    small = "not solved"
    if robustness is not None and math.isfinite(robustness.mean_db):
        small = f"{robustness.mean_db:+.2f} ± {robustness.spread_db:.2f}".replace("-", "−")
    failed = ", ".join(check.name for check in one.made.failed)
    return (
        ("–" if row.place is None else f"{row.place}") + (" =" if row.is_tied else ""),
        f"{one.turn}",
        f"{row.candidate.id} rev {one.made.revision}",
        parts[0],
        words.decibel_text(row.better_by_db, 2),
        *parts[1:],
        small,
        failed or ("none" if one.made.checks else f"not checked: {ONLY_SURFACE}"),
    )


def _baseline_row(found: ShortList) -> tuple[str, ...]:
    row = found.baseline
    score = row.candidate.score
    parts: tuple[str, ...] = ("–",) * 4
    if score is not None:
        parts = tuple(words.decibel_text(v, 2) for v in (score.total_db, *score.objectives.values))
    place = "–" if row.place is None else f"{row.place}"
    return (place, "", found.baseline_name, parts[0], "0.00", *parts[1:], "", "baseline")


def _terms(found: ShortList, listed: Sequence[Listed]) -> Any:
    columns = [(one.row.candidate.id, one.row.candidate.score) for one in listed]
    if all(not one.row.candidate.is_baseline for one in listed):
        columns.append((found.baseline_name, found.baseline.candidate.score))
    names = list(dict.fromkeys(t.name for _, score in columns if score for t in score.terms))
    rows = [["Term", *(name for name, _ in columns)]]
    for name in names:
        cells = []
        for _, score in columns:
            term = next((t for t in score.terms if t.name == name), None) if score else None
            cells.append("–" if term is None else _term_text(term.cost_db, term.value_db))
        rows.append([name.replace("_", " "), *cells])
    totals = [words.decibel_text(score.total_db, 2) if score else "–" for _, score in columns]
    rows.append(["sum: the score", *totals])
    width = min(26.0, 140.0 / len(columns))
    return table(rows, (38, *[width] * len(columns)), size=7, strong=(len(rows) - 1,))


def _term_text(cost_db: float, value_db: float) -> str:
    if not math.isfinite(value_db):
        return "not judged"
    return f"{words.decibel_text(cost_db, 2)} ({words.decibel_text(value_db, 1)})"


def _reasons(found: ShortList) -> Iterator[Any]:
    yield heading("Why each is there, what it gains and what it costs")
    yield paragraph("The decision on each, with what stands against it, has a page of its own.")
    for one in found.listed:
        row = one.row
        when = "to be made" if one.before.is_go else "not yet to be made; in turn"
        yield paragraph(f"{row.candidate.id} rev {one.made.revision}: {when} {_nth(one.turn)}",
                        bold=True, after=1)  # fmt: skip
        yield paragraph(one.summary, after=1)
        for note in row.notes:
            yield paragraph(f"Noted: {note}", after=1)
        told = in_a_line(row.dimensions) or "those of its script"
        yield paragraph(f"Parameters: {told}.", size=7.5, after=5)


def _nth(turn: int) -> str:
    return {1: "first", 2: "second", 3: "third"}.get(turn, f"as number {turn}")


# ------------------------------------------------------------------- measuring and stopping


def _measuring(found: ShortList) -> Iterator[Any]:
    first = found.in_turn[0]
    name = first.row.candidate.id
    yield heading("What to measure", size=14)
    for number, step in enumerate(_steps(found, first), start=1):
        yield paragraph(f"{number}. {step}", after=2)
    if not isinstance(first.plan, MeasurementPlan):
        yield paragraph(f"There is no plan for the job's room: {first.plan}", bold=True)
        return
    yield paragraph(
        f"Below is the plan for {name} in a room as high as the job's and otherwise large; "
        f"`bafflelens measure-plan {found.place} {name} --out FOLDER --room-m L W H` draws it for "
        "yours and writes the description that the comparison reads.",
        after=2,
    )
    for title, lines in sections(first.plan):
        yield heading(title, size=9)
        for line in lines:
            yield paragraph(f"– {line}", size=7.5, after=1)


def _steps(found: ShortList, first: Listed) -> tuple[str, ...]:
    name = first.row.candidate.id
    shape = (
        "The shape, before any sound: fill in the form (folder form of the zip file) with "
        f"calipers, then `bafflelens inspect {found.run}_{name}.zip {found.run}_{name}_readings"
        ".csv`; lay the scrapers on the stations, or scan it and give the scan in place of the "
        "readings. It says pass, rework or re-simulate."
    )
    if not first.made.checks:
        shape = (
            "The shape, before any sound: scan it, then `bafflelens scan part.stl --nominal "
            f"{found.place} --candidate {name} --out scan_{name}` says where it is proud or "
            "dented."
        )
    angles = [f"{degrees_text(round(m.angle_deg))} ({m.plane}, {m.word})" for m in found.marks]
    return (
        shape,
        "A first look at a handful of angles: on the axis and at " + words.listed(angles) + ". "
        "The table of each candidate says what is expected there in third-octaves.",
        "Both orbits, all the way round, and the same of the baseline in the same cabinet on the "
        "same day: the gain is a difference, and drifts and the driver drop out of it.",
        f"Then `bafflelens compare {found.place} {name} measurement.toml`, which fits what the "
        "set-up may be off by, stands the simulation where the microphone was, and names causes.",
    )


def _stopping(found: ShortList) -> Iterator[Any]:
    yield heading("What would make us stop", size=14)
    yield paragraph(found.trust.text)
    for text in (
        "Stop means: no second part and no tool until the reason is known. Check in this order: "
        "the set-up (`compare` fits it), the shape (scan), the driver, then the simulation (the "
        "same candidate one quality level up).",
        "Stop, too, if the baseline does not come out as expected: then the set-up or the model "
        "of the driver is wrong, and nothing that is measured of a candidate says anything.",
        "Stop making the list if the first two candidates come out in the other order than here "
        "by more than the expected scatter: then the ranking does not rank what is made.",
    ):
        yield paragraph(f"– {text}", after=2)
    yield paragraph(
        "The limits of each candidate stand with its expected results, on its own pages."
    )


# ---------------------------------------------------------------------------- one candidate


def _numbers(found: ShortList, one: Listed) -> Iterator[Any]:
    name = f"{one.row.candidate.id} rev {one.made.revision}"
    yield heading(f"{name}: what to expect", size=14)
    expected = one.expected
    if expected is None:
        yield paragraph("Nothing is known of its directivity.", bold=True)
        return
    yield paragraph(_where_text(expected, one))
    centres = third_octaves(
        (
            max(found.band_hz[0], float(expected.frequency_hz[0])),
            min(found.band_hz[1], float(expected.frequency_hz[-1])),
        )
    )
    angles = _first_angles(found, expected)
    if not centres or not angles:
        return
    yield heading("First look: third-octave levels re the axis in dB", size=10)
    for start in range(0, len(centres), _MOST_BANDS):
        part = centres[start : start + _MOST_BANDS]
        rows = [["Angle", *(f"{nominal / 1000:g} kHz" for nominal, _ in part)]]
        for plane, angle, word in angles:
            cells = []
            for _, true in part:
                level = words.decibel_text(expected.third_octave_db(plane, angle, true))
                if one.baseline is not None:
                    other = one.baseline.third_octave_db(plane, angle, true)
                    level += f" ({words.decibel_text(other)})"
                cells.append(level)
            rows.append([f"{plane} {degrees_text(angle)}{word}", *cells])
        width = min(19.0, 144.0 / len(part))
        yield table(rows, (36, *[width] * len(part)), size=6.5)
    stop = found.trust.stop_db
    brackets = f" In brackets: {found.baseline_name}." if one.baseline is not None else ""
    yield paragraph(
        "Means of the square of the pressure over each third-octave, at the angle and on the "
        f"axis alike.{brackets} Look for the reason from {found.trust.look_db:.1f} dB off, stop "
        f"from {stop:.1f} dB.",
        size=7.5,
    )


def _where_text(expected: Expected, one: Listed) -> str:
    spacing = (
        f"{len(expected.frequency_hz)} frequencies, {expected.frequency_hz[0]:.0f} to "
        f"{expected.frequency_hz[-1]:.0f} Hz"
    )
    steps = np.diff(np.log2(expected.frequency_hz))
    if steps.size and float(np.median(steps)) > 1 / _FINE_STEPS:
        spacing += ", so few a third-octave that narrow ripple is not seen"
    if expected.where != FAR_FIELD:
        return (
            f"Expected {expected.where}, where the plan puts the microphone, from the pressure on "
            f"the surface; {spacing}. Levels in other places differ."
        )
    text = (
        f"Expected in the far field; {spacing}. The pressure on the surface was not kept "
        "(solve.keep_surface), so nothing is said of a nearer microphone"
    )
    if isinstance(one.plan, MeasurementPlan) and one.plan.far_m:
        what, _, _, loose = max(one.plan.far_m, key=lambda far: far[1])
        top = one.plan.band_hz[1] / 1e3
        text += (
            f": of {what} the far field begins at about {loose:.0f} m at {top:g} kHz, and the "
            f"plan measures at {one.plan.chosen.distance_m:g} m. `bafflelens compare --solve` "
            "stands the simulation where the microphone was"
        )
    return text + "."


def _first_angles(found: ShortList, expected: Expected) -> list[tuple[OrbitName, float, str]]:
    """Return the angles of the first look: orbit, the measured angle next to it, and its word."""
    angles: dict[tuple[OrbitName, float], str] = {}
    planes: dict[str, OrbitName] = {"horizontal": "horizontal", "vertical": "vertical"}
    for plane, wanted, word in (
        *(("horizontal", angle, "") for angle in (30.0, 60.0)),
        *((mark.plane, mark.angle_deg, mark.word) for mark in found.marks),
        *(("vertical", angle, "") for angle in UP_AND_DOWN_DEG),
    ):
        angle = float(expected.angle_deg[expected.at(wanted)])
        key = (planes[plane], angle)
        angles[key] = angles.get(key) or (f", {word}" if word else "")
    ordered = sorted(angles, key=lambda key: (key[0], -key[1]))
    return [(plane, angle, angles[(plane, angle)]) for plane, angle in ordered]
