# SPDX-License-Identifier: GPL-3.0-or-later
"""Tables and paragraphs that flow from one drawing sheet to the next, above the title block."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from bafflelens.handoff.sheet_frame import (
    FRAME_MM,
    MEDIUM,
    NARROW_MM,
    SMALL,
    TITLE_BLOCK_MM,
    Letters,
    wrapped,
    write_letters,
)

_LEFT_MM: Final = FRAME_MM[0] + 6
_TOP_MM: Final = FRAME_MM[3] - 8
_FOOT_MM: Final = TITLE_BLOCK_MM[3] + 6
_LINE_MM: Final = 4.2
_APART_MM: Final = 1.4  # between rows
_ROOM_MM: Final = FRAME_MM[2] - FRAME_MM[0] - 12


@dataclass
class Page:
    """What is written on one sheet: texts with their places, and level lines."""

    texts: list[tuple[str, float, float, Letters]] = field(default_factory=list)
    lines: list[tuple[float, float, float]] = field(default_factory=list)

    def draw(self, canvas: Any) -> None:
        """Draw it."""
        canvas.setLineWidth(NARROW_MM)
        for left, right, y in self.lines:
            canvas.line(left, y, right, y)
        for text, x, y, letters in self.texts:
            write_letters(canvas, text, x, y, letters)


@dataclass
class Flow:
    """Pages that are filled from above; a row or paragraph is never parted."""

    pages: list[Page] = field(default_factory=lambda: [Page()])
    _y: float = _TOP_MM

    def new_page(self) -> None:
        """Begin the next sheet."""
        self.pages.append(Page())
        self._y = _TOP_MM

    def _need(self, height: float) -> None:
        if self._y - height < _FOOT_MM:
            self.new_page()

    def heading(self, text: str) -> None:
        """Write a heading; it stays with the row or line that follows."""
        if self._y < _TOP_MM:
            self._y -= 3
        self._need(MEDIUM + 4 * _LINE_MM)
        self._y -= MEDIUM
        self.pages[-1].texts.append((text, _LEFT_MM, self._y, Letters(height=MEDIUM, bold=True)))
        self._y -= 3

    def paragraph(self, text: str, *, bold: bool = False) -> None:
        """Write a text over the sheet's width."""
        lines = wrapped(text, _ROOM_MM, bold=bold)
        self._need(_LINE_MM * len(lines))
        self._lines(lines, _LEFT_MM, Letters(height=SMALL, bold=bold))
        self._y -= _LINE_MM * len(lines) + _APART_MM

    def table(
        self, heads: Sequence[str], widths_mm: Sequence[float], rows: Sequence[Sequence[str]]
    ) -> None:
        """Write a table, its heads again on every sheet that it runs on to, and with a row."""
        self._need(sum(self._height(row, widths_mm) for row in (heads, *rows[:1])))
        self._row(heads, widths_mm, bold=True)
        for row in rows:
            before = len(self.pages)
            self._need(self._height(row, widths_mm))
            if len(self.pages) > before:
                self._row(heads, widths_mm, bold=True)
            self._row(row, widths_mm)
        self._y -= 2

    def _height(self, row: Sequence[str], widths_mm: Sequence[float]) -> float:
        cells = (wrapped(text, wide - 3) for text, wide in zip(row, widths_mm, strict=True))
        return _LINE_MM * max(len(lines) for lines in cells) + _APART_MM

    def _row(self, row: Sequence[str], widths_mm: Sequence[float], *, bold: bool = False) -> None:
        x = _LEFT_MM
        for text, wide in zip(row, widths_mm, strict=True):
            self._lines(wrapped(text, wide - 3, bold=bold), x, Letters(height=SMALL, bold=bold))
            x += wide
        self._y -= self._height(row, widths_mm)
        self.pages[-1].lines.append((_LEFT_MM, x, self._y + 0.4))

    def _lines(self, lines: Sequence[str], x: float, letters: Letters) -> None:
        for number, line in enumerate(lines):
            place = (x, self._y - SMALL - _LINE_MM * number - 0.3)
            self.pages[-1].texts.append((line, *place, letters))
