# SPDX-License-Identifier: GPL-3.0-or-later
"""Sheet 1 of a drawing: front, side and section A-A, and the lens in A-A and B-B in detail.

First angle (ISO 5456-2): what is seen from the viewer's left stands to the right of the front,
what is seen from above below it. Lines as in ISO 128-2, sections as in ISO 128-3 (from memory).
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import BoolArray, FloatArray
from bafflelens.handoff.annotation import Around, Window, draw_around
from bafflelens.handoff.checks import screw_places
from bafflelens.handoff.dimension import SheetDimension
from bafflelens.handoff.hidden_lines import FROM_RIGHT, FRONT
from bafflelens.handoff.place import Place, Seen, seen_lines, title_width
from bafflelens.handoff.sheet_frame import (
    FRAME_MM,
    MEDIUM,
    SMALL,
    TITLE_BLOCK_MM,
    Letters,
    wrapped,
    write_letters,
)
from bafflelens.handoff.solid import Solid, part_box, through_the_axis
from bafflelens.job.handoff_section import HandoffSection
from bafflelens.mesh.source_motion import SourceMotion

SCALES: Final = (1, 2, 5, 10, 20, 50, 100)
"""Standard reductions (ISO 5455)."""
_PAD_MM: Final = 4.0
_TOP_MM: Final = 7.0  # clear of the centring mark
_GAP_MM: Final = 6.0
_TITLE_MM: Final = 8.0
_AROUND_LENS_MM: Final = 12.0
_AROUND_DRIVER_MM: Final = 25.0
_FRONT_START_MM: Final = 16.0  # lanes of the front stay clear of the cutting planes' ends
_DATUM_MM: Final = 16.0
_LEAST_PICTURE_MM: Final = 35.0
_LEAST_COLUMN_MM: Final = 75.0  # of the detail, for its name and the notes
_LINE_MM: Final = 4.2
NOTES: Final = (
    "J: front plane. K: axis of the driver, square to J. L: left side. Dome and surround belong "
    "to the driver and are drawn as analysed.",
    "Dashed: hidden. Narrow: faces run into each other without a bend.",
    "Numbers in parentheses follow from the others. Limits, and how to measure: sheet 2.",
)


@dataclass(frozen=True, kw_only=True)
class Layout:
    """What stands on sheet 1, and at which scales.

    ``views`` are front, side and section A-A as a whole; ``details`` the lens in A-A and B-B.
    """

    views: tuple[Around, Around, Around]
    details: tuple[Around, Around]

    @property
    def scale_text(self) -> str:
        """For the title block: of the views, then of the details."""
        return f"1:{self.views[0].scale:g} (1:{self.details[0].scale:g})"

    @property
    def column(self) -> float:
        """Width of the left column, which holds the detail of A-A, a picture and the notes."""
        return max(self.details[0].size[0], _LEAST_COLUMN_MM)

    @property
    def fits(self) -> bool:
        """Whether all of it has room on the sheet."""
        wide, tall = FRAME_MM[2] - FRAME_MM[0], FRAME_MM[3] - FRAME_MM[1]
        detail_wide, detail_tall = self.column, self.details[0].size[1]
        level_wide, level_tall = self.details[1].size
        views_wide, views_tall = _row_size(self.views)
        block = TITLE_BLOCK_MM[3] - TITLE_BLOCK_MM[1] + _PAD_MM
        right_wide = max(views_wide, level_wide)
        return (
            _PAD_MM + detail_wide + _GAP_MM + right_wide + _PAD_MM <= wide
            and detail_tall + _TITLE_MM + _TOP_MM + _PAD_MM <= tall
            and views_tall + level_tall + 2 * _TITLE_MM + block + _TOP_MM + _PAD_MM <= tall
        )


def layout_of(
    solid: Solid, motions: Sequence[SourceMotion], rows: Sequence[SheetDimension]
) -> Layout:
    """Return what stands on sheet 1 at the largest standard scales that fit, the details first.

    Parameters
    ----------
    solid : Solid
        What is drawn.
    motions : sequence of SourceMotion
        The drivers; the sections go through the first.
    rows : sequence of SheetDimension
        The dimensions; those that say where they are, are drawn.
    """
    box, box_all = part_box(solid, motions), solid.box_m * 1e3
    upright, level = _details(solid, motions[0], box_all)
    sideways = (box_all[0, 0], box_all[0, 2], box_all[1, 0], box_all[1, 2])
    shown = [row for row in rows if row.shown is not None]
    close = [row for row in shown if row.view == "A-A" and _inside(row, upright)]
    whole = [row for row in shown if row.view == "A-A" and row not in close]
    flat = [row for row in shown if row.view == "B-B" and _inside(row, level)]
    front = [row for row in shown if row.view == "front"]
    side = [row for row in shown if row.view == "side"]
    front_window = (box[0, 1], box[0, 2], box[1, 1], box[1, 2])
    for detail_scale in SCALES:
        for scale in SCALES[1:]:
            layout = Layout(
                views=(
                    Around(
                        rows=tuple(front), window=front_window, scale=scale, start=_FRONT_START_MM
                    ),
                    Around(rows=tuple(side), window=sideways, scale=scale),
                    Around(rows=tuple(whole), window=sideways, scale=scale),
                ),
                details=(
                    Around(rows=tuple(close), window=upright, scale=detail_scale),
                    Around(rows=tuple(flat), window=level, scale=detail_scale),
                ),
            )
            if layout.fits:
                return layout
    return layout


def seen_in(layout: Layout, solid: Solid) -> Seen:
    """Return the lines of front and side, as a layout shows them."""
    front, side, _ = layout.views
    return seen_lines(solid, FRONT, front.scale), seen_lines(solid, FROM_RIGHT, side.scale)


def draw_views(
    canvas: Any,
    solid: Solid,
    motions: Sequence[SourceMotion],
    settings: HandoffSection,
    layout: Layout,
    seen: Seen,
    picture: bytes,
) -> None:
    """Draw what a layout says, the notes, and a picture where there is room.

    Parameters
    ----------
    canvas : reportlab Canvas
        In mm.
    solid : Solid
        What is drawn.
    motions : sequence of SourceMotion
        The drivers.
    settings : HandoffSection
        Flange and screws.
    layout : Layout
        As `layout_of` gives it.
    seen : Seen
        The lines of front and side, of `seen_in`.
    picture : bytes
        Of the solid in space, a PNG file.
    """
    box = part_box(solid, motions)
    _, y, z = (1e3 * value for value in motions[0].centre)
    left, high = FRAME_MM[0] + _PAD_MM, FRAME_MM[3] - _TOP_MM
    upright, level = (through_the_axis(solid.sections, k) for k in ("vertical", "horizontal"))
    close, flat = layout.details
    detail = _put(canvas, close, left, high - _TITLE_MM)
    what = "the lens" if _of_lens(solid).any() else "the driver's seat"
    detail.title(f"A-A (1:{close.scale:g}), {what}", high - MEDIUM, left + layout.column / 2)
    detail.section(upright.whole)
    _broken(detail, solid.box_m * 1e3, upright=True)
    detail.axis((detail.window[0], z), (detail.window[2], z), 3.0)
    draw_around(canvas, close, detail.left, detail.low)
    right_of = left + layout.column + _GAP_MM
    foot = _draw_views(canvas, solid, motions, settings, layout, seen, right_of)
    column = FRAME_MM[2] - _PAD_MM - flat.size[0]
    start = max(right_of, (column + right_of) / 2)
    lens = _put(canvas, flat, start, foot - _TITLE_MM)
    lens.title(f"B-B (1:{flat.scale:g}), {what} from above", foot - MEDIUM)
    # Seen from above: y to the right, the front below.
    lens.section([loop[:, ::-1] * [1, -1] for loop in level.whole])
    _broken(lens, solid.box_m * 1e3, upright=False)
    lens.axis((y, lens.window[1]), (y, lens.window[3]), 3.0)
    front = -float(box[1, 0])
    lens.plane((lens.window[0], front), (lens.window[2], front))
    draw_around(canvas, flat, lens.left, lens.low)
    _write_notes(canvas, picture, high - _TITLE_MM - close.size[1], left, layout.column)


def _put(canvas: Any, around: Around, left: float, high: float) -> Place:
    """Return the place of a view whose room begins at a left upper corner."""
    _, v0, _, v1 = around.window
    low = high - around.room("above") - (v1 - v0) / around.scale
    stacked = around.size[1] - around.room("above") - around.room("below")
    low -= max(0.0, stacked - (v1 - v0) / around.scale) / 2
    return Place(canvas, around.scale, around.window, left + around.room("left"), low)


def _draw_views(
    canvas: Any,
    solid: Solid,
    motions: Sequence[SourceMotion],
    settings: HandoffSection,
    layout: Layout,
    seen: Seen,
    start: float,
) -> float:
    """Draw front, side and section in a row, and return where the row ends below."""
    high = FRAME_MM[3] - _TOP_MM
    wide, tall = _row_size(layout.views)
    gap = min(20.0, (FRAME_MM[2] - _PAD_MM - start - wide) / 3)
    above = max(view.room("above") for view in layout.views)
    places, left = [], start + gap / 2
    for view in layout.views:
        room, (wide_view, _) = view.room("left"), _view_size(view)
        v0, v1 = view.window[1], view.window[3]
        low = high - _TITLE_MM - above - (v1 - v0) / view.scale
        places.append(Place(canvas, view.scale, view.window, left + room, low))
        left += wide_view + gap
    front, side, section = places
    for place, lines in zip((front, side), seen, strict=True):
        place.view(lines)
    section.section(through_the_axis(solid.sections, "vertical").whole)
    _draw_drivers(front, motions, settings)
    _, y, z = (1e3 * value for value in motions[0].centre)
    front.cutting_plane("A", y, upright=True)
    front.cutting_plane("B", z, upright=False)
    box = part_box(solid, motions)
    lower = box[0, 2] + 0.25 * (box[1, 2] - box[0, 2])
    front.datum("L", box[1, 1], lower, (1, 0), 4.0)
    side.datum("J", box[1, 0], lower, (1, 0), 4.0)
    section.axis((box[0, 0], z), (box[1, 0], z), 5.0)
    section.datum("K", box[1, 0] + 5.0 * section.scale, z, (0, 1), 4.0)
    scale = f"1:{layout.views[0].scale:g}"
    for place, text in ((front, f"front ({scale})"), (side, "from its right"), (section, "A-A")):
        place.title(text, high - MEDIUM)
    for place, view in zip(places, layout.views, strict=True):
        draw_around(canvas, view, place.left, place.low)
    return high - _TITLE_MM - tall


def _view_size(view: Around) -> tuple[float, float]:
    """Return the room of one of the views in the row, with its datum and name."""
    wide, tall = view.size
    u0, _, u1, _ = view.window
    half = (u1 - u0) / view.scale / 2
    needed = title_width("from its right") / 2
    wide += max(0.0, _DATUM_MM - view.room("right"))
    return max(wide, view.room("left") + half + needed, 2 * needed), tall


def _row_size(views: Sequence[Around]) -> tuple[float, float]:
    wide = sum(_view_size(view)[0] for view in views)
    above = max(view.room("above") for view in views)
    below = max([view.room("below") for view in views] + [_FRONT_START_MM])
    tall = max((view.window[3] - view.window[1]) / view.scale for view in views)
    return wide, above + tall + below


def _details(solid: Solid, motion: SourceMotion, box: FloatArray) -> tuple[Window, Window]:
    """Return what of A-A and of B-B is drawn in detail: the lens, or the driver's seat."""
    mesh = solid.mesh
    x, y, z = (1e3 * value for value in motion.centre)
    of_lens = _of_lens(solid)
    if of_lens.any():
        corners = mesh.corners[of_lens].reshape(-1, 3) * 1e3
        low, high = corners.min(axis=0), corners.max(axis=0)
        around = _AROUND_LENS_MM
    else:
        radius = 1e3 * motion.outer_radius_m
        low, high = np.array([x, y - radius, z - radius]), np.array([x, y + radius, z + radius])
        around = _AROUND_DRIVER_MM
    low, high = np.maximum(low - around, box[0]), np.minimum(high + around, box[1])
    front = float(box[1, 0])
    return (
        (float(low[0]), float(low[2]), front, float(high[2])),
        (float(low[1]), -front, float(high[1]), float(-low[0])),
    )


def _of_lens(solid: Solid) -> BoolArray:
    """Return which triangles of the mesh are the lens."""
    return np.array([name.startswith(("lens", "waveguide")) for name in solid.mesh.surface])


def _inside(row: SheetDimension, window: Window) -> bool:
    u0, v0, u1, v1 = window
    places = row.shown.at_mm if row.shown else ()
    return all(u0 - 0.01 <= u <= u1 + 0.01 and v0 - 0.01 <= v <= v1 + 0.01 for u, v in places)


def _broken(place: Place, box: FloatArray, *, upright: bool) -> None:
    """Draw where a detail breaks off: at the sides of its window that are not the part's."""
    u0, v0, u1, v1 = place.window
    if upright:
        ends = (("left", u0, box[0, 0]), ("below", v0, box[0, 2]), ("above", v1, box[1, 2]))
    else:
        ends = (("left", u0, box[0, 1]), ("right", u1, box[1, 1]), ("above", v1, -box[0, 0]))
    place.breaks([side for side, at, end in ends if abs(at - end) > 0.01])  # type: ignore[misc]


def _draw_drivers(front: Place, motions: Sequence[SourceMotion], settings: HandoffSection) -> None:
    for number, motion in enumerate(motions):
        _, y, z = (1e3 * value for value in motion.centre)
        front.circle(y, z, 1e3 * motion.outer_radius_m)
        if number:
            continue
        if settings.flange_mm is not None:
            front.circle(y, z, settings.flange_mm / 2)
        for across, up in screw_places(motion, settings) * 1e3:
            front.circle(across, up, settings.screw_head_mm / 2)


def _write_notes(canvas: Any, picture: bytes, high: float, left: float, wide: float) -> None:
    """Write the notes at the foot of the left column, a picture over them where there is room."""
    lines = list(_note_lines(wide - 2))
    low = FRAME_MM[1] + _PAD_MM
    y = low + _LINE_MM * (len(lines) - 1)
    room = high - (y + _LINE_MM + 6)
    if y + SMALL > high - 2:  # no room beside the detail: over the title block's left
        return
    for number, line in enumerate(lines):
        write_letters(canvas, line, left, y - _LINE_MM * number)
    if room >= _LEAST_PICTURE_MM:
        _draw_picture(canvas, picture, (left, y + _LINE_MM + 5, wide, room))


def _note_lines(room: float) -> Iterator[str]:
    for note in NOTES:
        yield from wrapped(note, room)


def _draw_picture(canvas: Any, file: bytes, room: tuple[float, float, float, float]) -> None:
    from reportlab.lib.utils import ImageReader

    left, low, wide, tall = room
    picture = ImageReader(io.BytesIO(file))
    across, up = picture.getSize()
    size = min(wide / across, tall / up)
    canvas.drawImage(picture, left + (wide - size * across) / 2, low, size * across, size * up)
    write_letters(canvas, "in space; no scale", left, low - 3, Letters())
