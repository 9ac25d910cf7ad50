# SPDX-License-Identifier: GPL-3.0-or-later
"""A drawing sheet: frame, title block, lines and letters.

Standards, all from memory: sizes, margins, centring marks and grid of ISO 5457 (A3), title block
180 mm wide of ISO 7200, wide and narrow lines 2:1 of ISO 128-2, heights of letters of ISO 3098,
first-angle projection and its symbol of ISO 5456-2.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from bafflelens.handoff.paper import BOLD, FONT, MM, use_fonts

A3_MM: Final = (420.0, 297.0)
FRAME_MM: Final = (20.0, 10.0, 410.0, 287.0)
"""Left, lower, right and upper line of the frame."""
TITLE_BLOCK_MM: Final = (230.0, 10.0, 410.0, 50.0)
WIDE_MM: Final = 0.5
NARROW_MM: Final = 0.25
SMALL: Final = 2.5
MEDIUM: Final = 3.5
LARGE: Final = 5.0
"""Heights of capital letters in mm."""
_FRAME_LINE_MM: Final = 0.7
_GRID_MM: Final = 50.0
_BORDER_MM: Final = 5.0
_CAPITALS: Final = 0.729  # height of the font's capitals over its size
_ROW_MM: Final = 10.0
_BLOCK: Final = (
    (("title", "Part", 110.0), ("revision", "Revision", 40.0), ("sheet", "Sheet", 30.0)),
    (
        ("run", "Run", 70.0),
        ("candidate", "Candidate", 40.0),
        ("date", "Date of the run", 40.0),
        ("scale", "Scale", 30.0),
    ),
    (("material", "Material", 70.0), ("finish", "Finish", 80.0), ("", "", 30.0)),
    (
        ("tolerances", "General tolerances", 70.0),
        ("units", "Units", 50.0),
        ("projection", "Projection", 60.0),
    ),
)
"""Cells of the title block from above: key, label, width."""

Anchor = Literal["left", "middle", "right"]


@dataclass(frozen=True, kw_only=True)
class Letters:
    """How a text is written: height of its capitals in mm, bold or not, its anchor, its turn."""

    height: float = SMALL
    bold: bool = False
    anchor: Anchor = "left"
    turn_deg: float = 0.0


def font_size(height: float) -> float:
    """Return the size of the font whose capitals have a height."""
    return height / _CAPITALS


def width_of(text: str, height: float = SMALL, *, bold: bool = False) -> float:
    """Return the width of a text in mm."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    use_fonts()
    return float(stringWidth(text, BOLD if bold else FONT, font_size(height)))


def wrapped(text: str, room: float, height: float = SMALL, *, bold: bool = False) -> list[str]:
    """Return a text in lines that fit a width in mm; a longer word is cut."""
    lines, line = [], ""
    longest = max(1, int(room / width_of("m", height, bold=bold)))
    words = [part for word in text.split() for part in _cut(word, room, height, longest)]
    for word in words:
        longer = f"{line} {word}".strip()
        if line and width_of(longer, height, bold=bold) > room:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line]


def _cut(word: str, room: float, height: float, longest: int) -> list[str]:
    return [word] if width_of(word, height, bold=True) <= room else textwrap.wrap(word, longest)


def write_letters(
    canvas: Any, text: str, x: float, y: float, letters: Letters | None = None
) -> None:
    """Write a text; (x, y) is on its base line."""
    letters = letters or Letters()
    canvas.saveState()
    canvas.translate(x, y)
    canvas.rotate(letters.turn_deg)
    canvas.setFont(BOLD if letters.bold else FONT, font_size(letters.height))
    draw = {
        "left": canvas.drawString,
        "middle": canvas.drawCentredString,
        "right": canvas.drawRightString,
    }[letters.anchor]
    draw(0, 0, text)
    canvas.restoreState()


def start_sheet(canvas: Any, cells: Mapping[str, str]) -> None:
    """Begin a page: its size, the frame, the title block.

    Parameters
    ----------
    canvas : reportlab Canvas
        Then in mm.
    cells : mapping of str to str
        Texts of the title block: title, revision, sheet, run, candidate, date, scale, material,
        finish.
    """
    use_fonts()
    canvas.setPageSize(tuple(side * MM for side in A3_MM))
    canvas.scale(MM, MM)
    canvas.setLineJoin(1)
    _draw_frame(canvas)
    _draw_block(
        canvas,
        {
            **cells,
            "tolerances": "ISO 2768-m, if none is given",
            "units": "mm; angles in degrees",
            "projection": "first angle",
        },
    )


def _draw_frame(canvas: Any) -> None:
    left, low, right, high = FRAME_MM
    middle_x, middle_y = A3_MM[0] / 2, A3_MM[1] / 2
    canvas.setLineWidth(_FRAME_LINE_MM)
    canvas.rect(left, low, right - left, high - low)
    for x, way in ((left, 1), (right, -1)):  # centring marks
        canvas.line(x - way * _BORDER_MM, middle_y, x + way * _BORDER_MM, middle_y)
    for y, way in ((low, 1), (high, -1)):
        canvas.line(middle_x, y - way * _BORDER_MM, middle_x, y + way * _BORDER_MM)
    canvas.setLineWidth(NARROW_MM)
    outer = (left - _BORDER_MM, low - _BORDER_MM, right + _BORDER_MM, high + _BORDER_MM)
    canvas.rect(outer[0], outer[1], outer[2] - outer[0], outer[3] - outer[1])
    for ends, middle, names, upright in (
        ((left, right), middle_x, "12345678", False),
        ((low, high), middle_y, "FEDCBA", True),
    ):
        half = len(names) // 2
        bounds = [middle + _GRID_MM * n for n in range(-half, half + 1)]
        bounds[0], bounds[-1] = ends
        for number, name in enumerate(names):
            at = (bounds[number] + bounds[number + 1]) / 2
            _grid_fields(canvas, name, at, bounds[number], number > 0, upright, outer)


def _grid_fields(
    canvas: Any,
    name: str,
    at: float,
    start: float,
    parted: bool,
    upright: bool,
    outer: Sequence[float],
) -> None:
    """Write a field's name on both sides of the frame, and the line before it."""
    left, low, right, high = FRAME_MM
    letters = Letters(height=SMALL, anchor="middle")
    if upright:
        for x, edge in ((left - 2.5, outer[0]), (right + 2.5, right)):
            write_letters(canvas, name, x, at - SMALL / 2, letters)
            if parted:
                canvas.line(edge, start, edge + _BORDER_MM, start)
        return
    for y, edge in ((low - 2.5, outer[1]), (high + 2.5, high)):
        write_letters(canvas, name, at, y - SMALL / 2, letters)
        if parted:
            canvas.line(start, edge, start, edge + _BORDER_MM)


def _draw_block(canvas: Any, cells: Mapping[str, str]) -> None:
    left, _, right, high = TITLE_BLOCK_MM
    canvas.setLineWidth(WIDE_MM)
    canvas.rect(left, TITLE_BLOCK_MM[1], right - left, high - TITLE_BLOCK_MM[1])
    canvas.setLineWidth(NARROW_MM)
    for number, row in enumerate(_BLOCK):
        x, foot = left, high - (number + 1) * _ROW_MM
        if number:
            canvas.line(left, foot + _ROW_MM, right, foot + _ROW_MM)
        for key, label, wide in row:
            if x > left:
                canvas.line(x, foot, x, foot + _ROW_MM)
            if key:
                write_letters(canvas, label, x + 1.5, foot + 6.6)
                _write_cell(canvas, cells.get(key, ""), x + 1.5, foot + 1.6, wide - 3)
            else:
                _draw_symbol(canvas, x + wide / 2, foot + _ROW_MM / 2)
            x += wide


def _write_cell(canvas: Any, text: str, x: float, y: float, room: float) -> None:
    """Write a text as large as fits; one that does not fit at all ends in dots."""
    height = MEDIUM if width_of(text, MEDIUM) <= room else SMALL
    while width_of(text, height) > room and len(text) > 1:
        text = text.rstrip("\u2026")[:-1] + "\u2026"
    write_letters(canvas, text, x, y, Letters(height=height))


def _draw_symbol(canvas: Any, x: float, y: float) -> None:
    """Draw the symbol of first-angle projection: a cone from its side, its end to the right."""
    size = 6.0
    canvas.setLineWidth(NARROW_MM)
    cone, rings = x - 0.85 * size, x + 0.85 * size
    near, far = cone - size / 2, cone + size / 2
    path = canvas.beginPath()
    path.moveTo(near, y - size / 4)
    path.lineTo(far, y - size / 2)
    path.lineTo(far, y + size / 2)
    path.lineTo(near, y + size / 4)
    path.close()
    canvas.setLineWidth(WIDE_MM)
    canvas.drawPath(path)
    canvas.circle(rings, y, size / 2)
    canvas.circle(rings, y, size / 4)
    canvas.setLineWidth(NARROW_MM)
    canvas.setDash([2, 0.6, 0.4, 0.6])
    canvas.line(near - 1, y, far + 1, y)
    canvas.line(rings - size / 2 - 1, y, rings + size / 2 + 1, y)
    canvas.line(rings, y - size / 2 - 1, rings, y + size / 2 + 1)
    canvas.setDash()
