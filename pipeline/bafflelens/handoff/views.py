# SPDX-License-Identifier: GPL-3.0-or-later
"""The first page of a drawing: views with hidden edges, sections, dimensions, driver, notes.

Third angle: the view from above stands above the front, that from its left, which is the
viewer's right, to the right. Lines as in ISO 128-2 (from memory): wide where an edge is seen,
dashed and narrow where it is hidden, narrow where faces run into each other without a bend.
"""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.calipers import Caliper, calipers_of
from bafflelens.handoff.checks import Check, screw_places
from bafflelens.handoff.hidden_lines import (
    FROM_ABOVE,
    FROM_LEFT,
    FRONT,
    View,
    heights_of,
    outlines,
    runs,
)
from bafflelens.handoff.paper import BOLD, FONT
from bafflelens.handoff.solid import Section, Solid
from bafflelens.job.sections import HandoffSection
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.report.shape_picture import shape_picture

A3_MM: Final = (420.0, 297.0)
_SCALES: Final = (1, 2, 5, 10, 20)  # ISO 5455
_GAP_MM: Final = 24.0
_LEFT_MM: Final = 38.0
_FOOT_MM: Final = 46.0
_SIDE_MM: Final = 106.0  # the column of notes
_SEEN_MM: Final = 0.35
_NARROW_MM: Final = 0.15
_STEP_MM: Final = 0.25  # on paper, between points of a line that are looked at
_NOTE_LETTERS: Final = 62
_KINDS: Final = ("vertical", "horizontal")


def scale_of(box_mm: FloatArray) -> int:
    """Return the standard scale (ISO 5455) at which views and section fit."""
    depth, width, height = box_mm[1] - box_mm[0]
    room = (
        A3_MM[0] - _LEFT_MM - 3 * _GAP_MM - _SIDE_MM,
        A3_MM[1] - _FOOT_MM - _GAP_MM - 18,
    )
    needed = max((width + max(depth, width) + depth) / room[0], (height + depth) / room[1])
    return next((scale for scale in _SCALES if scale >= needed), math.ceil(needed))


def draw_views(
    canvas: Any,
    solid: Solid,
    motions: Sequence[SourceMotion],
    checks: Sequence[Check],
    settings: HandoffSection,
    scale: int,
) -> None:
    """Draw front, view from its left and from above, two sections, a picture, and the notes.

    Parameters
    ----------
    canvas : reportlab Canvas
        In mm.
    solid : Solid
        What is drawn.
    motions : sequence of SourceMotion
        What moves: the drivers.
    checks : sequence of Check
        For the smallest radius and wall.
    settings : HandoffSection
        Flange and screws.
    scale : int
        As `scale_of` gives it.
    """
    box = solid.box_m * 1e3
    depth, width, height = (box[1] - box[0]) / scale
    right = _LEFT_MM + width + _GAP_MM
    above = _FOOT_MM + height + _GAP_MM
    cut_at = right + max(depth, width) + _GAP_MM
    side_at = A3_MM[0] - 10 - _SIDE_MM
    front = _Place(canvas, scale, _LEFT_MM - box[0][1] / scale, _FOOT_MM - box[0][2] / scale)
    side = _Place(canvas, scale, right + box[1][0] / scale, _FOOT_MM - box[0][2] / scale)
    top = _Place(canvas, scale, _LEFT_MM - box[0][1] / scale, above + box[1][0] / scale)
    cut = _Place(canvas, scale, cut_at - box[0][0] / scale, _FOOT_MM - box[0][2] / scale)
    across = _Place(canvas, scale, right - box[0][1] / scale, above + box[1][0] / scale)
    for place, view in ((front, FRONT), (side, FROM_LEFT), (top, FROM_ABOVE)):
        _draw_view(place, solid, view)
    upright, level = (_through_the_axis(solid.sections, kind) for kind in _KINDS)
    _fill(cut, upright.whole)
    # Seen from above like the view beside it: y to the right, the front below.
    _fill(across, [loop[:, ::-1] * [1, -1] for loop in level.whole])
    for place, text, x, y in (
        (front, "front, seen from +x", box[0][1], box[0][2]),
        (side, "from its left (+y)", -box[1][0], box[0][2]),
        (top, "from above", box[0][1], -box[1][0]),
        (cut, f"section {upright.text.split(', ')[1]}", box[0][0], box[0][2]),
        (across, f"section {level.text.split(', ')[1]}", box[0][1], -box[1][0]),
    ):
        place.text(text, x, y)
    calipers = calipers_of(box, motions[0])
    _dimensions(front, side, cut, box, motions[0], {c.symbol: c.nominal_text for c in calipers})
    _drivers(front, motions, settings)
    _draw_marks(front, checks)
    _draw_picture(canvas, solid, side_at)
    _write_notes(canvas, motions, checks, settings, calipers, side_at)


def _through_the_axis(sections: Sequence[Section], kind: str) -> Section:
    """Return the first section of a kind: that through the axis."""
    return next(section for section in sections if section.kind == kind)


def _draw_view(place: _Place, solid: Solid, view: View) -> None:
    """Draw what is seen wide, what is hidden dashed, and smooth edges narrow."""
    heights = heights_of(solid.mesh, view)
    step_m = _STEP_MM * place.scale * 1e-3
    for points, is_smooth in _lines(solid, view):
        if np.ptp(view.on_page(points), axis=0).max() < 1e-6:
            continue  # seen end on
        for piece, is_hidden in runs(points, heights, step_m):
            if is_hidden and is_smooth:
                continue
            width = _NARROW_MM if is_hidden or is_smooth else _SEEN_MM
            place.line(view.on_page(piece) * 1e3, width, dashed=is_hidden)


def _lines(solid: Solid, view: View) -> Iterator[tuple[FloatArray, bool]]:
    for edge in solid.edges:
        yield edge.points_m, edge.is_smooth
    for line in outlines(solid.mesh, view):
        yield line, False


def _fill(place: _Place, loops: Sequence[FloatArray]) -> None:
    place.canvas.setFillGray(0.88)
    for loop in loops:
        place.line(loop, _SEEN_MM, filled=True)
    place.canvas.setFillGray(0)


def _dimensions(
    front: _Place,
    side: _Place,
    cut: _Place,
    box: FloatArray,
    motion: SourceMotion,
    nominal: Mapping[str, str],
) -> None:
    """Write the outer sizes, and where the first driver's axis and rim are."""
    x, y, z = (1e3 * value for value in motion.centre)
    texts = {symbol: f"{symbol} {text}" for symbol, text in nominal.items()}
    front.across(box[0][1], box[1][1], box[1][2], texts["B"], away=14)
    front.across(y, box[1][1], box[1][2], texts["E"], away=7)
    front.upright(box[0][2], box[1][2], box[0][1], texts["H"], away=16)
    front.upright(z, box[1][2], box[0][1], texts["F"], away=8)
    side.across(-box[1][0], -box[0][0], box[1][2], texts["T"], away=7)
    if "D" in texts:  # not where the rim is the foremost place
        cut.across(x, box[1][0], box[1][2], texts["D"], away=7)


def _drivers(front: _Place, motions: Sequence[SourceMotion], settings: HandoffSection) -> None:
    for number, motion in enumerate(motions):
        _, y, z = (1e3 * value for value in motion.centre)
        front.cross(y, z, 1e3 * motion.outer_radius_m)
        if number:
            continue
        if settings.flange_mm is not None:
            front.circle(y, z, settings.flange_mm / 2)
        for place, (across, up) in enumerate(screw_places(motion, settings) * 1e3, start=1):
            front.cross(across, up, settings.screw_head_mm / 2)
            front.label(f"S{place}", across, up)


def _draw_marks(front: _Place, checks: Sequence[Check]) -> None:
    """Mark where the smallest radius (R) and the thinnest wall (W) are."""
    for letter, name in (("R", "inside radius"), ("W", "wall and lip")):
        check = next((c for c in checks if c.name == name), None)
        if check is not None and check.place_mm is not None:
            front.mark(letter, *check.place_mm[1:])


def _draw_picture(canvas: Any, solid: Solid, left: float) -> None:
    from reportlab.lib.utils import ImageReader

    picture = ImageReader(io.BytesIO(shape_picture(solid.mesh, ())))
    wide, high = picture.getSize()
    size = min(_SIDE_MM, 120.0 * wide / high)
    top = A3_MM[1] - 12
    canvas.drawImage(picture, left, top - size * high / wide, size, size * high / wide)
    canvas.setFont(FONT, 2.6)
    canvas.drawString(left, top - size * high / wide - 3, "in space; no scale")


def _write_notes(
    canvas: Any,
    motions: Sequence[SourceMotion],
    checks: Sequence[Check],
    settings: HandoffSection,
    calipers: Sequence[Caliper],
    left: float,
) -> None:
    y = 152.0
    for heading, lines in _notes(motions, checks, settings, calipers):
        canvas.setFont(BOLD, 3)
        canvas.drawString(left, y, heading)
        y -= 4.2
        canvas.setFont(FONT, 2.6)
        for line in lines:
            for part in textwrap.wrap(line, _NOTE_LETTERS):
                canvas.drawString(left, y, part)
                y -= 3.6
        y -= 2
    canvas.setFont(FONT, 2.6)
    canvas.drawString(
        12,
        33,
        "Dashed: hidden. Narrow: faces run into each other without a bend. Axes: x forward, y to "
        "its left, z up; origin where the first driver's axis meets the front plane.",
    )


def _notes(
    motions: Sequence[SourceMotion],
    checks: Sequence[Check],
    settings: HandoffSection,
    calipers: Sequence[Caliper],
) -> Iterator[tuple[str, list[str]]]:
    yield (
        "What calipers reach (how: the form)",
        [f"{c.symbol}  {c.nominal_text} \u00b1{c.limit_mm:g}  {c.name}" for c in calipers],
    )
    lines = []
    for motion in motions:
        x, y, z = (1e3 * value for value in motion.centre)
        lines.append(
            f"{motion.name}: cut-out \u00d8{2e3 * motion.outer_radius_m:.2f}, axis at y {y:.2f}, "
            f"z {z:.2f}, rim at x {x:.2f}"
        )
    yield "Driver cut-out", lines
    places = screw_places(motions[0], settings) * 1e3
    fixing = [] if settings.flange_mm is None else [f"flange \u00d8{settings.flange_mm:g}"]
    if len(places):
        fixing.append(
            f"{len(places)} screws on \u00d8{settings.screw_circle_mm:g}, heads "
            f"\u00d8{settings.screw_head_mm:g}:"
        )
        fixing += [
            f"S{number}: y {across:+.2f}, z {up:+.2f}"
            for number, (across, up) in enumerate(np.round(places, 6) + 0.0, start=1)
        ]
    else:
        fixing.append("screws: the job's [handoff] names none")
    yield "Fixing", fixing
    yield "Smallest inside radius (R) and wall (W)", list(_smallest(checks))


def _smallest(checks: Sequence[Check]) -> Iterator[str]:
    """Yield the smallest inside radius and wall with their places, and what is asked."""
    by_name = {check.name: check for check in checks}
    radius, wall = by_name.get("inside radius"), by_name.get("wall and lip")
    if radius is not None:
        size = "none: nothing is concave" if math.isinf(radius.value) else f"{radius.value:.2f} mm"
        if radius.value == 0:
            size = "0: sharp inner corners"
        yield f"R: {size}{_at(radius)}; {radius.state} ({radius.text.rsplit('; ', 1)[-1]})"
    if wall is not None:
        yield f"W: {wall.value:.2f} mm{_at(wall)}; {wall.state}"


def _at(check: Check) -> str:
    if check.place_mm is None:
        return ""
    x, y, z = check.place_mm
    return f" at x {x:.1f}, y {y:.1f}, z {z:.1f}"


@dataclass(frozen=True)
class _Place:
    """Where a view is on the page: (u, v) in mm of the part at a scale."""

    canvas: Any
    scale: int
    x: float
    y: float

    def at(self, u: float, v: float) -> tuple[float, float]:
        """Return the place on the page."""
        return self.x + u / self.scale, self.y + v / self.scale

    def line(
        self, points: FloatArray, width: float, *, filled: bool = False, dashed: bool = False
    ) -> None:
        """Draw a line through points."""
        path = self.canvas.beginPath()
        path.moveTo(*self.at(*points[0].tolist()))
        for point in points[1:].tolist():
            path.lineTo(*self.at(*point))
        self.canvas.setLineWidth(width)
        self.canvas.setLineJoin(1)
        if dashed:
            self.canvas.setDash(1.6, 0.8)
        self.canvas.drawPath(path, fill=int(filled))
        self.canvas.setDash()

    def text(self, text: str, u: float, v: float) -> None:
        """Write below a view."""
        x, y = self.at(u, v)
        self.canvas.setFont(FONT, 2.6)
        self.canvas.drawString(x, y - 5, text)

    def cross(self, u: float, v: float, radius: float) -> None:
        """Draw a circle with its middle marked."""
        x, y = self.at(u, v)
        size = radius / self.scale
        self.circle(u, v, radius)
        self.canvas.setDash([3, 0.7, 0.5, 0.7])
        self.canvas.line(x - size - 2, y, x + size + 2, y)
        self.canvas.line(x, y - size - 2, x, y + size + 2)
        self.canvas.setDash()

    def circle(self, u: float, v: float, radius: float) -> None:
        """Draw a narrow circle."""
        self.canvas.setLineWidth(0.12)
        self.canvas.circle(*self.at(u, v), radius / self.scale)

    def label(self, text: str, u: float, v: float) -> None:
        """Write beside a place."""
        x, y = self.at(u, v)
        self.canvas.setFont(FONT, 1.8)
        self.canvas.drawString(x + 1, y + 1, text)

    def mark(self, letter: str, u: float, v: float) -> None:
        """Mark a place by a dot, and a letter in a ring beside it."""
        x, y = self.at(u, v)
        self.canvas.circle(x, y, 0.5, fill=1)
        self.canvas.setLineWidth(0.15)
        self.canvas.line(x, y, x + 5, y - 5)
        self.canvas.setFillGray(1)
        self.canvas.circle(x + 6.2, y - 6.2, 1.8, fill=1)
        self.canvas.setFillGray(0)
        self.canvas.setFont(BOLD, 2.2)
        self.canvas.drawCentredString(x + 6.2, y - 7, letter)

    def across(self, start: float, end: float, v: float, text: str, *, away: float) -> None:
        """Write a dimension so far above a view."""
        (left, y), (right, _) = self.at(start, v), self.at(end, v)
        self.canvas.setLineWidth(0.12)
        self.canvas.line(left, y + away, right, y + away)
        for x in (left, right):
            self.canvas.line(x, y + 1, x, y + away + 1.5)
            self.canvas.line(x - 0.7, y + away - 0.7, x + 0.7, y + away + 0.7)
        self.canvas.setFont(FONT, 2.6)
        self.canvas.drawCentredString((left + right) / 2, y + away + 1, text)

    def upright(self, start: float, end: float, u: float, text: str, *, away: float) -> None:
        """Write a dimension so far to the left of a view."""
        (x, low), (_, high) = self.at(u, start), self.at(u, end)
        self.canvas.setLineWidth(0.12)
        self.canvas.line(x - away, low, x - away, high)
        for y in (low, high):
            self.canvas.line(x - away - 1.5, y, x - 1, y)
            self.canvas.line(x - away - 0.7, y - 0.7, x - away + 0.7, y + 0.7)
        self.canvas.saveState()
        self.canvas.translate(x - away - 1, (low + high) / 2)
        self.canvas.rotate(90)
        self.canvas.setFont(FONT, 2.6)
        self.canvas.drawCentredString(0, 0, text)
        self.canvas.restoreState()
