# SPDX-License-Identifier: GPL-3.0-or-later
"""Section templates at 1:1: their outlines, and pages to cut out."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.paper import BOLD, FONT, use_fonts
from bafflelens.handoff.solid import Section
from bafflelens.handoff.template_lines import draw_changes, draw_ends, draw_outlines
from bafflelens.handoff.template_stations import (
    MOST,
    chosen_stations,
    reach_of_changes,
    template_reach,
)

PAGES_MM: Final = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "roll": (610.0, math.inf)}
SCALE_BAR_MM: Final = 100.0
MARGIN_MM: Final = 9.0
_BAND_MM: Final = 16.0  # at the foot of a page, for words and the scale bar
_NARROWEST_MM: Final = 200.0  # page that the words at its foot fit on
_AROUND_MM: Final = 6.0  # of a template, for axes and their names
_OVERLAP_MM: Final = 15.0  # of tiles, at least
_STRIP_MM: Final = 8.0  # from the straight back of a template to the words along it
_WORDS_MM: Final = 2.2  # half of what these words take across
_FEWEST: Final = 2  # the sections through the axis
_POINTS: Final = 72 / 25.4  # a millimetre in points


@dataclass(frozen=True, kw_only=True)
class Template:
    """One template.

    Attributes
    ----------
    name : str
        Of its file.
    text : str
        What is written on it: candidate, revision, station.
    loops : tuple of (n, 2) array
        Closed outlines, x and z (or y) in mm.
    rim : (2, 2) array or None
        The line between the edges of the driver's moving parts, where the section meets it.
    across : str
        Name of the second axis, ``z``, ``y`` or ``r``.
    strip_mm : float
        The x along which its words stand, so that they stay on the piece that is cut out.
    reach_mm : (float, float) or None
        The part of the second axis that is drawn on paper; None for all of it.
    before : tuple of (n, 2) array
        The outlines that a part had before it was changed; empty for a new one.
    side : str
        From where it is seen.
    """

    name: str
    text: str
    loops: tuple[FloatArray, ...]
    rim: FloatArray | None
    across: str
    strip_mm: float
    reach_mm: tuple[float, float] | None = None
    before: tuple[FloatArray, ...] = ()
    side: str = ""

    @property
    def box_mm(self) -> FloatArray:
        """Lowest and highest corner, (2, 2), scale bar and axes included."""
        points = np.concatenate([*self.loops, *self.before, [[0.0, 0.0]]])
        box = np.array([points.min(axis=0), points.max(axis=0)])
        if self.reach_mm is not None:
            box[:, 1] = np.clip(box[:, 1], *self.reach_mm)
        return box


def templates_of(
    sections: Sequence[Section],
    label: str,
    centre_mm: Sequence[float],
    radius_mm: float,
    *,
    before: Mapping[str, Section] | None = None,
) -> Iterator[Template]:
    """Yield profile and scraper of each section.

    Parameters
    ----------
    sections : sequence of Section
        The sections.
    label : str
        Candidate and revision.
    centre_mm : (3,) sequence
        Where the first source's rim is.
    radius_mm : float
        Its outer radius.
    before : mapping of str to Section, optional
        Sections of the part that is to be changed, by their names.
    """
    for section in sections:
        rim, across = _rim_of(section, centre_mm, radius_mm)
        for kind, loops in (("profile", section.profile), ("scraper", section.scraper)):
            if not loops:
                continue
            points = np.concatenate(loops)
            back = points[:, 0].min() if kind == "profile" else points[:, 0].max()
            yield Template(
                name=f"{section.name}_{kind}",
                text=f"{label}  {kind}  {section.text}",
                loops=loops,
                rim=rim,
                across=across,
                strip_mm=float(back + _STRIP_MM if kind == "profile" else back - _STRIP_MM),
                before=_outlines((before or {}).get(section.name), kind),
                side=_SIDES[section.kind],
            )


def printed_templates(
    sections: Sequence[Section],
    label: str,
    centre_mm: Sequence[float],
    radius_mm: float,
    shaped_mm: FloatArray,
    *,
    before: Mapping[str, Section] | None = None,
    most: int = MOST,
) -> Iterator[Template]:
    """Yield the few that are printed: one a station, cut apart along its line into both pieces.

    Parameters
    ----------
    sections, label, centre_mm, radius_mm, before
        As for `templates_of`.
    shaped_mm : (n, 3) array
        Places on the lens; a template reaches little beyond it.
    most : int
        How many stations at most.
    """
    chosen = chosen_stations(sections, most)
    for section in chosen:
        for template in templates_of([section], label, centre_mm, radius_mm, before=before):
            if template.name.endswith("_profile"):
                text = f"{label}  {section.text}; {template.side}"
                reach = template_reach(section, shaped_mm)
                reach = reach_of_changes(reach, template.before, template.loops)
                yield replace(template, text=text, reach_mm=reach)


_SIDES: Final = {
    "vertical": "front to the right, seen from the right (-y); z up",
    "horizontal": "front to the right, seen from above; y (left) up",
    "radial": "front to the right; up is away from the axis to the left",
}


def _outlines(section: Section | None, kind: str) -> tuple[FloatArray, ...]:
    if section is None:
        return ()
    return section.profile if kind == "profile" else section.scraper


def _rim_of(
    section: Section, centre_mm: Sequence[float], radius_mm: float
) -> tuple[FloatArray | None, str]:
    """Return where a section meets the rim of the moving parts, and what its second axis is."""
    if section.kind == "radial":
        off, middle, across = 0.0, 0.0, "r"
    elif section.kind == "vertical":
        off, middle, across = section.station - centre_mm[1], centre_mm[2], "z"
    else:
        off, middle, across = section.station - centre_mm[2], centre_mm[1], "y"
    half = math.sqrt(max(radius_mm**2 - off**2, 0.0))
    if not half:
        return None, across
    return np.array([[centre_mm[0], middle - half], [centre_mm[0], middle + half]]), across


# ------------------------------------------------------------------------------------ PDF


def on_few_pages(
    templates_of_most: Callable[[int], Sequence[Template]], page: str
) -> Sequence[Template]:
    """Return as many templates as take no more than `MOST` pages: fewer where some take two.

    Parameters
    ----------
    templates_of_most : callable
        Makes them, of so many stations at most.
    page : {"A4", "A3", "roll"}
        The paper.
    """
    found: Sequence[Template] = ()
    for most in range(MOST, _FEWEST - 1, -1):
        found = templates_of_most(most)
        if sum(_tiling(template, page).count for template in found) <= MOST:
            break
    return found


def templates_pdf(templates: Sequence[Template], page: str) -> bytes:
    """Return pages with templates at 1:1, tiled where one is larger than the page.

    Parameters
    ----------
    templates : sequence of Template
        The templates.
    page : {"A4", "A3", "roll"}
        The paper.
    """
    from reportlab.pdfgen.canvas import Canvas

    use_fonts()
    stream = io.BytesIO()
    canvas = Canvas(stream, invariant=1, pageCompression=1)
    canvas.setTitle("Section templates, 1:1")
    canvas.setCreator("bafflelens")
    for template in templates:
        _draw_tiles(canvas, template, page)
    canvas.save()
    return stream.getvalue()


@dataclass(frozen=True, kw_only=True)
class _Tiling:
    """How a template lies on pages: their size, the part that is drawn on, where each begins."""

    page_mm: tuple[float, float]
    room_mm: FloatArray
    columns_mm: FloatArray
    rows_mm: FloatArray

    @property
    def count(self) -> int:
        """How many pages there are."""
        return len(self.columns_mm) * len(self.rows_mm)

    @property
    def marks_mm(self) -> list[tuple[float, float, str]]:
        """Registration marks in the middle of every overlap, each on both of its tiles."""
        found: list[tuple[float, float]] = []
        wide, tall = self.room_mm.tolist()
        for low, high in pairwise(self.rows_mm.tolist()):
            middle = (high + low + tall) / 2
            found += [(x + aside, middle) for x in self.columns_mm for aside in (6.0, wide - 6)]
        for low, high in pairwise(self.columns_mm.tolist()):
            middle = (high + low + wide) / 2
            found += [(middle, y + up) for y in self.rows_mm for up in (6.0, tall - 6)]
        return [(float(x), float(y), f"M{n}") for n, (x, y) in enumerate(found, start=1)]


def _tiling(template: Template, page: str) -> _Tiling:
    """Return the way to lay a template on pages that takes fewest of them, then least paper."""
    low, high = template.box_mm + np.array([[-_AROUND_MM], [_AROUND_MM]])
    across, up = PAGES_MM[page]
    furniture = np.array([2 * MARGIN_MM, 2 * MARGIN_MM + _BAND_MM])
    needed = np.maximum(high - low + furniture, [_NARROWEST_MM, 0.0]) + 0.01
    sizes = [(across, up), (up, across)]
    if math.isinf(up):
        sizes = [(across, float(needed[1])), (float(needed[0]), across)]
    tilings = []
    for size in sizes:
        room = np.array(size) - furniture
        columns, rows = (_starts(low[n], high[n], float(room[n])) for n in range(2))
        tilings.append(_Tiling(page_mm=size, room_mm=room, columns_mm=columns, rows_mm=rows))
    return min(tilings, key=lambda tiling: (tiling.count, math.prod(tiling.page_mm)))


def _starts(low: float, high: float, room: float) -> FloatArray:
    """Return where tiles begin that cover a range and overlap, evenly."""
    if high - low <= room:
        return np.array([low])
    count = math.ceil((high - low - _OVERLAP_MM) / (room - _OVERLAP_MM) - 1e-9)
    return np.linspace(low, high - room, count)


def _draw_tiles(canvas: Any, template: Template, page: str) -> None:
    tiling = _tiling(template, page)
    columns, rows = len(tiling.columns_mm), len(tiling.rows_mm)
    for row, up in enumerate(tiling.rows_mm.tolist()):
        for column, across in enumerate(tiling.columns_mm.tolist()):
            canvas.setPageSize(tuple(side * _POINTS for side in tiling.page_mm))
            canvas.scale(_POINTS, _POINTS)
            tile = ""
            if tiling.count > 1:
                tile = (
                    f"tile {row * columns + column + 1} of {tiling.count} (column {column + 1}/"
                    f"{columns}, row {row + 1}/{rows} from below); lay marks of the same number "
                    "on each other"
                )
            _draw_foot(canvas, template.text, tile, tiling.page_mm[0] - 2 * MARGIN_MM)
            _draw_tile(canvas, template, np.array([across, up]), tiling)
            canvas.showPage()


def _draw_foot(canvas: Any, text: str, tile: str, room: float) -> None:
    x, y = MARGIN_MM, MARGIN_MM
    _draw_scale(canvas, x, y)
    canvas.setFont(FONT, 2.6)
    canvas.drawString(x + SCALE_BAR_MM + 3, y - 1, "100 mm: measure both bars,")
    canvas.drawString(x + SCALE_BAR_MM + 3, y - 4.2, "print at 100 %")
    _set_fitting(canvas, text, room, BOLD, 3.0)
    canvas.drawString(x, y + 8, text)
    _set_fitting(canvas, tile, room, FONT, 2.6)
    canvas.drawString(x, y + 3.5, tile)


def _draw_scale(canvas: Any, x: float, y: float) -> None:
    """Draw a bar of 100 mm with a tick every 10 mm."""
    canvas.setLineWidth(0.3)
    canvas.line(x, y, x + SCALE_BAR_MM, y)
    for step in range(11):
        canvas.line(x + 10 * step, y - (2 if step % 5 == 0 else 1), x + 10 * step, y)


def _draw_tile(canvas: Any, template: Template, start: FloatArray, tiling: _Tiling) -> None:
    left, foot = MARGIN_MM, MARGIN_MM + _BAND_MM
    room = tiling.room_mm
    # A printer can stretch one way only: so there is an upright bar, too, in the margin.
    canvas.saveState()
    canvas.translate(tiling.page_mm[0] - MARGIN_MM + 1.5, foot)
    canvas.rotate(90)
    _draw_scale(canvas, 0, 0)
    canvas.restoreState()
    canvas.saveState()
    clip = canvas.beginPath()
    clip.rect(left, foot, *room.tolist())
    canvas.clipPath(clip, stroke=0)
    canvas.translate(left - start[0], foot - start[1])
    for x, y, name in tiling.marks_mm:
        _draw_mark(canvas, x, y, name)
    (low_x, low_y), (high_x, high_y) = template.box_mm
    canvas.setLineWidth(0.1)
    canvas.setDash(4, 1)
    # Not through the words on the piece.
    canvas.line(low_x - 5, 0, template.strip_mm - _WORDS_MM, 0)
    canvas.line(template.strip_mm + _WORDS_MM, 0, high_x + 5, 0)
    canvas.line(0, low_y - 5, 0, high_y + 5)
    canvas.setFont(FONT, 3)
    canvas.drawString(high_x + 2, -3.4, "x")
    canvas.drawString(-3, high_y + 2, template.across)
    canvas.setDash()
    if template.rim is not None:
        canvas.setDash(1, 1)
        canvas.setLineWidth(0.2)
        canvas.line(*template.rim.ravel().tolist())
        canvas.setDash()
    canvas.setLineWidth(0.25)
    draw_outlines(canvas, template)
    if template.before:
        draw_changes(canvas, template)
    draw_ends(canvas, template)
    # On the piece itself, in the middle of what of it is on this page.
    lowest, highest = max(low_y, float(start[1])), min(high_y, float(start[1] + room[1]))
    if start[0] <= template.strip_mm <= start[0] + room[0] and highest - lowest > 20:
        canvas.saveState()
        canvas.translate(template.strip_mm + 1, lowest + 0.45 * (highest - lowest))
        canvas.rotate(90)
        _set_fitting(canvas, template.text, 0.8 * (highest - lowest), FONT, 2.6)
        canvas.drawCentredString(0, 0, template.text)
        canvas.restoreState()
    canvas.restoreState()


def _set_fitting(canvas: Any, text: str, room: float, font: str, size: float) -> None:
    """Set letters of a size, or smaller where a text would not fit."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    wide = max(stringWidth(text, font, size), 1e-6)
    canvas.setFont(font, size * min(1.0, room / wide))


def _draw_mark(canvas: Any, x: float, y: float, name: str) -> None:
    canvas.setLineWidth(0.15)
    canvas.line(x - 4, y, x + 4, y)
    canvas.line(x, y - 4, x, y + 4)
    canvas.circle(x, y, 2)
    canvas.setFont(FONT, 2.2)
    canvas.drawString(x + 1, y + 2.4, name)
