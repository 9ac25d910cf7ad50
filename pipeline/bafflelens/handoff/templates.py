# SPDX-License-Identifier: GPL-3.0-or-later
"""Section templates at 1:1: DXF in millimetres, and pages to cut out.

Depends on: handoff.solid.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from bafflelens.conventions import FloatArray
from bafflelens.handoff.solid import Section

PAGES_MM: Final = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "roll": (610.0, math.inf)}
SCALE_BAR_MM: Final = 100.0
_MARGIN_MM: Final = 12.0
_BAND_MM: Final = 20.0  # at the foot of a page, for words and the scale bar
_MILLIMETRES: Final = 4  # $INSUNITS
_POINTS: Final = 72 / 25.4  # a millimetre in points


@dataclass(frozen=True, kw_only=True)
class Template:
    """One template.

    Attributes
    ----------
    name : str
        Of its file.
    text : str
        What is written on it: candidate, revision, station.
    loops : tuple of (n, 2) array
        Closed outlines, x and z (or y) in mm.
    rim : (2, 2) array or None
        The line between the edges of the driver's moving parts, where the section meets it.
    across : str
        Name of the second axis, ``z`` or ``y``.
    """

    name: str
    text: str
    loops: tuple[FloatArray, ...]
    rim: FloatArray | None
    across: str

    @property
    def box_mm(self) -> FloatArray:
        """Lowest and highest corner, (2, 2), scale bar and axes included."""
        points = np.concatenate([*self.loops, [[0.0, 0.0]]])
        return np.array([points.min(axis=0), points.max(axis=0)])


def templates_of(
    sections: Sequence[Section], label: str, centre_mm: Sequence[float], radius_mm: float
) -> Iterator[Template]:
    """Yield profile and scraper of each section.

    Parameters
    ----------
    sections : sequence of Section
        The sections.
    label : str
        Candidate and revision.
    centre_mm : (3,) sequence
        Where the first source's rim is.
    radius_mm : float
        Its outer radius.
    """
    for section in sections:
        is_vertical = section.kind == "vertical"
        off = section.station_mm - centre_mm[1 if is_vertical else 2]
        half = math.sqrt(max(radius_mm**2 - off**2, 0.0))
        middle = centre_mm[2 if is_vertical else 1]
        rim = np.array([[centre_mm[0], middle - half], [centre_mm[0], middle + half]])
        axis, across = ("y", "z") if is_vertical else ("z", "y")
        for kind, loops in (("profile", section.profile), ("scraper", section.scraper)):
            if not loops:
                continue
            yield Template(
                name=f"{section.name}_{kind}",
                text=f"{label}  {section.kind} {kind}  {axis} = {section.station_mm:g} mm",
                loops=loops,
                rim=rim if half else None,
                across=across,
            )


# ------------------------------------------------------------------------------------ DXF


def dxf_bytes(template: Template) -> bytes:
    """Return a template as DXF (R2010), in mm.

    Layers: OUTLINE to cut, DRIVER where the moving parts end, AXES, SCALE, TEXT.
    """
    from ezdxf import filemanagement
    from ezdxf._options import options

    # Else a file has the time of writing and random names.
    fixed = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        drawing = filemanagement.new("R2010")
        drawing.header["$INSUNITS"] = _MILLIMETRES
        drawing.header["$MEASUREMENT"] = 1
        for layer, colour in (("OUTLINE", 7), ("DRIVER", 1), ("AXES", 3), ("SCALE", 5)):
            drawing.layers.add(layer, color=colour)
        drawing.layers.add("TEXT", color=5)
        _fill(drawing.modelspace(), template)
        stream = io.StringIO()
        drawing.write(stream)
        return stream.getvalue().encode("utf-8")
    finally:
        options.write_fixed_meta_data_for_testing = fixed


def _fill(space: Any, template: Template) -> None:
    for loop in template.loops:
        closed = loop[:-1] if np.allclose(loop[0], loop[-1], atol=1e-6) else loop
        space.add_lwpolyline(closed.tolist(), close=True, dxfattribs={"layer": "OUTLINE"})
    if template.rim is not None:
        space.add_line(*template.rim.tolist(), dxfattribs={"layer": "DRIVER"})
    (left, low), (right, high) = template.box_mm
    space.add_line((left - 5, 0), (right + 5, 0), dxfattribs={"layer": "AXES"})
    space.add_line((0, low - 5), (0, high + 5), dxfattribs={"layer": "AXES"})
    for text, where in (("x", (right + 7, 0)), (template.across, (0, high + 7))):
        _write(space, text, where, "AXES")
    foot = low - 15
    space.add_line((left, foot), (left + SCALE_BAR_MM, foot), dxfattribs={"layer": "SCALE"})
    for end in (left, left + SCALE_BAR_MM):
        space.add_line((end, foot - 2), (end, foot + 2), dxfattribs={"layer": "SCALE"})
    _write(space, "100 mm", (left + 40, foot - 6), "TEXT")
    _write(space, template.text, (left, foot - 14), "TEXT")


def _write(space: Any, text: str, where: tuple[float, float], layer: str) -> None:
    space.add_text(text, height=4, dxfattribs={"layer": layer}).set_placement(where)


# ------------------------------------------------------------------------------------ PDF


def templates_pdf(templates: Sequence[Template], page: str) -> bytes:
    """Return pages with templates at 1:1, tiled where one is larger than the page.

    Parameters
    ----------
    templates : sequence of Template
        The templates.
    page : {"A4", "A3", "roll"}
        The paper.
    """
    from reportlab.pdfgen.canvas import Canvas

    stream = io.BytesIO()
    canvas = Canvas(stream, invariant=1, pageCompression=1)
    canvas.setTitle("Section templates, 1:1")
    canvas.setCreator("bafflelens")
    for template in templates:
        _draw_tiles(canvas, template, page)
    canvas.save()
    return stream.getvalue()


def _draw_tiles(canvas: Any, template: Template, page: str) -> None:
    low, high = template.box_mm + np.array([[-6.0], [6.0]])
    width, height = PAGES_MM[page]
    if math.isinf(height):
        height = float(high[1] - low[1]) + 2 * _MARGIN_MM + _BAND_MM
    room = np.array([width - 2 * _MARGIN_MM, height - 2 * _MARGIN_MM - _BAND_MM])
    columns, rows = (math.ceil(side - 1e-9) for side in (high - low) / room)
    for row in range(rows):
        for column in range(columns):
            start = low + room * [column, row]
            canvas.setPageSize((width * _POINTS, height * _POINTS))
            canvas.scale(_POINTS, _POINTS)
            tile = f"tile {row * columns + column + 1} of {rows * columns}"
            where = f"column {column + 1}/{columns}, row {row + 1}/{rows} from below"
            _draw_foot(canvas, template.text, f"{tile} ({where})" if rows * columns > 1 else "")
            _draw_tile(canvas, template, start, room, tiled=rows * columns > 1)
            canvas.showPage()


def _draw_foot(canvas: Any, text: str, tile: str) -> None:
    x, y = _MARGIN_MM, _MARGIN_MM
    canvas.setLineWidth(0.3)
    canvas.line(x, y, x + SCALE_BAR_MM, y)
    for step in range(11):
        canvas.line(x + 10 * step, y - (2 if step % 5 == 0 else 1), x + 10 * step, y)
    canvas.setFont("Helvetica", 3)
    canvas.drawString(x + SCALE_BAR_MM + 3, y - 1, "100 mm: measure it, print at 100 %")
    canvas.setFont("Helvetica-Bold", 3.2)
    canvas.drawString(x, y + 9, text)
    canvas.setFont("Helvetica", 3)
    canvas.drawString(x, y + 4, tile)


def _draw_tile(
    canvas: Any, template: Template, start: FloatArray, room: FloatArray, *, tiled: bool
) -> None:
    left, foot = _MARGIN_MM, _MARGIN_MM + _BAND_MM
    if tiled:
        canvas.setLineWidth(0.15)
        for x in (left, left + room[0]):
            for y in (foot, foot + room[1]):
                canvas.line(x - 4, y, x + 4, y)
                canvas.line(x, y - 4, x, y + 4)
                canvas.circle(x, y, 2)
    canvas.saveState()
    clip = canvas.beginPath()
    clip.rect(left, foot, *room.tolist())
    canvas.clipPath(clip, stroke=0)
    canvas.translate(left - start[0], foot - start[1])
    (low_x, low_y), (high_x, high_y) = template.box_mm
    canvas.setLineWidth(0.1)
    canvas.setDash(4, 1)
    canvas.line(low_x - 5, 0, high_x + 5, 0)
    canvas.line(0, low_y - 5, 0, high_y + 5)
    canvas.setFont("Helvetica", 3)
    canvas.drawString(high_x + 2, 1, "x")
    canvas.drawString(1, high_y + 2, template.across)
    canvas.setDash()
    if template.rim is not None:
        canvas.setDash(1, 1)
        canvas.setLineWidth(0.2)
        canvas.line(*template.rim.ravel().tolist())
        canvas.setDash()
    canvas.setLineWidth(0.25)
    for loop in template.loops:
        path = canvas.beginPath()
        path.moveTo(*loop[0].tolist())
        for point in loop[1:].tolist():
            path.lineTo(*point)
        path.close()
        canvas.drawPath(path)
    canvas.restoreState()
