# SPDX-License-Identifier: GPL-3.0-or-later
"""The report as a PDF for filing: two A4 pages, the answer and the evidence, and an appendix.

The same run gives the same bytes: no time of writing is in the file.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from bafflelens.report import figures, style, words
from bafflelens.report.curves import marks_of, octaves_in, requirements_of
from bafflelens.report.dimension_lines import in_a_line
from bafflelens.report.filed_pages import (
    ACROSS_IN,
    MARGIN_IN,
    UP_IN,
    answer_page,
    blank,
    evidence_page,
    lines_of,
    other_of,
    write,
    written,
)
from bafflelens.report.first_screen import FirstScreen
from bafflelens.report.leaders import leader_summary
from bafflelens.report.shown import Shown, baseline_row, detailed_of, scales_of
from bafflelens.report.view import RunView
from bafflelens.scoring.ranking import RankedRow

_ROWS_ON_A_PAGE: Final = 28
_LINES_ON_A_PAGE: Final = 32
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


@dataclass(frozen=True, kw_only=True, eq=False)
class Filed:
    """What is filed of a run.

    Attributes
    ----------
    run : RunView
        The run.
    answer : sequence of str
        The answer in sentences, as on the page.
    first : FirstScreen or None
        What to make; None if nothing was solved.
    names : mapping of str to str
        What each candidate is called.
    drawn : sequence of Shown
        The leaders and the baselines.
    winner, reference : Shown or None
        The answer, and the baseline.
    changes : mapping of str to mapping
        What each candidate changes, by id and direction.
    """

    run: RunView
    answer: Sequence[str]
    first: FirstScreen | None
    names: Mapping[str, str]
    drawn: Sequence[Shown]
    winner: Shown | None
    reference: Shown | None
    changes: Mapping[str, Mapping[str, words.Direction]]

    @property
    def scales(self) -> figures.Scales:
        """Axes that all figures share."""
        return scales_of(self.run, self.drawn)


def filed_report(content: Filed, *, with_appendix: bool = False) -> bytes:
    """Return the report of a run as a PDF: two pages, and an appendix on request.

    Parameters
    ----------
    content : Filed
        What to show.
    with_appendix : bool
        Whether the whole ranking and the figures of each leader follow.
    """
    run, stream = content.run, io.BytesIO()
    metadata = {"Title": run.title, "CreationDate": None, "ModDate": None}
    with style.drawing_style(), PdfPages(stream, metadata=metadata) as pages:
        listed = _pages(content, with_appendix=with_appendix)
        for number, (heading, figure) in enumerate(listed, start=1):
            across, up = figure.get_size_inches()
            left, bottom = (across - ACROSS_IN) / 2, up + 0.75 - UP_IN
            _label(figure, left, bottom, heading, f"{run.name}, page {number}")
            page = Bbox.from_bounds(left, bottom, ACROSS_IN, UP_IN)
            pages.savefig(figure, bbox_inches=page, facecolor="white")
    return stream.getvalue()


def _pages(content: Filed, *, with_appendix: bool) -> Iterator[tuple[str, Figure]]:
    """Yield headings and what stands below them, a page each."""
    run = content.run
    yield run.title, answer_page(content)
    yield "Evidence", evidence_page(content)
    if not with_appendix:
        return
    for start in range(0, len(run.rows), _ROWS_ON_A_PAGE):
        rows = run.rows[start : start + _ROWS_ON_A_PAGE]
        yield "Appendix: ranking", _ranking_page(rows, content.names)
    yield from _text_pages("Appendix: the leaders", _leader_lines(content))
    yield from _text_pages("Appendix: what failed, and versions", _closing_lines(run))
    for entry in detailed_of(run, content.drawn):
        yield from _figure_pages(entry, content)


def _figure_pages(entry: Shown, content: Filed) -> Iterator[tuple[str, Figure]]:
    """Yield the figures of a candidate, the baseline's curves behind its own."""
    run, scales, marks = content.run, content.scales, marks_of(content.run.target)
    other = other_of(entry, content.reference)
    octaves, asked = octaves_in(scales.frequency_hz), requirements_of(run.target)
    for what, draw in (
        (
            "level over frequency and angle",
            partial(figures.level_maps, entry.curves, scales, marks),
        ),
        ("polar plots", partial(figures.polars, entry.curves, octaves, marks, other)),
        (
            "towards floor, ceiling and sides",
            partial(figures.bounce_levels, entry.name, entry.curves, other, asked, scales),
        ),
        (
            "response, directivity index, beamwidth",
            partial(figures.responses, entry.name, entry.curves, other, scales),
        ),
    ):
        yield f"Appendix: {entry.name}, {what}", _drawn(draw)


def _drawn(draw: Callable[[], Figure]) -> Figure:
    """Return a figure, or a page that says why there is none."""
    try:
        return draw()
    except Exception as error:  # no picture is worth the report
        return written(lines_of([style.not_drawn("the figure of this page", error)]))


def _leader_lines(content: Filed) -> list[str]:
    """Return what each leader gains and pays, stands and was said of, and its parameters."""
    names, baseline = content.names, baseline_row(content.run.rows)
    told = []
    for entry in content.drawn:
        row, candidate = entry.row, entry.row.candidate
        if candidate.is_baseline:
            continue
        change = content.changes.get(candidate.id, {})
        summary = leader_summary(row, baseline, names[baseline.candidate.id], change, names)
        told.append(f"{entry.name}. {summary}")
        told += [f"{row.robustness.text}."] if row.robustness else []
        told += [f"{candidate.id} {said}" for said in row.notes]
        told += [f"Parameters: {in_a_line(row.dimensions)}.", ""]
    return told or ["None was solved."]


def _closing_lines(run: RunView) -> list[str]:
    told = [f"{failure.candidate} {failure.what}: {failure.reason}" for failure in run.failures]
    told = told or ["Nothing failed."]
    told += ["", *([run.second_opinion] if run.second_opinion else [])]
    versions = ", ".join(f"{name} {version}" for name, version in run.versions.items())
    return [*told, f"Versions: {versions}."]


def _text_pages(heading: str, told: Sequence[str]) -> Iterator[tuple[str, Figure]]:
    """Yield as many pages as a text takes."""
    lines = lines_of(told)
    for start in range(0, len(lines), _LINES_ON_A_PAGE):
        yield heading, written(lines[start : start + _LINES_ON_A_PAGE])


def _ranking_page(rows: Sequence[RankedRow], names: Mapping[str, str]) -> Figure:
    figure = blank()
    for left, head in zip(_LEFTS_IN, _HEADS, strict=True):
        write(figure, left, 0, head, weight="bold")
    for number, row in enumerate(rows, start=1):
        for left, text in zip(_LEFTS_IN, _cells(row, names), strict=True):
            write(figure, left, number, text)
    return figure


def _cells(row: RankedRow, names: Mapping[str, str]) -> tuple[str, ...]:
    score = row.candidate.score
    levels: tuple[str, ...] = ("–",) * 4
    if score is not None:
        levels = tuple(
            words.decibel_text(level, 2) for level in (score.total_db, *score.objectives.values)
        )
    return (
        "–" if row.place is None else str(row.place),
        names[row.candidate.id] + (" (baseline)" if row.candidate.is_baseline else ""),
        levels[0],
        words.signed_decibels(row.better_by_db),
        *levels[1:],
        row.status,
    )


def _label(figure: Figure, left: float, bottom: float, heading: str, footing: str) -> None:
    """Write heading and footing on a page whose lower left corner is given in inches."""
    across, up = figure.get_size_inches()
    for height, text, size, weight in (
        (UP_IN - MARGIN_IN, heading, 13, "bold"),
        (0.3, footing, 8, "normal"),
    ):
        figure.text(
            (left + MARGIN_IN) / across,
            (bottom + height) / up,
            text,
            size=size,
            weight=weight,
            parse_math=False,
        )
