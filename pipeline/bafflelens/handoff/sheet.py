# SPDX-License-Identifier: GPL-3.0-or-later
"""The drawing of one candidate: title block, dimensions, tolerances, checks, cautions."""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.parameter_words import called, unit_text
from bafflelens.handoff.acoustic_tolerance import NOT_ASKED, AcousticTolerance, tolerance_text
from bafflelens.handoff.checks import Check, screw_places
from bafflelens.handoff.dimension import SheetDimension
from bafflelens.handoff.likeness import Likeness
from bafflelens.handoff.paper import use_fonts
from bafflelens.handoff.part_pieces import PartPlan
from bafflelens.handoff.part_plan import NO_PART
from bafflelens.handoff.part_sheet import PartLayout, draw_part, lines_in, part_layouts
from bafflelens.handoff.place import Seen
from bafflelens.handoff.sheet_flow import Flow
from bafflelens.handoff.sheet_frame import start_sheet
from bafflelens.handoff.solid import Solid
from bafflelens.handoff.tolerance_sheet import draw_tolerance, view_window
from bafflelens.handoff.views import Layout, draw_views, layout_of, seen_in
from bafflelens.job.handoff_section import HandoffSection
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.scoring.sensitivity import Robustness
from bafflelens.shapes.meshing.parameters import Shape

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
    rows: Sequence[SheetDimension]
    form: str
    picture: bytes
    plan: PartPlan | None = None
    tolerance: AcousticTolerance | str = NOT_ASKED


@dataclass(frozen=True, kw_only=True, eq=False)
class SheetViews:
    """What of a drawing is known before the part is judged: its views, and the most work.

    Attributes
    ----------
    layout, seen
        Sheet 1, and the lines of its views.
    parts : tuple of (PartLayout, Seen)
        The same of the part's pieces.
    """

    layout: Layout
    seen: Seen
    parts: tuple[tuple[PartLayout, Seen], ...]


def views_of(
    solid: Solid,
    motions: Sequence[SourceMotion],
    rows: Sequence[SheetDimension],
    plan: PartPlan | None,
) -> SheetViews:
    """Return the views of a solid and its part; arguments are those of `Sheet`."""
    layout = layout_of(solid, motions, rows)
    parts = part_layouts(solid, plan, rows) if plan else ()
    return SheetViews(
        layout=layout,
        seen=seen_in(layout, solid),
        parts=tuple((part, lines_in(part)) for part in parts),
    )


def sheet_pdf(sheet: Sheet, views: SheetViews | None = None) -> bytes:
    """Return the drawing as PDF, A3: views first, then tables.

    Parameters
    ----------
    sheet : Sheet
        What stands on it.
    views : SheetViews, optional
        Its views, of `views_of`, where they were looked for before.
    """
    from reportlab.pdfgen.canvas import Canvas

    use_fonts()
    stream = io.BytesIO()
    canvas = Canvas(stream, invariant=1, pageCompression=1)
    canvas.setTitle(f"{sheet.run} {sheet.candidate} rev {sheet.revision}")
    canvas.setCreator("bafflelens")
    known = views or views_of(sheet.solid, sheet.motions, sheet.rows, sheet.plan)
    layout, parts = known.layout, known.parts
    flow = _tables(sheet)
    mapped = sheet.tolerance if isinstance(sheet.tolerance, AcousticTolerance) else None
    pages = 1 + len(flow.pages) + len(parts) + (mapped is not None)
    start_sheet(canvas, _cells(sheet, layout.scale_text, f"1 of {pages}"))
    draw_views(
        canvas, sheet.solid, sheet.motions, sheet.settings, layout, known.seen, sheet.picture
    )
    canvas.showPage()
    for number, page in enumerate(flow.pages, start=2):
        start_sheet(canvas, _cells(sheet, "none", f"{number} of {pages}"))
        page.draw(canvas)
        canvas.showPage()
    for number, (part, seen) in enumerate(parts, start=2 + len(flow.pages)):
        cells = _cells(sheet, part.scale_text, f"{number} of {pages}")
        start_sheet(canvas, {**cells, "title": f"Part as it is made: {part.piece.name}"})
        draw_part(canvas, part, seen, sheet.plan, sheet.settings)
        canvas.showPage()
    if mapped is not None:
        _, scale = view_window(mapped, sheet.solid, sheet.motions)
        cells = _cells(sheet, f"1:{scale:g}", f"{pages} of {pages}")
        start_sheet(canvas, {**cells, "title": "What each place of the front may be off"})
        draw_tolerance(canvas, mapped, sheet.solid, sheet.motions)
        canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _cells(sheet: Sheet, scale: str, page: str) -> dict[str, str]:
    """Return the texts of the title block."""
    return {
        "title": f"Front of a loudspeaker, shape {sheet.shape.name.replace('_', ' ')}",
        "candidate": sheet.candidate,
        "revision": sheet.revision,
        "run": sheet.run,
        "date": sheet.date,
        "scale": scale,
        "sheet": page,
        "material": sheet.settings.material,
        "finish": sheet.settings.finish,
    }


def _tables(sheet: Sheet) -> Flow:
    """Return the sheets after the first: dimensions, notes, findings, the shape's parameters."""
    flow = Flow()
    flow.heading("Dimensions, with the symbols of the sheets")
    flow.table(
        ("Symbol", "What it is", "Nominal", "Limits", "View", "How it is measured"),
        (18, 118, 28, 24, 18, 172),
        [
            (r.symbol, r.name, r.nominal_text, r.limit_text, r.view or "none", r.how)
            for r in sheet.rows
        ],
    )
    if sheet.form:
        flow.paragraph(sheet.form)
    flow.paragraph(
        "A number in parentheses follows from the others and is for checking. Where two walls "
        "would meet without their rounding is given nowhere: nobody can touch it."
    )
    for title, lines in _notes(sheet):
        flow.heading(title)
        for line in lines:
            flow.paragraph(line)
    flow.heading("Checks for making")
    for check in sheet.checks:
        words = f"{check.state.upper()}  {check.name}: {check.text}"
        flow.paragraph(words, bold=check.state == "failed")
    flow.heading("Warnings")
    for warning in sheet.warnings or ("None.",):
        flow.paragraph(warning, bold=bool(sheet.warnings))
    flow.heading("What each place may be off")
    flow.paragraph(tolerance_text(sheet.tolerance))
    flow.heading("The solid")
    flow.paragraph(sheet.likeness.text, bold=not sheet.likeness.fits)
    flow.paragraph(
        f"Volume {sheet.solid.volume_m3 * 1e6:.1f} cm^3, area {sheet.solid.area_m2 * 1e4:.2f} "
        "cm^2. It is solid as analysed, dome and surround included. STL and 3MF are within "
        f"{sheet.solid.chord_m * 1e3:.3f} mm of it."
    )
    flow.paragraph(_part_text(sheet))
    flow.heading("Cautions")
    for caution in CAUTIONS:
        flow.paragraph(caution)
    flow.heading("Parameters of the shape, and the change of each that costs 0.5 dB")
    flow.paragraph(
        "For whoever computes the shape again. Some reach lines that no finished part has: make "
        "and measure by sheets 1 and 2."
    )
    heads, widths = ("Parameter", "Value", "Costs 0.5 dB", "What it is"), (92, 34, 48, 204)
    flow.table(heads, widths, rows_of_parameters(sheet))
    flow.paragraph(
        f"> : none within {_FARTHEST_TIMES:g} times the change that was solved costs 0.5 dB; "
        "nothing is known beyond."
        if sheet.robustness is not None
        else f"`bafflelens tolerances {sheet.run} {sheet.candidate}` computes them."
    )
    return flow


def _part_text(sheet: Sheet) -> str:
    """Return how the part is made, or that nobody said."""
    if sheet.plan is None:
        return (
            f"{NO_PART} How the body is hollowed behind the front is the shop's choice, within "
            f"the wall asked for, {sheet.settings.least_wall_mm:g} mm."
        )
    names = ", ".join(
        f"{piece.name} ({piece.volume_m3 * 1e6:.1f} cm^3)" for piece in sheet.solid.pieces
    )
    return f"What is cut is the part as it is made, in the folder part: {names}."


def rows_of_parameters(sheet: Sheet) -> list[tuple[str, str, str, str]]:
    """Return the parameters that are there: name, value, the change that costs 0.5 dB, help."""
    allowed = allowed_changes(sheet.robustness)
    found = []
    for parameter in sheet.shape.parameters:
        if parameter.key not in sheet.dimensions:
            continue
        change = allowed.get(parameter.key)
        value = f"{sheet.dimensions[parameter.key]:g} {unit_text(parameter.unit)}".replace(
            " \u00b0", "\u00b0"
        )
        text = "not computed" if change is None else change.text
        found.append((called(parameter.key), value, text, parameter.help))
    return found


def _notes(sheet: Sheet) -> Iterator[tuple[str, list[str]]]:
    """Yield what holds the driver, and where a tool has least room."""
    settings, motion = sheet.settings, sheet.motions[0]
    places = screw_places(motion, settings) * 1e3
    fixing = [] if settings.flange_mm is None else [f"flange \u00d8{settings.flange_mm:g}"]
    if len(places):
        at = "; ".join(
            f"S{number}: y {across:+.2f}, z {up:+.2f}"
            for number, (across, up) in enumerate(np.round(places, 6) + 0.0, start=1)
        )
        fixing.append(
            f"{len(places)} screws on \u00d8{settings.screw_circle_mm:g}, heads "
            f"\u00d8{settings.screw_head_mm:g}: {at} (from K, y to the left, z up)"
        )
    else:
        fixing.append("screws: the job's [handoff] names none")
    yield "Fixing", fixing
    smallest = list(_smallest(sheet.checks))
    if smallest:
        yield "Smallest inside radius and wall", smallest


def _smallest(checks: Sequence[Check]) -> Iterator[str]:
    """Yield the smallest inside radius and wall with their places, and what is asked."""
    by_name = {check.name: check for check in checks}
    radius, wall = by_name.get("inside radius"), by_name.get("wall and lip")
    if radius is not None:
        size = "none: nothing is concave" if math.isinf(radius.value) else f"{radius.value:.2f} mm"
        if radius.value == 0:
            size = "0: sharp inner corners"
        rule = radius.text.rsplit("; ", 1)[-1]
        yield f"Inside radius: {size}{_at(radius)}; {radius.state} ({rule})"
    if wall is not None:
        yield f"Wall: {wall.value:.2f} mm{_at(wall)}; {wall.state}"


def _at(check: Check) -> str:
    if check.place_mm is None:
        return ""
    x, y, z = check.place_mm
    return f" at x {x:.1f}, y {y:.1f}, z {z:.1f}"


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
        unit = unit_text(self.unit)
        return (
            f"{sign}{self.change:.2g}{unit}"
            if unit == "\u00b0"
            else f"{sign}{self.change:.2g} {unit}"
        )


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
