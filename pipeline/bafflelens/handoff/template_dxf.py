# SPDX-License-Identifier: GPL-3.0-or-later
"""One template as a drawing for a machine: DXF in millimetres."""

from __future__ import annotations

import io
from typing import Any, Final

import numpy as np

from bafflelens.handoff.templates import SCALE_BAR_MM, Template

_MILLIMETRES: Final = 4  # $INSUNITS


def dxf_bytes(template: Template) -> bytes:
    """Return a template as DXF (R2010), in mm.

    Layers: OUTLINE to cut, BEFORE what it was before it was changed, DRIVER where the moving parts
    end, AXES, SCALE, TEXT.
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
        if template.before:
            drawing.layers.add("BEFORE", color=8)
        _fill(drawing.modelspace(), template)
        for kind in sorted(drawing.entitydb.dxf_types_in_use()):  # else in another order each time
            drawing.classes.add_class(kind)
        stream = io.StringIO()
        drawing.write(stream)
        return stream.getvalue().encode("utf-8")
    finally:
        options.write_fixed_meta_data_for_testing = fixed


def _fill(space: Any, template: Template) -> None:
    for loop in template.loops:
        closed = loop[:-1] if np.allclose(loop[0], loop[-1], atol=1e-6) else loop
        space.add_lwpolyline(closed.tolist(), close=True, dxfattribs={"layer": "OUTLINE"})
    for loop in template.before:
        closed = loop[:-1] if np.allclose(loop[0], loop[-1], atol=1e-6) else loop
        space.add_lwpolyline(closed.tolist(), close=True, dxfattribs={"layer": "BEFORE"})
    if template.rim is not None:
        space.add_line(*template.rim.tolist(), dxfattribs={"layer": "DRIVER"})
    (left, low), (right, high) = template.box_mm
    space.add_line((left - 5, 0), (right + 5, 0), dxfattribs={"layer": "AXES"})
    space.add_line((0, low - 5), (0, high + 5), dxfattribs={"layer": "AXES"})
    for text, where in (("x", (right + 7, 0)), (template.across, (0, high + 7))):
        _write(space, text, where, "AXES")
    words = space.add_text(template.text, height=3, rotation=90, dxfattribs={"layer": "TEXT"})
    # Beside the axis, which the outline's middle may lie on.
    words.set_placement((template.strip_mm, low + 0.1 * (high - low)))
    foot = low - 15
    space.add_line((left, foot), (left + SCALE_BAR_MM, foot), dxfattribs={"layer": "SCALE"})
    for end in (left, left + SCALE_BAR_MM):
        space.add_line((end, foot - 2), (end, foot + 2), dxfattribs={"layer": "SCALE"})
    _write(space, "100 mm", (left + 40, foot - 6), "TEXT")
    _write(space, template.text, (left, foot - 14), "TEXT")
    if template.side:
        _write(space, template.side, (left, foot - 20), "TEXT")
    _write(space, "datum: x = 0 is the front plane", (left, foot - 26), "TEXT")
    if template.before:
        _write(space, "layer BEFORE: the line before it was changed", (left, foot - 32), "TEXT")


def _write(space: Any, text: str, where: tuple[float, float], layer: str) -> None:
    space.add_text(text, height=4, dxfattribs={"layer": layer}).set_placement(where)
