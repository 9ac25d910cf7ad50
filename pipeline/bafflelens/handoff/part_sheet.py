# SPDX-License-Identifier: GPL-3.0-or-later
"""Sheets of the part as it is made: front, rear and vertical section of each of its pieces.

Joints between the sheets of a laminated front are narrow lines on the section. Lines, dimensions
and projection are those of sheet 1.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from bafflelens.handoff.annotation import Around, draw_around
from bafflelens.handoff.dimension import SheetDimension
from bafflelens.handoff.hidden_lines import FRONT, View
from bafflelens.handoff.part_checks import undefined_text
from bafflelens.handoff.part_pieces import PartPlan, Round
from bafflelens.handoff.place import Place, Seen, seen_lines, title_width
from bafflelens.handoff.sheet_frame import (
    FRAME_MM,
    MEDIUM,
    NARROW_MM,
    TITLE_BLOCK_MM,
    wrapped,
    write_letters,
)
from bafflelens.handoff.solid import MadePiece, Solid
from bafflelens.job.handoff_section import INSERT, ROUNDED, SHELL, HandoffSection

REAR: Final = View(right=(0.0, -1.0, 0.0), up=(0.0, 0.0, 1.0))
_SCALES: Final = (1, 2, 5, 10, 20, 50, 100)
_PAD_MM: Final = 6.0
_TITLE_MM: Final = 10.0
_GAP_MM: Final = 14.0
_CUT_MM: Final = 16.0  # room for the cutting plane's ends
_TOP_MM: Final = FRAME_MM[3] - _PAD_MM - _TITLE_MM - _CUT_MM / 2  # of the views
_LINE_MM: Final = 4.2
_NOTES_MM: Final = 200.0
_NOTES_TALL_MM: Final = 30.0
_OF_SEAT: Final = ("SX", "SW", "MX")
_ABOVE_SEAT_MM: Final = 8.0  # of the part, in the seat's detail
_DETAIL_SCALES: Final = (0.5, 1.0, 2.0)


@dataclass(frozen=True, kw_only=True)
class PartLayout:
    """One piece on its sheet: front, rear and section, with their dimensions."""

    piece: MadePiece
    letter: str
    front: Around
    rear: Around
    section: Around
    detail: Around | None = None

    @property
    def scale_text(self) -> str:
        """For the title block."""
        seat = "" if self.detail is None else f", seat {_scale_text(self.detail.scale)}"
        return f"1:{self.rear.scale:g}{seat}"

    @property
    def fits(self) -> bool:
        """Whether all of it has room above the title block."""
        views = (self.front, self.rear, self.section)
        wide = sum(_width(view) for view in views) + 4 * _GAP_MM
        high = FRAME_MM[3] - FRAME_MM[1] - _TITLE_MM - 2 * _PAD_MM
        block = TITLE_BLOCK_MM[3] - TITLE_BLOCK_MM[1]
        tall = max(view.size[1] for view in views) + 2 * _CUT_MM
        return wide <= FRAME_MM[2] - FRAME_MM[0] and tall <= high - block


def _scale_text(scale: float) -> str:
    return f"1:{scale:g}" if scale >= 1 else f"{1 / scale:g}:1"


def _width(view: Around) -> float:
    return max(view.size[0], title_width("section C-C (1:10)") + 4)


def part_layouts(
    solid: Solid, plan: PartPlan, rows: Sequence[SheetDimension]
) -> tuple[PartLayout, ...]:
    """Return the sheets of the pieces, at the largest standard scales that fit.

    Parameters
    ----------
    solid : Solid
        With the pieces.
    plan : PartPlan
        How they are made.
    rows : sequence of SheetDimension
        All of the table.
    """
    drawn = [row for row in rows if row.shown is not None]
    return tuple(
        _with_seat([_with_detail(one, plan) for one in _layouts(piece, "CD"[number], drawn)])
        for number, piece in enumerate(solid.pieces)
    )


def _with_seat(layouts: Sequence[PartLayout]) -> PartLayout:
    """Return the largest one that has room to show the seat larger, or else the largest."""
    return next((one for one in layouts if one.detail is not None), layouts[0])


def _layouts(piece: MadePiece, letter: str, rows: Sequence[SheetDimension]) -> list[PartLayout]:
    """Return the sheets that fit, the largest first; the smallest if none does."""
    low, high = (f(piece.mesh.vertices * 1e3, axis=0) for f in (np.min, np.max))
    x0, y0, z0 = (float(v) for v in low)
    x1, y1, z1 = (float(v) for v in high)
    rear = tuple(row for row in rows if row.view == "rear") if letter == "C" else ()
    cut = tuple(row for row in rows if row.view == f"{letter}-{letter}")
    found, last = [], None
    for scale in _SCALES[1:]:
        for closer in _SCALES:
            last = PartLayout(
                piece=piece,
                letter=letter,
                front=Around(rows=(), window=(y0, z0, y1, z1), scale=scale),
                rear=Around(rows=rear, window=(-y1, z0, -y0, z1), scale=scale),
                section=Around(rows=cut, window=(x0, z0, x1, z1), scale=closer),
            )
            if last.fits:
                found.append(last)
    assert last is not None
    return found or [last]


def _low(view: Around) -> float:
    """Return where the window of a view begins on the page, from below."""
    _, v0, _, v1 = view.window
    return _TOP_MM - max(view.room("above"), _CUT_MM) - (v1 - v0) / view.scale


def _foot(layout: PartLayout) -> float:
    """Return where all views have ended, from above."""
    views = (layout.front, layout.rear, layout.section)
    return min(_low(layout.front) - _CUT_MM, *(_low(view) - view.room("below") for view in views))


def _with_detail(layout: PartLayout, plan: PartPlan) -> PartLayout:
    """Draw the upper half of the driver's seat larger, below the views, where there is room."""
    if layout.letter != "C" or plan.seat is None:
        return layout
    rows = tuple(row for row in layout.section.rows if row.symbol in _OF_SEAT)
    _, _, z = plan.centre
    reach = max(tool.radius for tool in plan.pieces[0].cut if isinstance(tool, Round) and
                abs(tool.z - z) < 1e-6)  # fmt: skip
    u0, _, u1, v1 = layout.section.window
    back = plan.front - plan.thick
    window = (max(u0, back - 2), z - 2.0, u1, min(v1, z + reach + _ABOVE_SEAT_MM))
    room = _foot(layout) - _PAD_MM - MEDIUM - _PAD_MM - FRAME_MM[1] - _NOTES_TALL_MM
    for scale in _DETAIL_SCALES:
        if scale >= layout.section.scale:
            break
        detail = Around(rows=rows, window=window, scale=scale)
        if detail.size[1] <= room and detail.size[0] <= _NOTES_MM - _GAP_MM:
            kept = tuple(row for row in layout.section.rows if row not in rows)
            return replace(layout, section=replace(layout.section, rows=kept), detail=detail)
    return layout


def lines_in(layout: PartLayout) -> Seen:
    """Return the lines of front and rear, as a layout shows them."""
    piece, front, rear = layout.piece, layout.front, layout.rear
    return seen_lines(piece, FRONT, front.scale), seen_lines(piece, REAR, rear.scale)


def draw_part(
    canvas: Any,
    layout: PartLayout,
    seen: Seen,
    plan: PartPlan | None,
    settings: HandoffSection,
) -> None:
    """Draw what a layout says, and the notes beside the title block.

    Parameters
    ----------
    canvas : reportlab Canvas
        In mm.
    layout : PartLayout
        As `part_layouts` gives it.
    seen : Seen
        The lines of front and rear, of `lines_in`.
    plan : PartPlan
        How the part is made.
    settings : HandoffSection
        Screws, gasket, driver.
    """
    assert plan is not None
    piece, letter = layout.piece, layout.letter
    views = (layout.front, layout.rear, layout.section)
    wide = sum(_width(view) for view in views)
    gap = (FRAME_MM[2] - FRAME_MM[0] - wide) / 4
    left, places = FRAME_MM[0] + gap, []
    for view in views:
        low = _low(view)
        more = (_width(view) - view.size[0]) / 2
        places.append(Place(canvas, view.scale, view.window, left + more + view.room("left"), low))
        left += _width(view) + gap
    front, rear, section = places
    for place, lines in zip((front, rear), seen, strict=True):
        place.view(lines)
    section.section(piece.section.whole)
    _, y, z = plan.centre
    front.cutting_plane(letter, y, upright=True)
    if letter == "C" and plan.screws and _has_circle(layout):
        rear.ring(-y, z, (settings.screw_circle_mm or 0.0) / 2)
    section.axis((section.window[0], z), (section.window[2], z), 4.0)
    _joints(section, piece, plan)
    titles = (
        (front, f"front (1:{front.scale:g})"),
        (rear, f"rear (1:{rear.scale:g})"),
        (section, f"{letter}-{letter} (1:{section.scale:g})"),
    )
    for place, text in titles:
        place.title(text, FRAME_MM[3] - _PAD_MM - MEDIUM)
    for view, place in zip(views, places, strict=True):
        draw_around(canvas, view, place.left, place.low)
    if layout.detail is not None:
        _draw_detail(canvas, layout, plan)
    notes = [line for note in _notes(layout, plan, settings) for line in wrapped(note, _NOTES_MM)]
    base = FRAME_MM[1] + 4 + _LINE_MM * (len(notes) - 1)
    for number, line in enumerate(notes):
        write_letters(canvas, line, FRAME_MM[0] + 4, base - _LINE_MM * number)


def _has_circle(layout: PartLayout) -> bool:
    """Return whether the circle of the screws is dimensioned on the rear view."""
    return any(row.symbol == "CD" for row in layout.rear.rows)


def _draw_detail(canvas: Any, layout: PartLayout, plan: PartPlan) -> None:
    """Draw the seat below the views, its window broken off where the part goes on."""
    around = layout.detail
    assert around is not None
    u0, v0, u1, v1 = around.window
    title = _foot(layout) - _PAD_MM - MEDIUM
    low = title - _PAD_MM - around.room("above") - (v1 - v0) / around.scale
    left = FRAME_MM[0] + _GAP_MM + around.room("left")
    left += max(0.0, (_NOTES_MM - around.size[0]) / 2 - _GAP_MM)
    place = Place(canvas, around.scale, around.window, left, low)
    place.section(layout.piece.section.whole)
    place.axis((u0, plan.centre[2]), (u1, plan.centre[2]), 3.0)
    _joints(place, layout.piece, plan)
    whole = layout.section.window
    place.breaks(["above", "left"] if u0 > whole[0] + 0.01 else ["above"])
    letter = layout.letter
    place.title(
        f"{letter}-{letter}, driver's seat, upper half ({_scale_text(around.scale)})", title
    )
    draw_around(canvas, around, left, low)


def _joints(section: Place, piece: MadePiece, plan: PartPlan) -> None:
    """Draw where sheet meets sheet, and the sheets the block, as narrow lines through the cut."""
    if piece.name == INSERT:
        return
    x = plan.front
    for sheet in plan.sheets:
        x -= sheet
        if x <= section.window[0] + 1e-3:
            return
        _, v0, _, v1 = section.window
        for low, high in _within(piece, x):
            if high <= v0 or low >= v1:
                continue
            low, high = max(low, v0), min(high, v1)
            section.line(np.array([(x, low), (x, high)]), NARROW_MM)


def _within(piece: MadePiece, x: float) -> Iterator[tuple[float, float]]:
    """Yield between what heights a plane at x lies in the section's material."""
    crossings = []
    for loop in piece.section.whole:
        start, end = loop, np.roll(loop, -1, axis=0)
        crosses = (start[:, 0] - x - 1e-4) * (end[:, 0] - x - 1e-4) < 0
        share = (x + 1e-4 - start[crosses, 0]) / (end[crosses, 0] - start[crosses, 0])
        crossings += (start[crosses, 1] + share * (end - start)[crosses, 1]).tolist()
    ordered = sorted(crossings)
    yield from zip(ordered[::2], ordered[1::2], strict=False)


def _centred(plan: PartPlan) -> str:
    """Return that the block lies about the driver's axis, or how far its middle is from it."""
    assert plan.block is not None
    _, y, z = plan.centre
    (_, low_y, low_z), (_, high_y, high_z) = plan.block.low, plan.block.high
    across, up = (low_y + high_y) / 2 - y, (low_z + high_z) / 2 - z
    parts = [f"{abs(across):.1f} mm to the {'left' if across > 0 else 'right'}"] * (
        abs(across) > 0.05
    )
    parts += [f"{abs(up):.1f} mm {'above' if up > 0 else 'below'}"] * (abs(up) > 0.05)
    return ", its middle " + " and ".join(parts) + " of K" if parts else ", its middle on K"


def _notes(layout: PartLayout, plan: PartPlan, settings: HandoffSection) -> Iterator[str]:
    """Yield what no view shows."""
    piece = layout.piece
    if piece.name != "insert":
        sheets = " + ".join(f"{sheet:g}" for sheet in plan.sheets)
        block = (
            f", block of {plan.thick - sum(plan.sheets):g} mm behind the lens{_centred(plan)}"
            if plan.block
            else ""
        )
        glued = "; glued before the front is cut" if plan.block or len(plan.sheets) > 1 else ""
        name = piece.name.capitalize()
        if plan.made == SHELL:
            yield (
                f"{name} in one piece: front {sheets} mm{block}; other walls "
                f"{settings.wall_mm:g} mm. It is closed all round: the driver's way in is not "
                "defined."
            )
        else:
            front = ", from the front" if len(plan.sheets) > 1 else ""
            yield f"{name}: {sheets} mm{front}{block}{glued}."
    if piece is layout.piece and layout.letter == "C":
        if plan.screws:
            yield (
                f"{len(plan.screws)} screws {settings.screw_thread}, the first "
                f"{settings.screw_angle_deg:g}\u00b0 from the top to the left: pilot holes "
                f"\u00d8{settings.pilot_hole_mm:g}, {settings.pilot_depth_mm:g} deep, thread "
                f"{settings.screw_depth_mm:g} deep, from the seat; never through the face."
            )
        if plan.seat is not None:
            gasket = f", gasket {settings.gasket_mm:g} mm pressed" if settings.gasket_mm else ""
            yield (
                f"Driver from {'behind' if settings.driver_from == 'behind' else 'the front'}: "
                f"flange \u00d8{settings.flange_mm:g} x {settings.flange_depth_mm:g} mm{gasket}, "
                f"{settings.clearance_mm:g} mm free around it."
            )
        for hole in plan.further:
            text = undefined_text(hole)
            yield f"{text[0].upper()}{text[1:]}."
        if not plan.locating:
            edges = (
                "left side (L) and top" if plan.made != INSERT else "front and rim of the flange"
            )
            yield f"Register edges for templates and fixtures: {edges}."
    corners = f"R{settings.cutter_mm / 2:g}"
    if settings.inner_corners != ROUNDED:
        yield f"Inner corners of the front: {corners}, or as sharp as the cutter leaves them."
    yield (
        f"Cutter \u00d8{settings.cutter_mm:g}: hole, pocket and recess are no smaller. Limits and "
        "how to measure: table."
    )
