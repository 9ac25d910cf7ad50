# SPDX-License-Identifier: GPL-3.0-or-later
"""What the ready parts of a shape come to: which of their parameters nothing is made from.

A script whose parts are those of this package returns this as its ``resolved``.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from bafflelens.shapes.cabinet import Cabinet, EachEdge, Edges, Head, head_widths
from bafflelens.shapes.drivers import Dome, Midranges
from bafflelens.shapes.lens import Passage
from bafflelens.shapes.panels import Felt, Plate

Resolved = dict[str, float | None]
"""By key, the value that is built where it is not the one given; None where nothing is."""


def resolved_parts(parameters: Any) -> Resolved:
    """Return what is built otherwise than given, or not at all, over all parts of a shape.

    Parameters
    ----------
    parameters : dataclass
        The script's ``Parameters``. A part that is no class of this package is as given.

    Returns
    -------
    dict of str to float or None
        The value by key where it stands for another one; None where the part is not there.
    """
    found: Resolved = {}
    for item in fields(parameters):
        part = getattr(parameters, item.name)
        for name, value in _of_part(part, parameters).items():
            found[f"{item.name}.{name}"] = value
    return found


def _of_part(part: Any, parameters: Any) -> Resolved:
    """Return the same of one part, by the name of its field."""
    match part:
        case Dome():
            return {} if part.slit_mm > 0 else dict.fromkeys(("slit_mm", "slit_depth_mm"))
        case Midranges():
            places = {"above_mm": part.above_mm, "below_mm": part.below_mm}
            absent = [name for name, value in places.items() if value == 0]
            return dict.fromkeys(absent) if len(absent) < len(places) else _nothing_of(part)
        case Passage():
            is_flat = part.passage_width_mm == 0
            return dict.fromkeys(("passage_width_mm", "passage_blend_mm")) if is_flat else {}
        case Plate():
            return _of_plate(part)
        case Felt():
            return {} if part.sheet_width_mm > 0 else _nothing_of(part)
        case Head():
            if part.height_mm == 0:
                return _nothing_of(part)
            bottom, top = head_widths(parameters.cabinet, part)
            return {"bottom_width_mm": bottom, "top_width_mm": top}
        case Cabinet() | Edges() | EachEdge():
            return _of_edges(part)
    return {}


def _of_plate(plate: Plate) -> Resolved:
    """Return what a faceplate has not: a round one no width, a rectangular one no diameter."""
    if plate.diameter_mm > 0:
        return dict.fromkeys(("width_mm", "height_mm"))
    return {"diameter_mm": None} if plate.width_mm > 0 else _nothing_of(plate)


def _of_edges(part: Cabinet | Edges | EachEdge) -> Resolved:
    """Return the treatments that an edge has not; a sharp one has a radius of 0."""
    found: Resolved = {}
    for item in fields(part):
        edge, is_chamfer, _ = item.name.partition("_chamfer_mm")
        if not is_chamfer:
            continue
        radius, chamfer = f"{edge}_radius_mm", item.name
        unused = radius if getattr(part, chamfer) > 0 else chamfer
        found[unused] = None
        if getattr(part, radius) == getattr(part, chamfer) == 0 and hasattr(
            part, f"{edge}_growth_mm"
        ):
            found[f"{edge}_growth_mm"] = None
    return found


def _nothing_of(part: Any) -> Resolved:
    return dict.fromkeys(item.name for item in fields(part))
