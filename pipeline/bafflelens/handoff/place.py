# SPDX-License-Identifier: GPL-3.0-or-later
"""A view at its place on the page: edges seen and hidden, sections with hatching, axes, datums."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final, Literal, TypeAlias

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.annotation import Window, arrow
from bafflelens.handoff.hidden_lines import View, heights_of, outlines, runs, uncovered
from bafflelens.handoff.sheet_frame import (
    LARGE,
    MEDIUM,
    NARROW_MM,
    WIDE_MM,
    Letters,
    width_of,
    write_letters,
)
from bafflelens.handoff.solid import MadePiece, Solid

_STEP_MM: Final = 0.25  # on paper, between points of a line that are looked at
_HATCH_MM: Final = 3.0
_DASHES: Final = (3.0, 1.0)
_CHAIN: Final = (8.0, 1.0, 0.8, 1.0)
_TWO_DOTS: Final = (8.0, 1.0, 0.8, 1.0, 0.8, 1.0)
_BOX_MM: Final = 6.5
_CUT_MM: Final = 7.0  # a cutting plane beyond the view


@dataclass(frozen=True, kw_only=True, eq=False)
class SeenLine:
    """A line of a view, in mm of the part.

    Attributes
    ----------
    points_mm : (n, 2) array
        To the right and up on the page.
    is_hidden, is_smooth : bool
        Whether something is before it, and whether faces run into each other there.
    """

    points_mm: FloatArray
    is_hidden: bool
    is_smooth: bool


Seen: TypeAlias = tuple[Sequence[SeenLine], Sequence[SeenLine]]
"""Lines of the two views of a sheet that are not sections."""


@dataclass(frozen=True)
class Place:
    """Where a view is on the page: (u, v) in mm of the part at a scale."""

    canvas: Any
    scale: float
    window: Window
    left: float
    low: float

    def at(self, u: float, v: float) -> tuple[float, float]:
        """Return the place on the page."""
        u0, v0, _, _ = self.window
        return self.left + (u - u0) / self.scale, self.low + (v - v0) / self.scale

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, lower, right and upper end on the page."""
        _, _, u1, v1 = self.window
        return (self.left, self.low, *self.at(u1, v1))

    def line(
        self, points: FloatArray, width: float, *, dash: Sequence[float] = (), closed: bool = False
    ) -> None:
        """Draw a line through points, (n, 2)."""
        self.canvas.setLineWidth(width)
        self.canvas.setDash(list(dash))
        self.canvas.drawPath(self._path([points], closed=closed), fill=0)
        self.canvas.setDash()

    def _path(self, loops: Sequence[FloatArray], *, closed: bool = True) -> Any:
        path = self.canvas.beginPath()
        for loop in loops:
            path.moveTo(*self.at(*loop[0].tolist()))
            for point in loop[1:].tolist():
                path.lineTo(*self.at(*point))
            if closed:
                path.close()
        return path

    def fill(self, loops: Sequence[FloatArray], grey: float) -> None:
        """Fill what loops (n, 2) enclose, but for what lies within an even number of them."""
        self.canvas.setFillGray(grey)
        self.canvas.drawPath(self._path(loops), stroke=0, fill=1, fillMode=0)
        self.canvas.setFillGray(0.0)

    @contextmanager
    def clipped(self, beyond: float = 0.0) -> Iterator[None]:
        """Draw only what lies in the window, or so far beyond it on the page."""
        left, low, right, high = self.box
        self.canvas.saveState()
        clip = self.canvas.beginPath()
        wide, tall = right - left + 2 * beyond, high - low + 2 * beyond
        clip.rect(left - beyond, low - beyond, wide, tall)
        self.canvas.clipPath(clip, stroke=0, fill=0)
        yield
        self.canvas.restoreState()

    def view(self, lines: Iterable[SeenLine], *, hidden: bool = True) -> None:
        """Draw what is seen wide, what is hidden dashed or not, and smooth edges narrow."""
        for seen in lines:
            if seen.is_hidden and not hidden:
                continue
            width = NARROW_MM if seen.is_hidden or seen.is_smooth else WIDE_MM
            self.line(seen.points_mm, width, dash=_DASHES if seen.is_hidden else ())

    def section(self, loops: Sequence[FloatArray]) -> None:
        """Draw a section hatched, what of it is in the window."""
        left, low, right, high = self.box
        with self.clipped():
            self.canvas.clipPath(self._path(loops), stroke=0, fill=0, fillMode=0)
            self.canvas.setLineWidth(NARROW_MM)
            tall = high - low
            for start in np.arange(left - tall, right, _HATCH_MM * 2**0.5).tolist():
                self.canvas.line(start, low, start + tall, high)
        with self.clipped(WIDE_MM / 2):  # a line along the window is drawn as wide as the others
            for loop in loops:
                self.line(loop, WIDE_MM, closed=True)

    def breaks(self, sides: Sequence[Literal["left", "right", "above", "below"]]) -> None:
        """Draw the lines at which a part of a section ends, narrow with a zigzag."""
        left, low, right, high = self.box
        self.canvas.setLineWidth(NARROW_MM)
        for side in sides:
            upright = side in ("left", "right")
            across = {"left": left, "right": right, "below": low, "above": high}[side]
            start, end = (low, high) if upright else (left, right)
            middle = (start + end) / 2
            along = [start - 1, middle - 1.5, middle - 0.5, middle + 0.5, middle + 1.5, end + 1]
            off = [0.0, 0.0, 1.8, -1.8, 0.0, 0.0]
            path = self.canvas.beginPath()
            for number, (place, away) in enumerate(zip(along, off, strict=True)):
                point = (across + away, place) if upright else (place, across + away)
                (path.lineTo if number else path.moveTo)(*point)
            self.canvas.drawPath(path)

    def axis(self, start: tuple[float, float], end: tuple[float, float], beyond: float) -> None:
        """Draw a chain line between places and so far beyond them on the page."""
        one, two = np.array(self.at(*start)), np.array(self.at(*end))
        way = (two - one) / max(float(np.linalg.norm(two - one)), 1e-9)
        one, two = one - beyond * way, two + beyond * way
        self.canvas.setLineWidth(NARROW_MM)
        self.canvas.setDash(list(_CHAIN))
        self.canvas.line(*one.tolist(), *two.tolist())
        self.canvas.setDash()

    def plane(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        """Draw a plane seen edge on, where no face need lie in it: a chain with two dots."""
        self.line(np.array([start, end]), NARROW_MM, dash=_TWO_DOTS)

    def circle(self, u: float, v: float, radius: float) -> None:
        """Draw a narrow circle with its axes."""
        x, y = self.at(u, v)
        self.canvas.setLineWidth(NARROW_MM)
        self.canvas.circle(x, y, radius / self.scale)
        size = radius / self.scale + 1.5
        self.canvas.setDash([3, 0.7, 0.5, 0.7])
        self.canvas.line(x - size, y, x + size, y)
        self.canvas.line(x, y - size, x, y + size)
        self.canvas.setDash()

    def ring(self, u: float, v: float, radius: float) -> None:
        """Draw a circle that holes lie on: a chain line."""
        x, y = self.at(u, v)
        self.canvas.setLineWidth(NARROW_MM)
        self.canvas.setDash(list(_CHAIN))
        self.canvas.circle(x, y, radius / self.scale)
        self.canvas.setDash()

    def cutting_plane(self, letter: str, place: float, *, upright: bool) -> None:
        """Mark a cutting plane (ISO 128-3): chain line, wide ends, arrows, letters.

        An upright one is looked at to the right, a level one downwards.
        """
        left, low, right, high = self.box
        u, v = self.at(place, place)
        self.canvas.setLineWidth(NARROW_MM)
        self.canvas.setDash(list(_CHAIN))
        if upright:
            self.canvas.line(u, low - _CUT_MM, u, high + _CUT_MM)
        else:
            self.canvas.line(left - _CUT_MM, v, right + _CUT_MM, v)
        self.canvas.setDash()
        for near, way in ((low, -1.0), (high, 1.0)) if upright else ((left, -1.0), (right, 1.0)):
            self.canvas.setLineWidth(WIDE_MM)
            end, start = near + way * _CUT_MM, near + way * (_CUT_MM - 4)
            if upright:
                self.canvas.line(u, start, u, end)
                tail, tip = (u - 6.0, end), (u, end)
                where = (u - 6.0 - LARGE / 2 - 0.6, end - LARGE / 2)
            else:
                self.canvas.line(start, v, end, v)
                tail, tip = (end, v + 6.0), (end, v)
                where = (end, v + 7.0)
            self.canvas.setLineWidth(NARROW_MM)
            self.canvas.line(*tail, *tip)
            arrow(self.canvas, tip, (1.0, 0.0) if upright else (0.0, -1.0))
            write_letters(self.canvas, letter, *where, Letters(height=LARGE, anchor="middle"))

    def datum(self, letter: str, u: float, v: float, way: tuple[int, int], reach: float) -> None:
        """Draw a datum (ISO 5459): a filled triangle at a place, a letter in a frame."""
        x, y = self.at(u, v)
        right, up = way
        path = self.canvas.beginPath()
        path.moveTo(x + up * 1.5, y + right * 1.5)
        path.lineTo(x - up * 1.5, y - right * 1.5)
        path.lineTo(x + right * 2.6, y + up * 2.6)
        path.close()
        self.canvas.setLineWidth(NARROW_MM)
        self.canvas.drawPath(path, fill=1)
        end = (x + right * reach, y + up * reach)
        self.canvas.line(x, y, *end)
        corner = (
            end[0] - _BOX_MM / 2 + right * _BOX_MM / 2,
            end[1] - _BOX_MM / 2 + up * _BOX_MM / 2,
        )
        self.canvas.rect(*corner, _BOX_MM, _BOX_MM)
        where = (corner[0] + _BOX_MM / 2, corner[1] + (_BOX_MM - MEDIUM) / 2)
        write_letters(self.canvas, letter, *where, Letters(height=MEDIUM, anchor="middle"))

    def title(self, text: str, base: float, middle: float | None = None) -> None:
        """Write a view's name over its middle, or over another place, on a base line."""
        left, _, right, _ = self.box
        place = (left + right) / 2 if middle is None else middle
        write_letters(self.canvas, text, place, base, Letters(height=MEDIUM, anchor="middle"))


def title_width(text: str) -> float:
    """Return how wide a view's name is on the page."""
    return width_of(text, MEDIUM)


def seen_lines(solid: Solid | MadePiece, view: View, scale: float) -> list[SeenLine]:
    """Return the edges and outlines of a solid as they are seen, in pieces seen or hidden.

    Smooth edges that are hidden are left out, and what is hidden on what is drawn already.

    Parameters
    ----------
    solid : Solid or MadePiece
        What is drawn.
    view : View
        How it is seen.
    scale : float
        Of the drawing; 2 for half as large.
    """
    heights = heights_of(solid.mesh, view)
    step_m = _STEP_MM * scale * 1e-3
    found = []
    for points, is_smooth in _lines(solid, view):
        if np.ptp(view.on_page(points), axis=0).max() < 1e-6:
            continue  # seen end on
        found += [
            SeenLine(points_mm=view.on_page(piece) * 1e3, is_hidden=hidden, is_smooth=is_smooth)
            for piece, hidden in runs(points, heights, step_m)
            if not (hidden and is_smooth)
        ]
    seen = [line for line in found if not line.is_hidden]
    hidden = [line.points_mm for line in found if line.is_hidden]
    return [
        *seen,
        *(
            SeenLine(points_mm=points, is_hidden=True, is_smooth=False)
            for points in uncovered(hidden, [line.points_mm for line in seen], step_m * 1e3)
        ),
    ]


def _lines(solid: Solid | MadePiece, view: View) -> Iterator[tuple[FloatArray, bool]]:
    for edge in solid.edges:
        yield edge.points_m, edge.is_smooth
    for line in outlines(solid.mesh, view):
        yield line, False
