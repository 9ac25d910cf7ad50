# SPDX-License-Identifier: GPL-3.0-or-later
"""Cabinets as a user sets them: size, treated front edges, a leaning front, a shaped head."""

from __future__ import annotations

from dataclasses import dataclass

from bafflelens.shapes.fields import angle, length
from bafflelens.shapes.hull import Edge, Hull, hull_faults
from bafflelens.shapes.rules import fault


@dataclass(frozen=True)
class Cabinet:
    """Parameters of a closed box with four equal front edges."""

    width_mm: float = length(210.0, 120.0, 400.0, "outer width")
    height_mm: float = length(400.0, 200.0, 1200.0, "outer height")
    depth_mm: float = length(250.0, 100.0, 500.0, "outer depth")
    tweeter_below_top_mm: float = length(105.0, 60.0, 500.0, "tweeter axis to the cabinet's top")
    edge_radius_mm: float = length(15.0, 0.0, 50.0, "radius of the front edges, or 0")
    edge_chamfer_mm: float = length(0.0, 0.0, 50.0, "45 degree chamfer of the front edges, or 0")


@dataclass(frozen=True)
class LeaningCabinet:
    """Parameters of a box whose front may lean; the front edges are parameters of their own."""

    width_mm: float = length(210.0, 120.0, 400.0, "outer width")
    height_mm: float = length(400.0, 200.0, 1200.0, "height of the front, measured along it")
    depth_mm: float = length(250.0, 100.0, 500.0, "outer depth at the bottom")
    tweeter_below_top_mm: float = length(
        105.0, 60.0, 500.0, "tweeter axis to the cabinet's top, along the front"
    )
    slant_deg: float = angle(0.0, -15.0, 15.0, "front leans back by this, axis rises by it")


@dataclass(frozen=True)
class OffsetCabinet(LeaningCabinet):
    """Parameters of a leaning box whose tweeter may sit beside the middle."""

    tweeter_offset_mm: float = length(
        20.0, -120.0, 120.0, "tweeter axis to the left of the cabinet's middle"
    )


@dataclass(frozen=True)
class _EndEdges:
    """Parameters of the top and the bottom front edge: a radius or a chamfer, the other 0."""

    top_radius_mm: float = length(15.0, 0.0, 80.0, "radius of the top edge, or 0")
    top_chamfer_mm: float = length(0.0, 0.0, 80.0, "chamfer of the top edge, or 0")
    bottom_radius_mm: float = length(15.0, 0.0, 80.0, "radius of the bottom edge, or 0")
    bottom_chamfer_mm: float = length(0.0, 0.0, 80.0, "chamfer of the bottom edge, or 0")


@dataclass(frozen=True)
class Edges(_EndEdges):
    """Parameters of the front edges, both sides alike."""

    side_radius_mm: float = length(15.0, 0.0, 80.0, "radius of the side edges at their bottom")
    side_chamfer_mm: float = length(0.0, 0.0, 80.0, "chamfer of the side edges at their bottom")
    side_growth_mm: float = length(
        0.0, -60.0, 60.0, "radius or chamfer of the side edges at the top less that at the bottom"
    )


@dataclass(frozen=True)
class EachEdge(_EndEdges):
    """Parameters of the front edges, left and right one by one."""

    left_radius_mm: float = length(15.0, 0.0, 80.0, "radius of the left edge at its bottom")
    left_chamfer_mm: float = length(0.0, 0.0, 80.0, "chamfer of the left edge at its bottom")
    left_growth_mm: float = length(
        0.0, -60.0, 60.0, "radius or chamfer of the left edge at the top less that at the bottom"
    )
    right_radius_mm: float = length(15.0, 0.0, 80.0, "radius of the right edge at its bottom")
    right_chamfer_mm: float = length(0.0, 0.0, 80.0, "chamfer of the right edge at its bottom")
    right_growth_mm: float = length(
        0.0, -60.0, 60.0, "radius or chamfer of the right edge at the top less that at the bottom"
    )


@dataclass(frozen=True)
class Head:
    """Parameters of the cabinet's upper part, which may be narrower."""

    height_mm: float = length(0.0, 0.0, 600.0, "height of the head below the cabinet's top, or 0")
    bottom_width_mm: float = length(
        0.0, 0.0, 400.0, "width where the head begins; 0: the cabinet's, without a step"
    )
    top_width_mm: float = length(0.0, 0.0, 400.0, "width at the top; 0: as where the head begins")


def plain_hull(cabinet: Cabinet) -> Hull:
    """Return the hull of a box with equal front edges."""
    size = max(cabinet.edge_radius_mm, cabinet.edge_chamfer_mm)
    edge = Edge(low=size, high=size, rounded=cabinet.edge_chamfer_mm == 0)
    return Hull(
        width=cabinet.width_mm,
        height=cabinet.height_mm,
        depth=cabinet.depth_mm,
        top=cabinet.tweeter_below_top_mm,
        edges=dict.fromkeys(("top", "bottom", "left", "right"), edge),
    )


def shaped_hull(cabinet: LeaningCabinet, edges: Edges | EachEdge, head: Head) -> Hull:
    """Return the hull of a box with edges of its own and a head."""
    head_bottom, head_top = head_widths(cabinet, head)
    return Hull(
        width=cabinet.width_mm,
        height=cabinet.height_mm,
        depth=cabinet.depth_mm,
        top=cabinet.tweeter_below_top_mm,
        offset=cabinet.tweeter_offset_mm if isinstance(cabinet, OffsetCabinet) else 0.0,
        slant=cabinet.slant_deg,
        edges={
            side: _edge(*_treatment(edges, side)) for side in ("top", "bottom", "left", "right")
        },
        head_height=head.height_mm,
        head_bottom=head_bottom,
        head_top=head_top,
    )


def head_widths(cabinet: LeaningCabinet, head: Head) -> tuple[float, float]:
    """Return the width in mm where the head begins, and that of its top."""
    bottom = head.bottom_width_mm or cabinet.width_mm
    return bottom, head.top_width_mm or bottom


def _treatment(edges: Edges | EachEdge, side: str) -> tuple[float, float, float]:
    """Return radius, chamfer and growth of an edge."""
    if side == "top":
        return edges.top_radius_mm, edges.top_chamfer_mm, 0.0
    if side == "bottom":
        return edges.bottom_radius_mm, edges.bottom_chamfer_mm, 0.0
    if isinstance(edges, Edges):
        return edges.side_radius_mm, edges.side_chamfer_mm, edges.side_growth_mm
    if side == "left":
        return edges.left_radius_mm, edges.left_chamfer_mm, edges.left_growth_mm
    return edges.right_radius_mm, edges.right_chamfer_mm, edges.right_growth_mm


def _edge(radius: float, chamfer: float, growth: float) -> Edge:
    size = max(radius, chamfer)
    return Edge(low=size, high=size + growth, rounded=chamfer == 0)


def plain_faults(cabinet: Cabinet) -> list[str]:
    """Return the rules of a box with equal front edges that are broken."""
    faults = _one_treatment("front edge", cabinet.edge_radius_mm, cabinet.edge_chamfer_mm)
    return faults or hull_faults(plain_hull(cabinet))


def shaped_faults(cabinet: LeaningCabinet, edges: Edges | EachEdge, head: Head) -> list[str]:
    """Return the rules of a box with edges of its own and a head that are broken."""
    sides = ("left", "right") if isinstance(edges, EachEdge) else ("left",)
    faults = []
    for side in ("top", "bottom", *sides):
        radius, chamfer, _ = _treatment(edges, side)
        name = side if isinstance(edges, EachEdge) or side not in sides else "side"
        faults += _one_treatment(f"{name} edge", radius, chamfer)
    if head.height_mm == 0 and (head.bottom_width_mm or head.top_width_mm):
        width = head.bottom_width_mm or head.top_width_mm
        faults.append(fault("head height", "0 mm", f"more for a head {width:g} mm wide"))
    return faults or hull_faults(shaped_hull(cabinet, edges, head))


def _one_treatment(what: str, radius: float, chamfer: float) -> list[str]:
    if radius > 0 and chamfer > 0:
        both = f"radius {radius:g} mm and chamfer {chamfer:g} mm"
        return [fault(what, both, "one or the other; set the other to 0")]
    return []
