# SPDX-License-Identifier: GPL-3.0-or-later
"""Dimensions around a view: lengths in lanes, labels on leaders in columns, none on another.

Arrows, extension lines and text as ISO 129-1 has them (from memory): text above an unbroken line,
read from below or from the right.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

from bafflelens.handoff.dimension import SheetDimension
from bafflelens.handoff.sheet_frame import (
    NARROW_MM,
    SMALL,
    Anchor,
    Letters,
    width_of,
    write_letters,
)

Window = tuple[float, float, float, float]
"""What of the part is drawn: u0, v0, u1, v1 in mm, lowest and highest."""

_LANE_MM: Final = 7.0
_LABEL_MM: Final = 5.0  # from a label to the next in a column
_ARROW_MM: Final = 2.5
_BEYOND_MM: Final = 1.5  # extension lines over the dimension line
_APART_MM: Final = 2.5  # between texts of a lane
_CLEAR_MM: Final = 1.0  # from a text to a line that passes it
_LEADER_MM: Final = 9.0  # from the view to the column of labels
_ARC_MM: Final = 14.0  # radius of the arc of an angle, at most
_ARC_SHARE: Final = 0.7  # of the shorter leg
_LEAST_TURN: Final = math.radians(2)


@dataclass(frozen=True, kw_only=True)
class Lane:
    """A length with the number of its lane, from the view outwards."""

    row: SheetDimension
    number: int


@dataclass(frozen=True, kw_only=True)
class Around:
    """What stands around a view, and how much room it takes on the page.

    Attributes
    ----------
    rows : tuple of SheetDimension
        Those that are drawn here.
    window : tuple of float
        What of the part is drawn.
    scale : float
        mm of the part in a mm of the page.
    start : float
        From the view to the first lane.
    """

    rows: tuple[SheetDimension, ...]
    window: Window
    scale: float
    start: float = 8.0

    def lanes(self, side: str) -> list[Lane]:
        """Return the lengths of a side with their lanes, the shortest nearest."""
        taken: list[list[tuple[float, float]]] = []
        found = []
        for row in self._lengths(side):
            low, high = (value / self.scale for value in _span(row))
            middle, half = self.text_place(row), width_of(text_of(row)) / 2 + _APART_MM
            low, high = min(low, middle - half), max(high, middle + half)
            number = next(
                (n for n, lane in enumerate(taken)
                 if all(high <= a or low >= b for a, b in lane) and n == len(taken) - 1),
                len(taken),
            )  # fmt: skip
            if number == len(taken):
                taken.append([])
            taken[number].append((low, high))
            found.append(Lane(row=row, number=number))
        return found

    def _lengths(self, side: str) -> list[SheetDimension]:
        """Return the lengths of a side, the shortest first."""
        rows = [r for r in self.rows if r.shown and r.shown.side == side and _is_length(r)]
        return sorted(rows, key=lambda r: (_span(r)[1] - _span(r)[0], r.symbol))

    def text_place(self, row: SheetDimension) -> float:
        """Return where the middle of a length's text is along its lane, in mm of the page.

        A text that is longer than its length stands beside it, on the nearer side of the
        view. Extension lines of lengths in lanes further out pass it: none goes through it.
        """
        assert row.shown is not None
        low, high = (value / self.scale for value in _span(row))
        half = width_of(text_of(row)) / 2
        axis = 0 if row.shown.how == "across" else 1
        middle = (self.window[axis] + self.window[axis + 2]) / 2 / self.scale
        beyond = _ARROW_MM + 2 + _BEYOND_MM + half
        if high - low >= 2 * half:
            wanted = (low + high) / 2
        else:
            wanted = high + beyond if (low + high) / 2 >= middle else low - beyond
        lengths = self._lengths(row.shown.side)
        passing = [v / self.scale for r in lengths[lengths.index(row) + 1 :] for v in _span(r)]
        clear = half + _CLEAR_MM
        places = [
            wanted,
            *(line + way * max(clear, beyond if line in (low, high) else 0.0)
              for line in (*passing, low, high) for way in (1, -1)),
        ]  # fmt: skip
        free = [
            place
            for place in places
            if all(abs(place - line) >= clear - 1e-9 for line in passing)
            and (place == wanted or abs(place - (low + high) / 2) >= half + (high - low) / 2)
        ]
        return min(free, key=lambda place: abs(place - wanted))

    def labels(self, side: str) -> list[SheetDimension]:
        """Return the rows on leaders of a side, in the order of their places."""
        rows = [r for r in self.rows if r.shown and r.shown.side == side and not _is_length(r)]
        axis = 0 if side in ("above", "below") else 1
        return sorted(rows, key=lambda r: (r.shown.at_mm[0][axis] if r.shown else 0.0, r.symbol))

    def room(self, side: str) -> float:
        """Return how much of the page a side takes beyond the view."""
        lanes, labels = self.lanes(side), self.labels(side)
        needed = 2.0
        if lanes:
            needed = self.start + _LANE_MM * max(lane.number for lane in lanes) + SMALL + 2
        if labels:
            wide = (
                max(width_of(text_of(row)) for row in labels) if side in ("left", "right") else 4
            )
            needed = max(needed, 0.0) + _LEADER_MM + wide
        return needed

    @property
    def size(self) -> tuple[float, float]:
        """Width and height on the page, all of it."""
        u0, v0, u1, v1 = self.window
        wide = (u1 - u0) / self.scale + self.room("left") + self.room("right")
        stacked = max(len(self.labels(side)) for side in ("left", "right")) * _LABEL_MM
        tall = max((v1 - v0) / self.scale, stacked) + self.room("above") + self.room("below")
        listed = sum(width_of(text_of(r)) + _APART_MM for r in self.labels("above"))
        return max(wide, listed), tall


def text_of(row: SheetDimension) -> str:
    """Return what stands at a dimension: its symbol and nominal."""
    return f"{row.symbol} {row.nominal_text}"


def draw_around(canvas: Any, around: Around, left: float, low: float) -> None:
    """Draw all dimensions of a view whose window begins at (left, low) on the page."""
    u0, v0, u1, v1 = around.window
    wide, tall = (u1 - u0) / around.scale, (v1 - v0) / around.scale

    def at(u: float, v: float) -> tuple[float, float]:
        return left + (u - u0) / around.scale, low + (v - v0) / around.scale

    canvas.setLineWidth(NARROW_MM)
    tips = {row.symbol: _tip(canvas, row, at) for row in around.rows if row.shown}
    for side in ("left", "right", "above", "below"):
        way = 1 if side in ("right", "above") else -1
        edge = {"left": left, "right": left + wide, "above": low + tall, "below": low}[side]
        for lane in around.lanes(side):
            place = edge + way * (around.start + _LANE_MM * lane.number)
            ends = [at(*point) for point in lane.row.shown.at_mm] if lane.row.shown else []
            upright = side in ("left", "right")
            start = low - v0 / around.scale if upright else left - u0 / around.scale
            middle = start + around.text_place(lane.row)
            _draw_length(canvas, lane.row, ends, place, middle, upright=upright)
        beyond = around.room(side)
        labels = around.labels(side)
        if labels and side in ("left", "right"):
            column = edge + way * (beyond - max(width_of(text_of(row)) for row in labels))
            _draw_column(canvas, labels, tips, column, way, (low, low + tall))
        elif labels:
            base = edge + way * (beyond - 4)
            _draw_line_of_labels(canvas, labels, tips, base, way, (left, left + wide))


def _is_length(row: SheetDimension) -> bool:
    return row.shown is not None and row.shown.how in ("across", "upright")


def _span(row: SheetDimension) -> tuple[float, float]:
    """Return between what a length lies, along its lane."""
    assert row.shown is not None
    axis = 0 if row.shown.how == "across" else 1
    values = [point[axis] for point in row.shown.at_mm]
    return min(values), max(values)


def _draw_length(
    canvas: Any,
    row: SheetDimension,
    ends: Sequence[tuple[float, float]],
    place: float,
    middle: float,
    *,
    upright: bool,
) -> None:
    """Draw extension lines, the dimension line with arrows, and its text about a middle."""
    axis = 1 if upright else 0
    ends = sorted(ends, key=lambda point: point[axis])
    for point in ends:
        away = math.copysign(1.0, place - point[1 - axis])
        near, far = point[1 - axis] + away, place + away * _BEYOND_MM
        if upright:
            canvas.line(near, point[1], far, point[1])
        else:
            canvas.line(point[0], near, point[0], far)
    low, high = ends[0][axis], ends[-1][axis]
    is_short = high - low < 2.5 * _ARROW_MM
    outer = _ARROW_MM + 2 if is_short else 0.0
    half = width_of(text_of(row)) / 2
    start, stop = min(low - outer, middle - half), max(high + outer, middle + half)
    if upright:
        canvas.line(place, start, place, stop)
    else:
        canvas.line(start, place, stop, place)
    for end, way in ((low, -1), (high, 1)):
        way = -way if is_short else way
        tip = (place, end) if upright else (end, place)
        arrow(canvas, tip, (0.0, float(way)) if upright else (float(way), 0.0))
    where = (place - 1, middle) if upright else (middle, place + 1)
    write_letters(
        canvas, text_of(row), *where, Letters(anchor="middle", turn_deg=90.0 if upright else 0)
    )


def arrow(canvas: Any, tip: tuple[float, float], way: tuple[float, float]) -> None:
    """Draw a filled arrow head at a place, pointing a way (a unit vector)."""
    x, y = tip
    back = (x - way[0] * _ARROW_MM, y - way[1] * _ARROW_MM)
    aside = (-way[1] * _ARROW_MM / 6, way[0] * _ARROW_MM / 6)
    path = canvas.beginPath()
    path.moveTo(x, y)
    path.lineTo(back[0] + aside[0], back[1] + aside[1])
    path.lineTo(back[0] - aside[0], back[1] - aside[1])
    path.close()
    canvas.drawPath(path, fill=1, stroke=0)


def spread(
    wanted: Sequence[float], sizes: Sequence[float], low: float, high: float
) -> list[float]:
    """Return places near the wanted ones, in their order, that are a size apart.

    Parameters
    ----------
    wanted : sequence of float
        Rising.
    sizes : sequence of float
        What each takes, its middle at its place.
    low, high : float
        Between what they lie, if there is room.

    Examples
    --------
    >>> spread([0.0, 1.0, 20.0], [4.0, 4.0, 4.0], 0.0, 30.0)
    [2.0, 6.0, 20.0]
    """
    places: list[float] = []
    end = low
    for place, size in zip(wanted, sizes, strict=True):
        places.append(max(place, end + size / 2))
        end = places[-1] + size / 2
    end = high
    for number in range(len(places) - 1, -1, -1):
        places[number] = min(places[number], end - sizes[number] / 2)
        end = places[number] - sizes[number] / 2
    return places


def _draw_column(
    canvas: Any,
    rows: Sequence[SheetDimension],
    places_of: Mapping[str, tuple[float, float]],
    column: float,
    way: int,
    bounds: tuple[float, float],
) -> None:
    """Draw labels one above another beside a view, each on a leader to its place."""
    rows = sorted(rows, key=lambda row: places_of[row.symbol][1])
    tips = [places_of[row.symbol] for row in rows]
    sizes = [_LABEL_MM] * len(rows)
    low, high = bounds
    more = max(0.0, len(rows) * _LABEL_MM - (high - low)) / 2
    places = spread([tip[1] for tip in tips], sizes, low - more, high + more)
    anchor: Anchor = "right" if way < 0 else "left"
    for row, tip, y in zip(rows, tips, places, strict=True):
        write_letters(canvas, text_of(row), column, y - SMALL / 2, Letters(anchor=anchor))
        _draw_leader(canvas, [(column - way, y), (column - 3.0 * way, y), tip])


def _draw_line_of_labels(
    canvas: Any,
    rows: Sequence[SheetDimension],
    places_of: Mapping[str, tuple[float, float]],
    base: float,
    way: int,
    bounds: tuple[float, float],
) -> None:
    """Draw labels side by side above or below a view, each on a leader to its place."""
    rows = sorted(rows, key=lambda row: places_of[row.symbol][0])
    tips = [places_of[row.symbol] for row in rows]
    sizes = [width_of(text_of(row)) + _APART_MM for row in rows]
    more = max(0.0, sum(sizes) - (bounds[1] - bounds[0])) / 2
    places = spread([tip[0] for tip in tips], sizes, bounds[0] - more, bounds[1] + more)
    for row, tip, x in zip(rows, tips, places, strict=True):
        foot = base + 1 if way > 0 else base - 1 - SMALL
        write_letters(canvas, text_of(row), x, foot, Letters(anchor="middle"))
        half = width_of(text_of(row)) / 2
        canvas.line(x - half, base, x + half, base)
        _draw_leader(canvas, [(x, base), tip])


def _tip(canvas: Any, row: SheetDimension, at: Any) -> tuple[float, float]:
    """Return where the leader of a row ends; of an angle, draw its leg and arc first."""
    assert row.shown is not None
    places = [at(*place) for place in row.shown.at_mm]
    if row.shown.how != "angle":
        x, y = places[0]
        return float(x), float(y)
    (x, y), *legs = places
    along, other = (math.atan2(v - y, u - x) for u, v in legs)
    turn = math.remainder(other - along, math.tau)
    if abs(turn) < _LEAST_TURN:  # parallel to the axis: nothing to draw an arc between
        u, v = legs[1]
        return (x + u) / 2, (y + v) / 2
    radius = min(_ARC_MM, *(_ARC_SHARE * math.dist((x, y), leg) for leg in legs))
    reach = radius + _BEYOND_MM
    canvas.line(x, y, x + reach * math.cos(along), y + reach * math.sin(along))
    box = (x - radius, y - radius, x + radius, y + radius)
    canvas.arc(*box, math.degrees(along), math.degrees(turn))
    is_short = radius * abs(turn) < 2.5 * _ARROW_MM
    for angle, way in ((along, -1.0), (other, 1.0)):
        way = math.copysign(way, way * turn * (-1 if is_short else 1))
        end = (x + radius * math.cos(angle), y + radius * math.sin(angle))
        arrow(canvas, end, (-way * math.sin(angle), way * math.cos(angle)))
    middle = along + turn / 2
    return x + radius * math.cos(middle), y + radius * math.sin(middle)


def _draw_leader(canvas: Any, points: Sequence[tuple[float, float]]) -> None:
    """Draw a line to a place, with an arrow at its end."""
    for (x, y), (x2, y2) in pairwise(points):
        canvas.line(x, y, x2, y2)
    (x, y), tip = points[-2], points[-1]
    size = math.hypot(tip[0] - x, tip[1] - y)
    if size > 1e-6:
        arrow(canvas, tip, ((tip[0] - x) / size, (tip[1] - y) / size))
