# SPDX-License-Identifier: GPL-3.0-or-later
"""The drawing of one candidate: views, section, dimensions, tolerances, checks, cautions.

Depends on: geometry, handoff.checks, handoff.solid, job, picture, sensitivity, source.
"""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from bafflelens.conventions import FloatArray
from bafflelens.geometry import Shape
from bafflelens.handoff.checks import Check, screw_places
from bafflelens.handoff.solid import Likeness, Solid
from bafflelens.job import HandoffSection
from bafflelens.picture import shape_picture
from bafflelens.sensitivity import Robustness
from bafflelens.source import SourceMotion

A3_MM: Final = (420.0, 297.0)
_POINTS: Final = 72 / 25.4
_SCALES: Final = (1, 2, 5, 10, 20)
_GAP_MM: Final = 22.0
CAUTIONS: Final = (
    "Dust: extract at the tool and wear the mask that the material's data sheet asks for.",
    "Cutters: guards on, work clamped, eyes and ears protected; nothing loose near a spindle.",
    "Hot wire: fumes of foam are harmful; ventilate, never leave it on unattended.",
    "Solvents, resins, paints: gloves and ventilation after the maker's data sheet; no flames.",
    "Lifting: weigh first; over what one person may lift, two people or a hoist.",
    "The shop's own rules, local codes and the makers' data sheets come before this sheet.",
)


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """All that stands on the drawing of one candidate."""

    run: str
    candidate: str
    revision: str
    date: str
    shape: Shape
    values: Mapping[str, float]
    solid: Solid
    likeness: Likeness
    motions: Sequence[SourceMotion]
    checks: Sequence[Check]
    warnings: Sequence[str]
    robustness: Robustness | None
    settings: HandoffSection


def sheet_pdf(sheet: Sheet) -> bytes:
    """Return the drawing as PDF, A3: views first, then tables.

    Parameters
    ----------
    sheet : Sheet
        What stands on it.
    """
    from reportlab.pdfgen.canvas import Canvas

    stream = io.BytesIO()
    canvas = Canvas(stream, invariant=1, pageCompression=1)
    canvas.setTitle(f"{sheet.run} {sheet.candidate} rev {sheet.revision}")
    canvas.setCreator("bafflelens")
    scale = _scale(sheet.solid.box_m * 1e3)
    _start_page(canvas, sheet, f"1:{scale}", "1 of 2")
    _draw_views(canvas, sheet, scale)
    canvas.showPage()
    _start_page(canvas, sheet, "none", "2 of 2")
    _write_tables(canvas, sheet)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _start_page(canvas: Any, sheet: Sheet, scale: str, page: str) -> None:
    """Draw the frame and the title block."""
    canvas.setPageSize(tuple(side * _POINTS for side in A3_MM))
    canvas.scale(_POINTS, _POINTS)
    canvas.setLineWidth(0.5)
    canvas.rect(8, 8, A3_MM[0] - 16, A3_MM[1] - 16)
    canvas.setLineWidth(0.25)
    canvas.rect(8, 8, A3_MM[0] - 16, 22)
    columns = (
        (f"Candidate  {sheet.candidate}", f"Revision  {sheet.revision}", f"Run  {sheet.run}"),
        (f"Date of the run  {sheet.date}", f"Shape  {sheet.shape.name}", f"Sheet  {page}"),
        (f"Scale  {scale}", "Projection  third angle", "All dimensions in mm"),
        (
            "General tolerances  ISO 2768-m, where the table gives none closer",
            f"Material  {sheet.settings.material}",
            f"Finish  {sheet.settings.finish}",
        ),
    )
    canvas.setFont("Helvetica", 3.2)
    for x, lines in zip((12, 120, 205, 275), columns, strict=True):
        for row, line in enumerate(lines):
            canvas.drawString(x, 24 - 6 * row, line)


def _scale(box_mm: FloatArray) -> int:
    """Return the standard scale (ISO 5455) at which views and section fit."""
    depth, width, height = box_mm[1] - box_mm[0]
    room = (A3_MM[0] - 40 - 4 * _GAP_MM, A3_MM[1] - 60 - 2 * _GAP_MM)
    needed = max((width + 2 * depth) / (0.72 * room[0]), (height + depth) / room[1])
    return next((scale for scale in _SCALES if scale >= needed), math.ceil(needed))


def _draw_views(canvas: Any, sheet: Sheet, scale: int) -> None:
    """Draw front, side and top view, the section through the axis, and a picture."""
    box = sheet.solid.box_m * 1e3
    depth, width, height = box[1] - box[0]
    left, foot = 30.0, 50.0
    edges = [edge * 1e3 for edge in sheet.solid.edges]
    right = left + width / scale + _GAP_MM
    above = foot + height / scale + _GAP_MM
    section = right + depth / scale + _GAP_MM
    front = _Place(canvas, scale, left - box[0][1] / scale, foot - box[0][2] / scale)
    side = _Place(canvas, scale, right + box[1][0] / scale, foot - box[0][2] / scale)
    top = _Place(canvas, scale, left - box[0][1] / scale, above + box[1][0] / scale)
    cut = _Place(canvas, scale, section - box[0][0] / scale, foot - box[0][2] / scale)
    for edge in edges:
        front.line(edge[:, [1, 2]])
        side.line(edge[:, [0, 2]] * [-1, 1])
        top.line(edge[:, [1, 0]] * [1, -1])
    canvas.setFillGray(0.88)
    for loop in sheet.solid.sections[0].whole:
        cut.line(loop, filled=True)
    canvas.setFillGray(0)
    for place, text, x, y in (
        (front, "front, seen from +x", box[0][1], box[0][2]),
        (side, "from its left (+y)", -box[1][0], box[0][2]),
        (top, "from above", box[0][1], -box[1][0]),
        (cut, "section y = 0", box[0][0], box[0][2]),
    ):
        place.text(text, x, y)
    front.across(box[0][1], box[1][1], box[1][2])
    front.upright(box[0][2], box[1][2], box[0][1])
    side.across(-box[1][0], -box[0][0], box[1][2])
    for motion in sheet.motions:
        x, y, z = (1e3 * value for value in motion.centre)
        rim = 1e3 * motion.outer_radius_m
        front.cross(y, z, rim)
        front.text(
            f"cut-out \u00d8{2 * rim:.2f}, axis at y {y:.2f}, z {z:.2f}, rim at x {x:.2f}",
            box[0][1],
            box[0][2],
            lower=4,
        )
        for across, up in screw_places(motion, sheet.settings) * 1e3:
            front.cross(across, up, sheet.settings.screw_head_mm / 2)
    from reportlab.lib.utils import ImageReader

    picture = ImageReader(io.BytesIO(shape_picture(sheet.solid.mesh, ())))
    wide, high = picture.getSize()
    size = min(110.0, A3_MM[0] - section - 14)
    canvas.drawImage(picture, A3_MM[0] - 12 - size, above - 15, size, size * high / wide)
    canvas.setFont("Helvetica", 3)
    canvas.drawString(A3_MM[0] - 12 - size, above - 19, "in space; no scale")
    canvas.drawString(
        12,
        34,
        "Edges are shown whether hidden or not. Axes: x forward, y left, z up;"
        " origin where the first driver's axis meets the front plane.",
    )


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

    def line(self, points: FloatArray, *, filled: bool = False) -> None:
        """Draw a line through points."""
        path = self.canvas.beginPath()
        path.moveTo(*self.at(*points[0].tolist()))
        for point in points[1:].tolist():
            path.lineTo(*self.at(*point))
        self.canvas.setLineWidth(0.35 if filled else 0.18)
        self.canvas.drawPath(path, fill=int(filled))

    def text(self, text: str, u: float, v: float, lower: float = 0.0) -> None:
        """Write below a view."""
        x, y = self.at(u, v)
        self.canvas.setFont("Helvetica", 3)
        self.canvas.drawString(x, y - 5 - lower, text)

    def cross(self, u: float, v: float, radius: float) -> None:
        """Draw a circle with its middle marked."""
        x, y = self.at(u, v)
        size = radius / self.scale
        self.canvas.setLineWidth(0.12)
        self.canvas.circle(x, y, size)
        self.canvas.line(x - size - 2, y, x + size + 2, y)
        self.canvas.line(x, y - size - 2, x, y + size + 2)

    def across(self, start: float, end: float, v: float) -> None:
        """Write a dimension above a view."""
        (left, y), (right, _) = self.at(start, v), self.at(end, v)
        self.canvas.setLineWidth(0.12)
        self.canvas.line(left, y + 6, right, y + 6)
        for x in (left, right):
            self.canvas.line(x, y + 1, x, y + 8)
        self.canvas.setFont("Helvetica", 3)
        self.canvas.drawCentredString((left + right) / 2, y + 7, f"{abs(end - start):.2f}")

    def upright(self, start: float, end: float, u: float) -> None:
        """Write a dimension to the left of a view."""
        (x, low), (_, high) = self.at(u, start), self.at(u, end)
        self.canvas.setLineWidth(0.12)
        self.canvas.line(x - 6, low, x - 6, high)
        for y in (low, high):
            self.canvas.line(x - 8, y, x - 1, y)
        self.canvas.saveState()
        self.canvas.translate(x - 7, (low + high) / 2)
        self.canvas.rotate(90)
        self.canvas.setFont("Helvetica", 3)
        self.canvas.drawCentredString(0, 0, f"{abs(end - start):.2f}")
        self.canvas.restoreState()


def _write_tables(canvas: Any, sheet: Sheet) -> None:
    top = A3_MM[1] - 16
    y = _heading(canvas, "Dimensions, and the change of each that costs 0.5 dB", 14, top)
    allowed = allowed_changes(sheet.robustness)
    canvas.setFont("Helvetica", 3.2)
    for parameter in sheet.shape.parameters:
        value = sheet.values.get(parameter.key, parameter.default)
        change = allowed.get(parameter.key)
        limit = "not computed" if change is None else _limit(change, parameter.unit)
        canvas.drawString(14, y, parameter.key)
        canvas.drawString(72, y, f"{value:g} {parameter.unit}")
        canvas.drawString(100, y, limit)
        canvas.drawString(128, y, parameter.help[:50])
        y -= 4.6
    if sheet.robustness is None:
        text = f"`bafflelens tolerances {sheet.run} {sheet.candidate}` computes them."
        canvas.drawString(14, y, text)
    y = _heading(canvas, "Checks for making", 215, top)
    for check in sheet.checks:
        words = f"{check.state.upper()}  {check.name}: {check.text}"
        y = _paragraph(canvas, words, 215, y, bold=check.state == "failed")
    y = _heading(canvas, "Warnings", 215, y - 4)
    for warning in sheet.warnings or ("None.",):
        y = _paragraph(canvas, warning, 215, y, bold=bool(sheet.warnings))
    y = _heading(canvas, "The solid", 215, y - 4)
    size = " x ".join(
        f"{side:.2f}" for side in (sheet.solid.box_m[1] - sheet.solid.box_m[0]) * 1e3
    )
    solid = (
        f"{size} mm, volume {sheet.solid.volume_m3 * 1e6:.2f} cm^3, area "
        f"{sheet.solid.area_m2 * 1e4:.2f} cm^2. It is solid as analysed, dome and surround "
        "included: how it is hollowed behind the front is the shop's choice, within the wall "
        f"asked for, {sheet.settings.least_wall_mm:g} mm. STL and 3MF are within "
        f"{sheet.solid.chord_m * 1e3:.3f} mm of it."
    )
    y = _paragraph(canvas, solid, 215, y)
    y = _heading(canvas, "Cautions", 215, y - 4)
    for caution in CAUTIONS:
        y = _paragraph(canvas, caution, 215, y)


def allowed_changes(robustness: Robustness | None) -> dict[str, float]:
    """Return by key the change that costs half a decibel; infinite where none costs any."""
    changes = robustness.changes if robustness else ()
    return {c.key: c.allowed(0.5) for c in changes if c.known_db}


def _limit(change: float, unit: str) -> str:
    return f"\u00b1{change:.2g} {unit}" if np.isfinite(change) else "none found"


def _heading(canvas: Any, text: str, x: float, y: float) -> float:
    canvas.setFont("Helvetica-Bold", 4)
    canvas.drawString(x, y, text)
    return y - 6.5


def _paragraph(canvas: Any, text: str, x: float, y: float, *, bold: bool = False) -> float:
    canvas.setFont("Helvetica-Bold" if bold else "Helvetica", 3.2)
    for line in textwrap.wrap(text, 105):
        canvas.drawString(x, y, line)
        y -= 4.4
    return y - 0.8
