# SPDX-License-Identifier: GPL-3.0-or-later
"""The report as a PDF for filing: A4 pages, the answer and the ranking first, then the figures.

The same run gives the same bytes: no time of writing is in the file.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from typing import Final

from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from bafflelens.report import figures, style, words
from bafflelens.report.curves import Curves, marks_of, requirements_of
from bafflelens.report.leaders import leader_summary
from bafflelens.report.shown import (
    Shown,
    baseline_row,
    changes_of,
    detailed_of,
    drawn_of,
    names_of,
    scales_of,
)
from bafflelens.report.view import RunView
from bafflelens.scoring.ranking import RankedRow

_ACROSS_IN: Final = 11.693  # A4, ISO 216, landscape
_UP_IN: Final = 8.268
_MARGIN_IN: Final = 0.5
_LINE_IN: Final = 0.2
_ROWS_ON_A_PAGE: Final = 28
_LINES_ON_A_PAGE: Final = 32
_LETTERS: Final = 118
_LEFTS_IN: Final = (0.5, 1.2, 3.6, 4.8, 6.2, 7.6, 9.0, 10.2)
_HEADS: Final = (
    "Place",
    "Candidate",
    "Score, dB",
    "Better by, dB",
    "Vertical, dB",
    "Horizontal, dB",
    "Side eff., dB",
    "Status",
)


def filed_report(run: RunView, answer: Sequence[str]) -> bytes:
    """Return the report of a run as a PDF.

    Parameters
    ----------
    run : RunView
        What to show.
    answer : sequence of str
        The answer in sentences, as on the page.
    """
    stream = io.BytesIO()
    metadata = {"Title": run.title, "CreationDate": None, "ModDate": None}
    with style.drawing_style(), PdfPages(stream, metadata=metadata) as pages:
        for number, (heading, figure) in enumerate(_pages(run, answer), start=1):
            across, up = figure.get_size_inches()
            left, bottom = (across - _ACROSS_IN) / 2, up + 0.75 - _UP_IN
            _label(figure, left, bottom, heading, f"{run.name}, page {number}")
            page = Bbox.from_bounds(left, bottom, _ACROSS_IN, _UP_IN)
            pages.savefig(figure, bbox_inches=page, facecolor="white")
    return stream.getvalue()


def _pages(run: RunView, answer: Sequence[str]) -> Iterator[tuple[str, Figure]]:
    """Yield headings and what stands below them, a page each."""
    names = names_of(run.rows)
    baseline = baseline_row(run.rows)
    drawn = drawn_of(run, names, baseline)
    scales = scales_of(run, drawn)
    marks = marks_of(run.target)
    reference = next((entry for entry in drawn if entry.row is baseline), None)
    yield run.title, _answer_page(run, answer)
    for start in range(0, len(run.rows), _ROWS_ON_A_PAGE):
        yield "Ranking", _ranking_page(run.rows[start : start + _ROWS_ON_A_PAGE], names)
    leaders = [entry for entry in drawn if not entry.row.candidate.is_baseline]
    yield from _text_pages("The leaders", _leader_lines(run, names, baseline, leaders, reference))
    yield from _text_pages("What failed, and what it was made with", _closing_lines(run))
    for entry in detailed_of(run, drawn):
        other = _other(entry, reference)
        yield (
            f"{entry.name}: level over frequency and angle",
            _drawn(partial(figures.level_maps, entry.curves, scales, marks)),
        )
        yield (
            f"{entry.name}: towards floor, ceiling and sides",
            _drawn(
                partial(
                    figures.bounce_levels,
                    entry.name,
                    entry.curves,
                    other,
                    requirements_of(run.target),
                    scales,
                )
            ),
        )
        yield (
            f"{entry.name}: response, directivity index, beamwidth",
            _drawn(partial(figures.responses, entry.name, entry.curves, other, scales)),
        )


def _drawn(draw: Callable[[], Figure]) -> Figure:
    """Return a figure, or a page that says why there is none."""
    try:
        return draw()
    except Exception as error:  # no picture is worth the report
        return _written(_lines_of([style.not_drawn("the figure of this page", error)]))


def _other(entry: Shown, reference: Shown | None) -> tuple[str, Curves] | None:
    if reference is None or entry is reference:
        return None
    return reference.name, reference.curves


def _blank() -> Figure:
    """Return a figure that fills a page below its heading."""
    return Figure(figsize=(_ACROSS_IN, _UP_IN - 0.75 - _MARGIN_IN))


def _answer_page(run: RunView, answer: Sequence[str]) -> Figure:
    told = [f"Run {run.name}, begun {run.created_utc}, {run.status}", "", *answer, ""]
    told += [f"{run.remeshing.text}.", *run.remarks]
    return _written(_lines_of(told))


def _leader_lines(
    run: RunView,
    names: Mapping[str, str],
    baseline: RankedRow,
    leaders: Sequence[Shown],
    reference: Shown | None,
) -> list[str]:
    """Return what each leader gains and pays, stands and was said of, and its parameters."""
    changes = changes_of(run, reference)
    told = []
    for entry in leaders:
        row, candidate = entry.row, entry.row.candidate
        change = changes.get(candidate.id, {})
        summary = leader_summary(row, baseline, names[baseline.candidate.id], change, names)
        told.append(f"{entry.name}. {summary}")
        told += [f"{row.robustness.text}."] if row.robustness else []
        told += [f"{candidate.id} {said}" for said in row.notes]
        values = (f"{key} {words.number(value)}" for key, value in candidate.values.items())
        told += [f"Parameters: {', '.join(values)}.", ""]
    return told or ["None was solved."]


def _closing_lines(run: RunView) -> list[str]:
    told = [f"{failure.candidate} {failure.what}: {failure.reason}" for failure in run.failures]
    told = told or ["Nothing failed."]
    told += ["", *([run.second_opinion] if run.second_opinion else [])]
    versions = ", ".join(f"{name} {version}" for name, version in run.versions.items())
    return [*told, f"Versions: {versions}."]


def _text_pages(heading: str, told: Sequence[str]) -> Iterator[tuple[str, Figure]]:
    """Yield as many pages as a text takes."""
    lines = _lines_of(told)
    for start in range(0, len(lines), _LINES_ON_A_PAGE):
        yield heading, _written(lines[start : start + _LINES_ON_A_PAGE])


def _lines_of(told: Sequence[str]) -> list[str]:
    return [line for text in told for line in textwrap.wrap(text, _LETTERS) or [""]]


def _written(lines: Sequence[str]) -> Figure:
    figure = _blank()
    for number, line in enumerate(lines):
        _write(figure, _MARGIN_IN, number, line, size=10)
    return figure


def _ranking_page(rows: Sequence[RankedRow], names: Mapping[str, str]) -> Figure:
    figure = _blank()
    for left, head in zip(_LEFTS_IN, _HEADS, strict=True):
        _write(figure, left, 0, head, weight="bold")
    for number, row in enumerate(rows, start=1):
        for left, text in zip(_LEFTS_IN, _cells(row, names), strict=True):
            _write(figure, left, number, text)
    return figure


def _cells(row: RankedRow, names: Mapping[str, str]) -> tuple[str, ...]:
    score = row.candidate.score
    levels: tuple[str, ...] = ("–",) * 4
    if score is not None:
        levels = tuple(
            words.decibels(level, 2) for level in (score.total_db, *score.objectives.values)
        )
    return (
        "–" if row.place is None else str(row.place),
        names[row.candidate.id] + (" (baseline)" if row.candidate.is_baseline else ""),
        levels[0],
        words.signed_decibels(row.better_by_db),
        *levels[1:],
        row.status,
    )


def _write(
    figure: Figure,
    left_in: float,
    line: int,
    text: str,
    *,
    size: float = 9,
    weight: str = "normal",
) -> None:
    across, up = figure.get_size_inches()
    below = 0.25 + line * _LINE_IN
    # A dollar sign would begin a formula.
    figure.text(left_in / across, 1 - below / up, text, size=size, weight=weight, parse_math=False)


def _label(figure: Figure, left: float, bottom: float, heading: str, footing: str) -> None:
    """Write heading and footing on a page whose lower left corner is given in inches."""
    across, up = figure.get_size_inches()
    for height, text, size, weight in (
        (_UP_IN - _MARGIN_IN, heading, 13, "bold"),
        (0.3, footing, 8, "normal"),
    ):
        figure.text(
            (left + _MARGIN_IN) / across,
            (bottom + height) / up,
            text,
            size=size,
            weight=weight,
            parse_math=False,
        )
