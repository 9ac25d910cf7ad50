# SPDX-License-Identifier: GPL-3.0-or-later
"""The drawing of one candidate: title block, dimensions, tolerances, checks, cautions."""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from bafflelens.handoff.checks import Check
from bafflelens.handoff.paper import BOLD, FONT, MM, use_fonts
from bafflelens.handoff.solid import Likeness, Solid
from bafflelens.handoff.views import A3_MM, draw_views, scale_of
from bafflelens.job.sections import HandoffSection
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.scoring.sensitivity import Robustness
from bafflelens.shapes.meshing.parameters import Parameter, Shape

_LEFT_MM: Final = 14.0
_RIGHT_MM: Final = 215.0
_COLUMN_MM: Final = 232.0
_ENTRY_MM: Final = 4.6
_LINE_MM: Final = 3.8
_HELP_LETTERS: Final = 44
_FARTHEST_TIMES: Final = 5.0  # the solved change that its straight line is followed
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
    """All that stands on the drawing of one candidate; its dimensions are those that are there."""

    run: str
    candidate: str
    revision: str
    date: str
    shape: Shape
    dimensions: Mapping[str, float]
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

    use_fonts()
    stream = io.BytesIO()
    canvas = Canvas(stream, invariant=1, pageCompression=1)
    canvas.setTitle(f"{sheet.run} {sheet.candidate} rev {sheet.revision}")
    canvas.setCreator("bafflelens")
    scale = scale_of(sheet.solid.box_m * 1e3)
    columns = _columns(sheet)
    pages = 2 + math.ceil((len(columns) - 1) / 2)
    _start_page(canvas, sheet, f"1:{scale}", f"1 of {pages}")
    draw_views(canvas, sheet.solid, sheet.motions, sheet.checks, sheet.settings, scale)
    canvas.showPage()
    _start_page(canvas, sheet, "none", f"2 of {pages}")
    _write_dimensions(canvas, sheet, columns[0], _LEFT_MM)
    _write_findings(canvas, sheet)
    canvas.showPage()
    for page in range(3, pages + 1):
        _start_page(canvas, sheet, "none", f"{page} of {pages}")
        for column, left in zip(columns[2 * page - 5 :], (_LEFT_MM, _RIGHT_MM), strict=False):
            _write_dimensions(canvas, sheet, column, left)
        canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _start_page(canvas: Any, sheet: Sheet, scale: str, page: str) -> None:
    """Draw the frame and the title block."""
    canvas.setPageSize(tuple(side * MM for side in A3_MM))
    canvas.scale(MM, MM)
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
    places = (12, 120, 205, 275)
    for x, end, lines in zip(places, (*places[1:], A3_MM[0] - 8), columns, strict=True):
        for row, line in enumerate(lines):
            _fitted(canvas, line, x, 24 - 6 * row, end - x - 3)


def _fitted(canvas: Any, text: str, x: float, y: float, room: float) -> None:
    """Write a line, smaller where it would not fit."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    size = 2.9
    canvas.setFont(FONT, size * min(1.0, room / max(stringWidth(text, FONT, size), 1e-6)))
    canvas.drawString(x, y, text)


def _columns(sheet: Sheet) -> list[list[tuple[Parameter, list[str]]]]:
    """Return the parameters that are there, each with its words line by line, in columns."""
    columns: list[list[tuple[Parameter, list[str]]]] = [[]]
    room = _COLUMN_MM
    for parameter in sheet.shape.parameters:
        if parameter.key not in sheet.dimensions:
            continue
        lines = textwrap.wrap(parameter.help, _HELP_LETTERS) or [""]
        needed = _ENTRY_MM + _LINE_MM * (len(lines) - 1)
        if needed > room:
            columns.append([])
            room = _COLUMN_MM
        columns[-1].append((parameter, lines))
        room -= needed
    return columns


def _write_dimensions(
    canvas: Any, sheet: Sheet, column: Sequence[tuple[Parameter, list[str]]], left: float
) -> None:
    """Write a column of dimensions with the change of each that costs half a decibel."""
    heading = "Dimensions, and the change of each that costs 0.5 dB"
    y = _heading(canvas, heading, left, A3_MM[1] - 16)
    allowed = allowed_changes(sheet.robustness)
    for parameter, lines in column:
        value = sheet.dimensions[parameter.key]
        change = allowed.get(parameter.key)
        canvas.setFont(FONT, 2.8)
        canvas.drawString(left, y, parameter.key)
        canvas.drawString(left + 58, y, f"{value:g} {parameter.unit}")
        canvas.drawString(left + 83, y, "not computed" if change is None else change.text)
        for number, line in enumerate(lines):
            y -= _LINE_MM if number else 0
            canvas.drawString(left + 118, y, line)
        y -= _ENTRY_MM
    note = (
        f"> : none within {_FARTHEST_TIMES:g} times the change that was solved costs 0.5 dB; "
        "nothing is known beyond."
        if sheet.robustness is not None
        else f"`bafflelens tolerances {sheet.run} {sheet.candidate}` computes them."
    )
    _paragraph(canvas, note, left, y - 1)


def _write_findings(canvas: Any, sheet: Sheet) -> None:
    """Write checks, warnings, the solid's figures and the cautions."""
    top = A3_MM[1] - 16
    y = _heading(canvas, "Checks for making", _RIGHT_MM, top)
    for check in sheet.checks:
        words = f"{check.state.upper()}  {check.name}: {check.text}"
        y = _paragraph(canvas, words, _RIGHT_MM, y, bold=check.state == "failed")
    y = _heading(canvas, "Warnings", _RIGHT_MM, y - 4)
    for warning in sheet.warnings or ("None.",):
        y = _paragraph(canvas, warning, _RIGHT_MM, y, bold=bool(sheet.warnings))
    y = _heading(canvas, "The solid", _RIGHT_MM, y - 4)
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
    y = _paragraph(canvas, solid, _RIGHT_MM, y)
    y = _heading(canvas, "Cautions", _RIGHT_MM, y - 4)
    for caution in CAUTIONS:
        y = _paragraph(canvas, caution, _RIGHT_MM, y)


@dataclass(frozen=True, kw_only=True)
class Allowed:
    """The change of a parameter that costs half a decibel.

    Attributes
    ----------
    change : float
        Its size; no more than a few times what was solved, beyond which nothing is known.
    unit : str
        Its unit.
    is_more : bool
        Whether the true one is larger.
    """

    change: float
    unit: str
    is_more: bool

    @property
    def text(self) -> str:
        """As it stands in the table."""
        sign = "> \u00b1" if self.is_more else "\u00b1"
        return f"{sign}{self.change:.2g} {self.unit}"


def allowed_changes(robustness: Robustness | None) -> dict[str, Allowed]:
    """Return by key the change that costs half a decibel, as far as solved changes tell."""
    found = {}
    for change in robustness.changes if robustness else ():
        if not change.known_db:
            continue
        allowed, farthest = change.allowed(0.5), _FARTHEST_TIMES * change.tolerance
        found[change.key] = Allowed(
            change=min(allowed, farthest), unit=change.unit, is_more=allowed > farthest
        )
    return found


def _heading(canvas: Any, text: str, x: float, y: float) -> float:
    canvas.setFont(BOLD, 3.6)
    canvas.drawString(x, y, text)
    return y - 6.5


def _paragraph(canvas: Any, text: str, x: float, y: float, *, bold: bool = False) -> float:
    canvas.setFont(BOLD if bold else FONT, 2.8)
    for line in textwrap.wrap(text, 112):
        canvas.drawString(x, y, line)
        y -= 4.4
    return y - 0.8
