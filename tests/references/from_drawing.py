# SPDX-License-Identifier: GPL-3.0-or-later
"""A lens in its cabinet, made anew from nothing but the table of dimensions of its drawing.

By OCP, bindings of another release of the kernel than the one that wrote the STEP file, and by
plane geometry of its own: no module of the program is used. Read are symbol, nominal and name of
each row, rounded as they stand on the sheet, as by somebody who draws the part from it.

What it can make: walls alike above and below, a floor alike at both sides, front edges alike; or
a wall that is turned about the axis. Dome and surround are not in the table.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from typing import Any

from OCP.BRepAlgoAPI import BRepAlgoAPI_Common, BRepAlgoAPI_Cut
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeFace,
    BRepBuilderAPI_MakeWire,
)
from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism, BRepPrimAPI_MakeRevol
from OCP.collections import HArray1_gp_Pnt
from OCP.GC import GC_MakeArcOfCircle
from OCP.GeomAPI import GeomAPI_Interpolate
from OCP.gp import gp_Ax1, gp_Dir, gp_Pnt, gp_Vec

Point = tuple[float, float]
Table = dict[str, tuple[float, str]]
Line = list[Any]  # of pieces: ("line", end), ("arc", middle, end), ("curve", points)

BEYOND = 10.0  # of what is cut away, outside of the cabinet
BEHIND = 1.0  # of straight walls, behind the floor


def table_of(form: bytes) -> Table:
    """Return nominal and name by symbol from the form of the hand-off (bytes of a CSV file)."""
    rows = csv.DictReader(io.StringIO(form.decode()))
    return {row["parameter"]: (float(row["nominal"]), row["name"]) for row in rows}


def made_from(table: Table) -> Any:
    """Return the solid that a table of dimensions describes, in mm, the axis at y = z = 0."""
    size = {symbol: nominal for symbol, (nominal, _) in table.items()}
    body = _cabinet(size, table)
    if "diameter" in table["V"][1]:
        return BRepAlgoAPI_Cut(body, _turned(size, table)).Shape()
    walls = _prism(_walls(size, table), "xz", size["E"] - size["W"] - BEYOND, size["E"] + BEYOND)
    reach = size["M"] + BEYOND
    floor = _prism(_over_the_floor(size), "xy", -reach, reach)
    return BRepAlgoAPI_Cut(body, BRepAlgoAPI_Common(walls, floor).Shape()).Shape()


def _cabinet(size: Mapping[str, float], table: Table) -> Any:
    """Return the box: its side view and its plan, both with treated front corners, mitred."""
    front, what = (size["C"], table["C"][1]) if "C" in size else (0.0, "")
    left, right = size["E"], size["E"] - size["W"]
    top, bottom = size["F"], size["F"] - size["H"]
    side = _prism(_treated(size["T"], bottom, top, front, "radius" in what), "xz", right, left)
    plan = _prism(_treated(size["T"], right, left, front, "radius" in what), "xy", bottom, top)
    return BRepAlgoAPI_Common(side, plan).Shape()


def _treated(depth: float, low: float, high: float, edge: float, is_round: bool) -> Line:
    """Return a rectangle from the back to the front whose front corners are treated."""
    if edge == 0:
        return [("line", p) for p in ((-depth, low), (0, low), (0, high), (-depth, high))]
    pieces: Line = [("line", (-depth, low)), ("line", (-edge, low))]
    for across, way in ((low, 1), (high, -1)):
        ends = [(-edge, across), (0.0, across + way * edge)]
        start, end = ends if way > 0 else ends[::-1]
        if way < 0:
            pieces.append(("line", start))
        centre = (-edge, across + way * edge)
        pieces.append(_arc(centre, start, end) if is_round else ("line", end))
    return [*pieces, ("line", (-depth, high))]


def _arc(centre: Point, start: Point, end: Point) -> tuple[str, Point, Point]:
    """Return an arc: a place half-way along it, and its end."""
    radius = math.dist(centre, start)
    x = (start[0] + end[0]) / 2 - centre[0]
    h = (start[1] + end[1]) / 2 - centre[1]
    share = radius / math.hypot(x, h)
    return "arc", (centre[0] + x * share, centre[1] + h * share), end


def _rising(
    size: Mapping[str, float], half: float, angle_deg: float, radius: float | None
) -> Line:
    """Return a straight wall from its foot and the arc of its lip, in (x, h)."""
    angle = math.radians(angle_deg)
    meets = half + size["D"] * math.tan(angle)
    if radius is None:
        return [("line", (0.0, meets))]
    setback = radius * math.tan((math.pi / 2 - angle) / 2)
    leaves = (-setback * math.cos(angle), meets - setback * math.sin(angle))
    end = (0.0, meets + setback)
    return [("line", leaves), _arc((-radius, end[1]), leaves, end)]


def _wall(size: Mapping[str, float], table: Table) -> Line:
    """Return the upper wall from its foot to the front plane, in (x, h)."""
    half, radius = size["V"] / 2, size.get("Y")
    if "Q" in size:
        return _rising(size, half, size["Q"], radius)
    numbers = sorted(int(s[1:]) for s in size if s[0] == "X" and s[1:].isdigit())
    points = [(-_depth(table[f"X{n}"][1]), size[f"X{n}"] / 2) for n in numbers]
    if radius is None:
        return [("curve", [*points, (0.0, size["M"] / 2)])]
    x, h = points[-1]
    rise = math.sqrt(radius**2 - (radius + x) ** 2)
    return [("curve", points), _arc((-radius, h + rise), (x, h), (0.0, h + rise))]


def _depth(name: str) -> float:
    """Return the depth that a row's name says, such as ``..., 22.5 mm below the front plane``."""
    return float(name.split(", ")[-1].split(" mm")[0])


def _walls(size: Mapping[str, float], table: Table) -> Line:
    """Return what is between the walls, in (x, z), as a closed line."""
    up = _wall(size, table)
    behind = max(size.get("Z", 0.0) - size["D"], 0.0) + BEHIND
    slope = math.tan(math.radians(size["Q"])) if "Q" in size else 0.0
    foot = (-size["D"], size["V"] / 2)
    start = (foot[0] - behind, foot[1] - behind * slope)
    last = up[-1][-1][-1] if up[-1][0] == "curve" else up[-1][-1]
    out: Line = [("line", start), ("line", foot), *up, ("line", (BEYOND, last[1]))]
    return [*out, *_mirrored(out)]


def _mirrored(path: Line) -> Line:
    """Return a path downwards again on the other side of the axis."""
    ends = [piece[-1][-1] if piece[0] == "curve" else piece[-1] for piece in path]
    found: Line = [("line", (ends[-1][0], -ends[-1][1]))]
    for number in range(len(path) - 1, 0, -1):
        piece, end = path[number], (ends[number - 1][0], -ends[number - 1][1])
        if piece[0] == "arc":
            found.append(("arc", (piece[1][0], -piece[1][1]), end))
        elif piece[0] == "curve":
            inner = [(x, -h) for x, h in piece[1][-2::-1]]
            found.append(("curve", [*inner, end]))
        else:
            found.append(("line", end))
    return found


def _over_the_floor(size: Mapping[str, float]) -> Line:
    """Return what is in front of the floor, in (x, y), as a closed line."""
    half = size["W"] / 2
    out: Line
    if "S" not in size:  # flat, out of both sides
        out = [("line", (-size["D"], half + BEYOND)), ("line", (BEYOND, half + BEYOND))]
    elif "N" in size:
        up = _rising(size, size["P"] / 2, size["S"], size.get("U"))
        out = [("line", (-size["D"], size["P"] / 2)), *up, ("line", (BEYOND, up[-1][-1][1]))]
    else:
        angle, run = math.radians(size["S"]), half - size["P"] / 2
        x = -size["D"] + run / math.tan(angle)
        out = [("line", (-size["D"], size["P"] / 2))]
        if "U" in size:
            setback = size["U"] * math.tan((math.pi - angle) / 2)
            leaves = (x - setback * math.cos(angle), half - setback * math.sin(angle))
            end = (x - setback, half)
            out += [("line", leaves), _arc((end[0], half - size["U"]), leaves, end)]
            out.append(("line", (end[0], half + BEYOND)))
        else:
            out.append(("line", (x + BEYOND / math.tan(angle), half + BEYOND)))
        out.append(("line", (BEYOND, half + BEYOND)))
    return [*out, *_mirrored(out)]


def _turned(size: Mapping[str, float], table: Table) -> Any:
    """Return what a wall that is turned about the axis leaves free."""
    wall = _wall(size, table)
    last = wall[-1][-1][-1] if wall[-1][0] == "curve" else wall[-1][-1]
    path = [("line", (-size["D"], 0.0)), ("line", (-size["D"], size["V"] / 2)), *wall,
            ("line", (BEYOND, last[1])), ("line", (BEYOND, 0.0))]  # fmt: skip
    axis = gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(1, 0, 0))
    return BRepPrimAPI_MakeRevol(_face(path, "xz", 0.0), axis).Shape()


def _prism(path: Line, plane: str, low: float, high: float) -> Any:
    along = gp_Vec(0, high - low, 0) if plane == "xz" else gp_Vec(0, 0, high - low)
    return BRepPrimAPI_MakePrism(_face(path, plane, low), along).Shape()


def _face(path: Line, plane: str, level: float) -> Any:
    """Return the plane face inside a closed path that starts at its first place."""

    def at(place: Point) -> Any:
        x, h = place
        return gp_Pnt(x, level, h) if plane == "xz" else gp_Pnt(x, h, level)

    wire = BRepBuilderAPI_MakeWire()
    here = path[0][1]
    for piece in [*path[1:], path[0]]:
        end = piece[-1][-1] if piece[0] == "curve" else piece[-1]
        if math.dist(here, end) < 1e-9:
            continue
        if piece[0] == "arc":
            curve = GC_MakeArcOfCircle(at(here), at(piece[1]), at(end)).Value()
            wire.Add(BRepBuilderAPI_MakeEdge(curve).Edge())
        elif piece[0] == "curve":
            places = [here, *piece[1]]
            points = HArray1_gp_Pnt(1, len(places))
            for number, place in enumerate(places, start=1):
                points.SetValue(number, at(place))
            through = GeomAPI_Interpolate(points, False, 1e-9)
            through.Perform()
            wire.Add(BRepBuilderAPI_MakeEdge(through.Curve()).Edge())
        else:
            wire.Add(BRepBuilderAPI_MakeEdge(at(here), at(end)).Edge())
        here = end
    return BRepBuilderAPI_MakeFace(wire.Wire()).Face()
