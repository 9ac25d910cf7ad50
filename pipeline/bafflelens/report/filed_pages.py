# SPDX-License-Identifier: GPL-3.0-or-later
"""The two pages that are filed of a run: the answer, and the evidence for it."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np
from matplotlib.figure import Figure
from PIL import Image

from bafflelens.report import figures, style, words
from bafflelens.report.curves import Curves, marks_of, octaves_in, requirements_of
from bafflelens.report.shown import Shown, baseline_row
from bafflelens.report.style import inch_axes

if TYPE_CHECKING:
    from bafflelens.report.pdf import Filed

ACROSS_IN: Final = 11.693  # A4, ISO 216, landscape
UP_IN: Final = 8.268
MARGIN_IN: Final = 0.5
_LINE_IN: Final = 0.2
_LETTERS: Final = 118
_DOTS_PER_INCH: Final = 260
_RANKED: Final = 8


def answer_page(content: Filed) -> Figure:
    """Draw what the first screen of the page shows, and how much it changes where."""
    run, first = content.run, content.first
    if first is None or content.winner is None or content.reference is None:
        return written(lines_of([_run_line(content), "", *content.answer, "", *_doubts(content)]))
    figure = blank()
    write(figure, MARGIN_IN, 0, _run_line(content), size=8, colour=style.MUTED)
    making = textwrap.wrap(first.make, 105)
    for number, line in enumerate(making):
        write(figure, MARGIN_IN, 1.4 + 1.2 * number, line, size=13, weight="bold")
    below = 1.3 + 1.2 * len(making)
    below += _paragraph(figure, MARGIN_IN, below, content.answer[0], 150, size=9.5)
    up = figure.get_size_inches()[1]
    bottom = up - 0.25 - (below + 0.6) * _LINE_IN - 2.55
    left = MARGIN_IN
    if first.shape is not None:
        _placed(figure, first.shape.small, left, bottom, 2.2, 2.55)
    if first.section is not None and first.section.png:
        _placed(figure, first.section.png, left + 2.3, bottom, 2.3, 2.55)
    drawn = (
        (content.winner.name, content.winner.curves),
        (content.reference.name, content.reference.curves),
    )
    marks, scales = marks_of(run.target), content.scales
    for row, plane in enumerate(("vertical", "horizontal")):
        draw = partial(figures.map_pair, *drawn, plane, scales, marks)
        _placed(figure, draw, left + 4.75, bottom + 1.3 * (1 - row), 2.8, 1.25)
    asked = requirements_of(run.target)
    _placed(
        figure,
        partial(figures.bounce_pair, *drawn[0], drawn[1], asked, scales),
        left + 7.75,
        bottom,
        2.9,
        2.55,
    )
    line = (up - 0.25 - bottom) / _LINE_IN + 1.0
    columns = (
        ("Gains", [words.sentence(text) for text in first.gains]),
        ("Costs", [words.sentence(text) for text in first.costs]),
        ("Beware", first.fears),
        ("Next", [f"{step.text} {step.command}".strip() for step in first.steps]),
    )
    lowest = line
    for (heading, told), x, letters in zip(
        columns, (0.5, 2.75, 5.0, 8.1), (34, 34, 50, 50), strict=True
    ):
        write(figure, x, line, heading, size=10, weight="bold")
        at = line + 1.1
        for text in told:
            at += _paragraph(figure, x, at, f"• {text}", letters, size=8)
        lowest = max(lowest, at)
    _paragraph(figure, MARGIN_IN, lowest + 0.8, " ".join(content.answer[1:]), 185, size=8)
    return figure


def evidence_page(content: Filed) -> Figure:
    """Draw maps and curves of best and baseline, and write what they are worth."""
    run, scales, figure = content.run, content.scales, blank()
    winner, reference = content.winner, content.reference
    marks, up = marks_of(run.target), float(figure.get_size_inches()[1])
    if winner is not None:
        other = other_of(winner, reference)
        if other is not None and np.array_equal(winner.curves.frequency_hz, other[1].frequency_hz):
            maps = partial(
                figures.comparison_maps, (winner.name, winner.curves), other, scales, marks
            )
            _placed(figure, maps, 0.3, up - 3.85, 6.9, 3.8)
        curves = partial(figures.responses, winner.name, winner.curves, other, scales)
        _placed(figure, curves, 0.3, up - 6.3, 6.9, 2.35)
        octaves = octaves_in(scales.frequency_hz)
        polars = partial(figures.polars, winner.curves, octaves, marks, other)
        _placed(figure, polars, 7.3, up - 6.3, 4.0, 2.2)
    _ranking(figure, content, 7.4)
    line = (up - 0.25 - 0.55) / _LINE_IN
    _paragraph(figure, MARGIN_IN, line, " ".join(_doubts(content)), 200, size=7.5)
    return figure


def _ranking(figure: Figure, content: Filed, left: float) -> None:
    """Write the best places, and what best and baseline pay for."""
    run, baseline = content.run, baseline_row(content.run.rows)
    placed = [row for row in run.rows if row.place is not None]
    shown = placed[:_RANKED]
    if baseline not in shown and baseline.place is not None:
        shown[-1:] = [baseline]
    lefts = (left, left + 0.5, left + 1.9, left + 2.8)
    for x, head in zip(lefts, ("Place", "Shape", "Score, dB", "Better by, dB"), strict=True):
        write(figure, x, 0, head, size=8, weight="bold")
    line = 0.0
    for row in shown:
        line += 0.8
        total = row.candidate.score.total_db if row.candidate.score else float("nan")
        cells = (
            str(row.place),
            content.names[row.candidate.id],
            words.decibel_text(total, 2),
            "–" if row is baseline else words.signed_decibels(row.better_by_db),
        )
        for x, cell in zip(lefts, cells, strict=True):
            write(figure, x, line, cell, size=8)
    winner = content.winner
    if winner is None or winner.row.candidate.score is None:
        return
    other = baseline.candidate.score
    line += 1.4
    heads = ("Paid for, dB", "", winner.name, content.names[baseline.candidate.id])
    for x, head in zip(lefts, heads, strict=True):
        write(figure, x, line, head, size=8, weight="bold")
    theirs = {term.name: term.cost_db for term in other.terms} if other else {}
    for term in winner.row.candidate.score.terms:
        cost = theirs.get(term.name, float("nan"))
        if not max(term.cost_db, cost) >= words.SMALLEST_DB:
            continue
        line += 0.75
        write(figure, left, line, term.label, size=8)
        write(figure, lefts[2], line, words.decibel_text(term.cost_db, 2), size=8)
        write(figure, lefts[3], line, words.decibel_text(cost, 2), size=8)


def _doubts(content: Filed) -> list[str]:
    """Return what the figures are worth: differences that count, second opinion, failures."""
    run = content.run
    told = [words.sentence(run.remeshing.text), *map(words.sentence, run.remarks)]
    row = content.winner.row if content.winner else None
    if row is not None and row.robustness is not None:
        told.append(words.sentence(row.robustness.text))
    if run.second_opinion:
        told.append(f"Second opinion: {run.second_opinion.rstrip('.')}.")
    failed = len({failure.candidate for failure in run.failures})
    told.append(f"{failed} shapes failed." if failed else "Nothing failed.")
    versions = ", ".join(f"{name} {version}" for name, version in run.versions.items())
    return [*told, f"Versions: {versions}." if versions else ""]


def _run_line(content: Filed) -> str:
    run = content.run
    return f"Run {run.name}, begun {run.created_utc}, {run.status}"


def other_of(entry: Shown, reference: Shown | None) -> tuple[str, Curves] | None:
    """Return the baseline to be drawn behind a candidate; None behind itself."""
    if reference is None or entry is reference:
        return None
    return reference.name, reference.curves


def blank() -> Figure:
    """Return a figure that fills a page below its heading."""
    return Figure(figsize=(ACROSS_IN, UP_IN - 0.75 - MARGIN_IN))


def written(lines: Sequence[str]) -> Figure:
    """Return a page of text."""
    figure = blank()
    for number, line in enumerate(lines):
        write(figure, MARGIN_IN, number, line, size=10)
    return figure


def lines_of(told: Sequence[str], letters: int = _LETTERS) -> list[str]:
    """Return texts as lines, an empty one for an empty text."""
    return [line for text in told for line in textwrap.wrap(text, letters) or [""]]


def write(
    figure: Figure,
    left_in: float,
    line: float,
    text: str,
    *,
    size: float = 9,
    weight: str = "normal",
    colour: str = style.INK,
) -> None:
    """Write a line of text, counted from the top of a page."""
    across, up = figure.get_size_inches()
    below = 0.25 + line * _LINE_IN
    # A dollar sign would begin a formula.
    figure.text(
        left_in / across,
        1 - below / up,
        text,
        size=size,
        weight=weight,
        color=colour,
        parse_math=False,
    )


def _paragraph(
    figure: Figure, left_in: float, line: float, text: str, letters: int, *, size: float
) -> float:
    """Write a text in lines of so many letters; return how many lines of a page it takes."""
    step = size / 72 * 1.25 / _LINE_IN
    lines = textwrap.wrap(text, letters)
    for number, part in enumerate(lines):
        write(figure, left_in, line + step * number, part, size=size)
    return step * len(lines)


def _placed(
    figure: Figure,
    what: bytes | Callable[[], Figure],
    left: float,
    bottom: float,
    width: float,
    height: float,
) -> None:
    """Put a picture, a PNG or a figure, into a box of a page, in inches from its lower left."""
    axes = inch_axes(figure, left, bottom, width, height)
    axes.set_axis_off()
    try:
        axes.imshow(_pixels(what, width), interpolation="lanczos")
    except Exception as error:  # no picture is worth the report
        text = textwrap.fill(style.not_drawn("a figure", error), 40)
        axes.text(0.0, 0.5, text, transform=axes.transAxes, fontsize=8)


def _pixels(what: bytes | Callable[[], Figure], width_in: float) -> np.ndarray:
    """Return a picture as (height, width, 3)."""
    if not isinstance(what, bytes):
        stream, drawn = io.BytesIO(), what()
        dots = _DOTS_PER_INCH * width_in / drawn.get_figwidth()
        drawn.savefig(stream, format="png", dpi=dots, facecolor="white")
        what = stream.getvalue()
    return np.asarray(Image.open(io.BytesIO(what)).convert("RGB"))
