# SPDX-License-Identifier: GPL-3.0-or-later
"""The sheet of what each place of a front may be off: zones and lines with mm, and a table.

The zones are grey, the tightest darkest, and bounded by lines with their value: it can be read in
black and white, and copied.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any, Final

import numpy as np
from contourpy import ContourGenerator, FillType, LineType, contour_generator

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.acoustic_tolerance import (
    ACROSS_MM,
    CHANGE_DB,
    LEAST_MM,
    MOST_MM,
    AcousticTolerance,
)
from bafflelens.handoff.annotation import Window
from bafflelens.handoff.hidden_lines import FRONT
from bafflelens.handoff.place import Place, seen_lines
from bafflelens.handoff.sheet_frame import (
    FRAME_MM,
    MEDIUM,
    NARROW_MM,
    SMALL,
    TITLE_BLOCK_MM,
    Letters,
    width_of,
    wrapped,
    write_letters,
)
from bafflelens.handoff.solid import Solid, part_box
from bafflelens.mesh.source_motion import SourceMotion

LEVELS_MM: Final = (0.2, 0.5, 1.0, 1.5, 2.0, 3.0, MOST_MM)
"""Between the zones."""

_GREYS: Final = (0.55, 0.62, 0.69, 0.76, 0.83, 0.89, 0.95)
"""Of the zones below each of these levels."""
_SCALES: Final = (1, 2, 5, 10, 20, 50, 100)
_PAD_MM: Final = 8.0
_TITLE_MM: Final = 10.0
_LINE_MM: Final = 4.6
_AROUND_MM: Final = 12.0  # of the part, around the outermost line
_VIEW_MM: Final = (FRAME_MM[0] + _PAD_MM, FRAME_MM[1] + _PAD_MM, 222.0, FRAME_MM[3] - 18.0)
_RIGHT_MM: Final = (TITLE_BLOCK_MM[0] + 4, FRAME_MM[2] - 4)
_LEAST_LINE_MM: Final = 8.0  # of the page, that a line must have for a label
_LABELS_APART_MM: Final = 3.0
_COLUMNS_MM: Final = (10.0, 22.0, 22.0, 44.0, 26.0, 40.0)
_HEADS: Final = ("No.", "y", "z", "On", "Off by", "Worse if")
_SWATCH_MM: Final = (9.0, 4.0)


def view_window(
    found: AcousticTolerance, solid: Solid, motions: Sequence[SourceMotion]
) -> tuple[Window, float]:
    """Return what of the front is drawn, and at which scale: all that some place of it costs.

    Parameters
    ----------
    found : AcousticTolerance
        What is drawn.
    solid : Solid
        The body.
    motions : sequence of SourceMotion
        The drivers.
    """
    box = part_box(solid, motions)
    low, high = box[0, 1:], box[1, 1:]
    with np.errstate(invalid="ignore"):
        matters = np.abs(found.slope_db) > CHANGE_DB / MOST_MM
    if matters.any():
        rows, columns = np.nonzero(matters)
        ends = np.array([[found.y_m[rows.min()], found.z_m[columns.min()]],
                         [found.y_m[rows.max()], found.z_m[columns.max()]]])  # fmt: skip
        low = np.maximum(low, 1e3 * ends[0] - _AROUND_MM)
        high = np.minimum(high, 1e3 * ends[1] + _AROUND_MM)
    wide, tall = _VIEW_MM[2] - _VIEW_MM[0], _VIEW_MM[3] - _VIEW_MM[1]
    for scale in _SCALES:
        if ((high - low) / scale <= [wide, tall]).all():
            break
    # What of the sheet is left shows more of the front.
    (u0, u1), (v0, v1) = (
        _grown((float(low[axis]), float(high[axis])), scale * room, *box[:, 1 + axis].tolist())
        for axis, room in ((0, wide), (1, tall))
    )
    return (u0, v0, u1, v1), scale


def _grown(ends: tuple[float, float], room: float, low: float, high: float) -> tuple[float, float]:
    """Return a stretch as long as there is room for, about the same middle, within bounds."""
    long = min(room, high - low)
    start = min(max((ends[0] + ends[1] - long) / 2, low), high - long)
    return start, start + long


def draw_tolerance(
    canvas: Any, found: AcousticTolerance, solid: Solid, motions: Sequence[SourceMotion]
) -> None:
    """Draw the front with its zones, lines and places; beside it zones, notes and table.

    Parameters
    ----------
    canvas : reportlab Canvas
        In mm.
    found : AcousticTolerance
        What is drawn.
    solid : Solid
        The body.
    motions : sequence of SourceMotion
        The drivers.
    """
    window, scale = view_window(found, solid, motions)
    u0, v0, u1, v1 = window
    left = (_VIEW_MM[0] + _VIEW_MM[2] - (u1 - u0) / scale) / 2
    low = _VIEW_MM[3] - (v1 - v0) / scale
    front = Place(canvas, scale, window, left, low)
    zones = _zones(found)
    lines = [(level, line) for level in LEVELS_MM for line in _lines(zones, level)]
    with front.clipped():
        below = 0.0
        for level, grey in zip(LEVELS_MM, _GREYS, strict=True):
            # The zones are those of the slope: the tightest has the steepest.
            top = CHANGE_DB / below if below else np.inf
            for loops in _filled(zones, CHANGE_DB / level, top):
                front.fill(loops, grey)
            below = level
        for _, line in lines:
            front.line(line, NARROW_MM)
        front.view(seen_lines(solid, FRONT, scale), hidden=False)
        for motion in motions:
            _, y, z = (1e3 * value for value in motion.centre)
            front.circle(y, z, 1e3 * motion.outer_radius_m)
    box = 1e3 * solid.box_m
    ends = (("left", u0, box[0, 1]), ("below", v0, box[0, 2]),
            ("right", u1, box[1, 1]), ("above", v1, box[1, 2]))  # fmt: skip
    front.breaks([side for side, at, end in ends if abs(at - end) > 0.01])  # type: ignore[misc]
    taken = [*_draw_places(front, found)]
    _draw_labels(front, lines, taken)
    front.title(f"front (1:{scale:g})", FRAME_MM[3] - _TITLE_MM)
    _draw_column(canvas, found)


def _zones(found: AcousticTolerance) -> ContourGenerator:
    """Return what draws lines of equal slope over y and z in mm."""
    slope = np.ma.masked_invalid(np.abs(found.slope_db).T)
    return contour_generator(
        1e3 * found.y_m,
        1e3 * found.z_m,
        slope,
        line_type=LineType.Separate,
        fill_type=FillType.OuterOffset,
    )


def _lines(zones: ContourGenerator, level_mm: float) -> list[FloatArray]:
    return [np.asarray(line) for line in zones.lines(CHANGE_DB / level_mm)]


def _filled(zones: ContourGenerator, low: float, high: float) -> Iterator[list[FloatArray]]:
    """Yield what lies between two slopes: each an outer loop and those of its holes."""
    for points, offsets in zip(*zones.filled(low, high), strict=True):
        yield [points[a:b] for a, b in pairwise(offsets)]


Box = tuple[float, float, float, float]


def _draw_places(front: Place, found: AcousticTolerance) -> Iterator[Box]:
    """Write the numbers of the tightest places beside their points; yield what they cover."""
    canvas = front.canvas
    for number, place in enumerate(found.places, start=1):
        for side in (1, -1) if place.is_mirrored else (1,):
            x, y = front.at(side * 1e3 * place.centre_m[1], 1e3 * place.centre_m[2])
            canvas.circle(x, y, 0.5, stroke=0, fill=1)
            half = width_of(f"{number}", MEDIUM, bold=True) / 2
            box = (x + 1.2, y + 0.6, x + 2.0 + 2 * half, y + 1.4 + MEDIUM)
            _clear(canvas, box)
            letters = Letters(height=MEDIUM, bold=True)
            write_letters(canvas, f"{number}", box[0] + 0.4, box[1] + 0.4, letters)
            yield box


def _draw_labels(
    front: Place, lines: Sequence[tuple[float, FloatArray]], taken: list[Box]
) -> None:
    """Write the value of each line on it, where there is room."""
    left, low, right, high = front.box
    for level, line in sorted(lines, key=lambda one: -len(one[1])):
        page = np.array([front.at(*point) for point in line.tolist()])
        long = float(np.linalg.norm(np.diff(page, axis=0), axis=1).sum())
        if long < _LEAST_LINE_MM:
            continue
        text = f"{level:g}"
        half = (width_of(text) / 2 + 0.4, SMALL / 2 + 0.4)
        # From the middle of the line outwards: its ends may lie on the rim.
        order = np.argsort(np.abs(np.arange(len(page)) - len(page) / 2), kind="stable")
        for x, y in page[order].tolist():
            box = (x - half[0], y - half[1], x + half[0], y + half[1])
            is_inside = left < box[0] and low < box[1] and box[2] < right and box[3] < high
            if is_inside and all(_apart(box, other) for other in taken):
                _clear(front.canvas, box)
                where = (x, y - SMALL / 2)
                write_letters(front.canvas, text, *where, Letters(anchor="middle"))
                taken.append(box)
                break


def _apart(one: Box, other: Box) -> bool:
    more = _LABELS_APART_MM
    return (
        one[2] + more < other[0]
        or other[2] + more < one[0]
        or one[3] + more < other[1]
        or other[3] + more < one[1]
    )


def _clear(canvas: Any, box: Box) -> None:
    canvas.setFillGray(1.0)
    canvas.rect(box[0], box[1], box[2] - box[0], box[3] - box[1], stroke=0, fill=1)
    canvas.setFillGray(0.0)


# ---------------------------------------------------------------------- beside the view


def _draw_column(canvas: Any, found: AcousticTolerance) -> None:
    """Write what the zones are, how to read them, and the tightest places."""
    left, right = _RIGHT_MM
    y = FRAME_MM[3] - _TITLE_MM
    write_letters(canvas, "Zones: a place may be off by", left, y, _HEADING)
    y -= 2
    low = 0.0
    for level, grey in zip((*LEVELS_MM, np.inf), (*_GREYS, 1.0), strict=True):
        y -= _LINE_MM + 1.2
        canvas.setFillGray(grey)
        canvas.setLineWidth(NARROW_MM)
        canvas.rect(left, y - 0.7, *_SWATCH_MM, stroke=1, fill=1)
        canvas.setFillGray(0.0)
        write_letters(canvas, _zone_text(low, level), left + _SWATCH_MM[0] + 3, y)
        low = level
    y -= _LINE_MM + 6
    for note in NOTES:
        for line in wrapped(note, right - left):
            write_letters(canvas, line, left, y)
            y -= _LINE_MM
        y -= 1.4
    if not found.places:
        return
    y -= 4
    write_letters(canvas, "The tightest places", left, y, _HEADING)
    y -= _LINE_MM + 2
    for row in (_HEADS, *_rows(found)):
        x = left
        letters = Letters(bold=row is _HEADS)
        for text, wide in zip(row, _COLUMNS_MM, strict=True):
            write_letters(canvas, text, x, y, letters)
            x += wide
        canvas.setLineWidth(NARROW_MM)
        canvas.line(left, y - 1.4, x, y - 1.4)
        y -= _LINE_MM + 0.6


_HEADING: Final = Letters(height=MEDIUM, bold=True)
NOTES: Final = (
    f"How far a round place {ACROSS_MM:g} mm wide at its foot, half as high half way out, may "
    "stand out from the analysed surface or be set back along its normal, for the score to change "
    f"by {CHANGE_DB:g} dB, for the worse or the better. Each value is for one such place, its "
    "middle there, on one side only.",
    "By the slope of the score, so a straight line. Places add up, with their signs: so a whole "
    "wall that is off costs more than one place of it. Narrower places may be off by more, as "
    "their area is less.",
    f"Not followed below {LEAST_MM:g} mm, nor above {MOST_MM:g} mm, where the slope is no better "
    "known than itself. White without a line: more than that, or nothing that is formed.",
    "y to the part's own left, z up, in mm, as in the STEP file. The sheet says where to be "
    "careful; the limits to make by are those of the table.",
)


def _zone_text(low_mm: float, high_mm: float) -> str:
    if low_mm == 0:
        return f"less than {high_mm:g} mm"
    return f"{low_mm:g} to {high_mm:g} mm" if np.isfinite(high_mm) else f"more than {low_mm:g} mm"


def _rows(found: AcousticTolerance) -> Iterator[tuple[str, ...]]:
    for number, place in enumerate(found.places, start=1):
        _, y, z = (1e3 * value for value in place.centre_m)
        across = f"\u00b1{y:.0f}" if place.is_mirrored else f"{round(y) + 0:d}"
        name = place.surface.replace("_", " ")
        off = f"\u00b1{place.allowed_mm:.1f}"
        yield (f"{number}", across, f"{round(z) + 0:d}", name, off, place.worse_if)
