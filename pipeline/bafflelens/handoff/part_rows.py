# SPDX-License-Identifier: GPL-3.0-or-later
"""Dimensions of the part as it is made: thicknesses, driver's seat, screws, locating holes."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Literal

from bafflelens.handoff.dimension import OnSheet, SheetDimension, View, general
from bafflelens.handoff.part_pieces import (
    BEYOND_MM,
    HOLE,
    MAGNET,
    OPENING,
    POCKET,
    RECESS,
    Box,
    PartPlan,
    Round,
)
from bafflelens.handoff.solid import Solid
from bafflelens.job.handoff_section import INSERT, SHELL, HandoffSection

_ACOUSTIC = ("HD",)  # the rim that sound meets at the driver
_CALIPERS = "calipers"
_OUTSIDE = "calipers, two ways"
_JAWS = "inside jaws, two ways"
_ROD = "depth rod from the back"
Side = Literal["left", "right", "above", "below"]


def part_rows(
    solid: Solid, plan: PartPlan, settings: HandoffSection
) -> tuple[SheetDimension, ...]:
    """Return the rows of the part, after those of its outer surface.

    Parameters
    ----------
    solid : Solid
        With the pieces.
    plan : PartPlan
        How they are made.
    settings : HandoffSection
        Screws and locating holes.
    """
    rows = [*_thickness(solid, plan, settings), *_driver(plan, settings)]
    rows += [*_screws(plan, settings), *_locating(plan, settings)]
    if solid.rounded is not None and solid.rounded.n_rounded:
        rows.append(
            general(
                "RI", "inner corners of the front, rounded", "radius gauge",
                settings.cutter_mm / 2, sign="radius", is_edge=True,
            )
        )  # fmt: skip
    if plan.made == INSERT:
        rows += _insert(plan)
    return tuple(
        replace(row, is_fit=row.symbol not in _ACOUSTIC) for row in rows if row.nominal > 0
    )


def _across(
    symbol: str,
    name: str,
    how: str,
    ends: tuple[float, float],
    level: float,
    view: View,
    side: Side,
) -> SheetDimension:
    """Return a length along x."""
    low, high = sorted(ends)
    return general(
        symbol, name, how, high - low, view=view,
        shown=OnSheet(how="across", at_mm=((low, level), (high, level)), side=side),
    )  # fmt: skip


def _bore(
    symbol: str, name: str, tool: Round, x: float, view: View = "C-C", how: str = _JAWS
) -> SheetDimension:
    """Return a diameter, shown at a depth."""
    ends = ((x, tool.z - tool.radius), (x, tool.z + tool.radius))
    return general(
        symbol, name, how, 2 * tool.radius, sign="diameter", view=view,
        shown=OnSheet(how="upright", at_mm=ends, side="left"),
    )  # fmt: skip


def _thickness(solid: Solid, plan: PartPlan, settings: HandoffSection) -> Iterator[SheetDimension]:
    box = solid.pieces[-1].mesh.vertices * 1e3
    bottom, x = float(box[:, 2].min()), plan.front
    view: View = "D-D" if plan.made == INSERT else "C-C"
    for number, sheet in enumerate(plan.sheets, start=1):
        what = f"thickness of sheet {number} of the front, from the front"
        if len(plan.sheets) == 1:
            what = "thickness of the front"
        yield _across(f"PT{number}", what, _CALIPERS, (x - sheet, x), bottom, view, "below")
        x -= sheet
    back = plan.front - plan.thick
    z = plan.centre[2]
    if plan.block is not None:
        yield _block_rows(plan.block, "BW", "width of the block behind the lens", 1, box)
        yield _block_rows(plan.block, "BH", "height of the block behind the lens", 2, box)
        yield _across(
            "BT", "thickness of the block", _CALIPERS, (back, x), plan.block.low[2], "C-C", "below"
        )
    yield _across(
        "TT", "front plane to the back behind the lens", "calipers or height gauge",
        (back, plan.front), z - _reach(plan), "C-C", "above",
    )  # fmt: skip
    if plan.made == SHELL:
        yield general("WT", "thickness of the other walls", _CALIPERS, settings.wall_mm)


def _reach(plan: PartPlan) -> float:
    rounds = [tool.radius for tool in plan.pieces[0].cut if isinstance(tool, Round)]
    return max(rounds, default=0.0)


def _block_rows(block: Box, symbol: str, name: str, axis: int, box: object) -> SheetDimension:
    """Return width or height of the block, as far as the part reaches."""
    import numpy as np

    points = np.asarray(box)
    low = max(block.low[axis], float(points[:, axis].min()))
    high = min(block.high[axis], float(points[:, axis].max()))
    if axis == 1:
        ends = ((-high, block.high[2]), (-low, block.high[2]))
        shown = OnSheet(how="across", at_mm=ends, side="above")
    else:
        edge = -max(block.low[1], float(points[:, 1].min()))
        shown = OnSheet(how="upright", at_mm=((edge, low), (edge, high)), side="right")
    return general(symbol, name, _CALIPERS, high - low, view="rear", shown=shown)


def _driver(plan: PartPlan, settings: HandoffSection) -> Iterator[SheetDimension]:
    tools = {tool.name: tool for tool in plan.pieces[0].cut if isinstance(tool, Round)}
    back, (x, _, z) = plan.front - plan.thick, plan.centre
    yield _bore("HD", "hole for the driver", tools[HOLE], x)
    if plan.seat is None:
        return
    behind = settings.driver_from == "behind"
    pocket = tools[POCKET]
    what = (
        "pocket for the flange, from behind" if behind else "rebate for the flange, from the front"
    )
    yield _bore("SD", what, pocket, back if behind else x)
    if not behind:
        yield _across(
            "SX", "depth of the rebate, flange and gasket", "depth rod over the rebate's edge",
            (plan.seat, x), z + pocket.radius, "C-C", "above",
        )  # fmt: skip
        return
    yield _across(
        "SX",
        "back to the flange's seat",
        _ROD,
        (back, plan.seat),
        z + pocket.radius,
        "C-C",
        "above",
    )
    yield _across(
        "SW", "wall between the flange's seat and the floor around the driver",
        "caliper jaws through the hole", (plan.seat, x), z + tools[HOLE].radius, "C-C", "above",
    )  # fmt: skip
    if MAGNET in tools:
        room = tools[MAGNET]
        yield _bore("MD", "room for the magnet", room, back)
        yield _across(
            "MX", "back to the end of the magnet's room", _ROD, (back, room.front),
            z + room.radius, "C-C", "above",
        )  # fmt: skip


def _screws(plan: PartPlan, settings: HandoffSection) -> Iterator[SheetDimension]:
    if not plan.screws or plan.seat is None:
        return
    hole = plan.screws[0]
    view: View = "rear" if settings.driver_from == "behind" else ""
    at = (-hole.y, hole.z)
    shown = OnSheet(how="leader", at_mm=(at,), side="left") if view else None
    yield general(
        "CD", f"circle of the {len(plan.screws)} screws, about the driver's axis",
        _over_holes(len(plan.screws)), settings.screw_circle_mm or 0.0,
        sign="diameter", view=view, shown=_on_circle(plan, settings) if view else None,
    )  # fmt: skip
    yield general(
        "KD", f"pilot hole for {settings.screw_thread}", "drill shank or plug gauge",
        2 * hole.radius, sign="diameter", view=view, shown=shown,
    )  # fmt: skip
    yield general(
        "KL", f"depth of the pilot holes, for {settings.screw_depth_mm:g} mm of thread",
        "depth rod from the seat", settings.pilot_depth_mm,
    )  # fmt: skip


def _over_holes(count: int) -> str:
    """Return how the circle of so many pilot holes is measured."""
    if count % 2 == 0:
        return "calipers over two opposite pilot holes, less a hole"
    if count == 1:
        return "calipers from the side of the hole for the driver; twice that, both radii added"
    share = math.sin(math.pi / count)
    return f"calipers over two neighbouring pilot holes, less a hole; divided by {share:.3f}"


def _on_circle(plan: PartPlan, settings: HandoffSection) -> OnSheet:
    """Return a place of the screws' circle, as seen from the rear, between two of its holes."""
    _, y, z = plan.centre
    taken = [math.atan2(hole.z - z, y - hole.y) for hole in plan.screws]
    angle = max(
        (math.radians(180 - step) for step in range(-60, 61, 5)),
        key=lambda at: (round(min(abs(math.remainder(at - one, math.tau)) for one in taken), 6),
                        -abs(math.remainder(at - math.radians(150), math.tau))),
    )  # fmt: skip
    radius = (settings.screw_circle_mm or 0.0) / 2
    place = (radius * math.cos(angle) - y, radius * math.sin(angle) + z)
    return OnSheet(how="leader", at_mm=(place,), side="left")


def _locating(plan: PartPlan, settings: HandoffSection) -> Iterator[SheetDimension]:
    for number, hole in enumerate(plan.locating, start=1):
        _, y, z = plan.centre
        over = f"the driver's axis to locating hole {number}"
        at = (-hole.y, hole.z)
        yield general(
            f"LZ{number}", f"{over}, up or down", "height gauge", abs(hole.z - z), view="rear",
            shown=OnSheet(how="upright", at_mm=((-y, z), at), side="right"),
        )  # fmt: skip
        yield general(
            f"LY{number}", f"{over}, sideways", "height gauge, part on its side", abs(hole.y - y),
            view="rear", shown=OnSheet(how="across", at_mm=((-y, z), at), side="below"),
        )  # fmt: skip
    if plan.locating:
        first = plan.locating[0]
        yield general(
            "LD", "locating holes in the back, for dowels of templates and fixtures",
            "plug gauge", 2 * first.radius, sign="diameter", view="rear",
            shown=OnSheet(how="leader", at_mm=((-first.y, first.z),), side="left"),
        )  # fmt: skip
        yield general("LL", "depth of the locating holes", _ROD, settings.locating_depth_mm)


def _insert(plan: PartPlan) -> Iterator[SheetDimension]:
    body, flange = (tool for tool in plan.pieces[0].keep if isinstance(tool, Round))
    tools = {tool.name: tool for tool in plan.pieces[1].cut if isinstance(tool, Round)}
    back = plan.front - plan.thick
    yield _bore("IB", "body of the insert", body, back, how=_OUTSIDE)
    yield _bore("IF", "flange of the insert", flange, flange.back, how=_OUTSIDE)
    yield _across(
        "IT", "thickness of the insert's flange", _CALIPERS, (flange.back, plan.front),
        flange.z - flange.radius, "C-C", "below",
    )  # fmt: skip
    recess, opening = tools[RECESS], tools[OPENING]
    yield _bore("RF", "recess in the panel for the insert's flange", recess, recess.back, "D-D")
    yield _bore("RB", "opening in the panel for the insert's body", opening,
                opening.back + BEYOND_MM, "D-D")  # fmt: skip
    yield _across(
        "RX", "depth of the recess", "depth rod from the front plane",
        (recess.back, plan.front), recess.z + recess.radius, "D-D", "above",
    )  # fmt: skip
