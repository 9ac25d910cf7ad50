# SPDX-License-Identifier: GPL-3.0-or-later
"""What B-B tells of a lens: the flat part of its floor, its slope, how it ends at the sides."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bafflelens.handoff.contour import SAME_MM, ContourPiece, contour, pieces
from bafflelens.handoff.dimension import OnSheet, SheetDimension, general
from bafflelens.handoff.lens_wall import LensWall, path_to_side
from bafflelens.handoff.solid import Section
from bafflelens.handoff.wall_rows import RADIUS_GAUGE


def floor_rows(
    level: Section,
    floors: Sequence[LensWall | None],
    y: float,
    front: float,
    rim: tuple[float, float],
) -> Iterator[SheetDimension]:
    """Yield what B-B tells of the floor: its flat part, its slope, how it ends at the sides."""
    left, right = floors
    if left is not None and right is not None and left.is_like(right):
        yield from _closed_floor(left, y, front)
        return
    for way, side, closed in ((1, "left", left), (-1, "right", right)):
        number = "" if _is_mirrored(level, y, rim) else ("1" if way > 0 else "2")
        if number == "" and way < 0:
            return
        if closed is not None:
            yield from _closed_floor(closed, y, front, number=number, side=f"{side} ", way=way)
            continue
        yield from _open_floor(level, y, front, rim, number, way)


def _is_mirrored(level: Section, y: float, rim: tuple[float, float]) -> bool:
    one, other = (contour(level.whole, (rim[0], y), rim[1], way) for way in (1, -1))
    return bool(abs(one[:, 1].max() - other[:, 1].max()) < SAME_MM)


def _closed_floor(
    floor: LensWall, y: float, front: float, *, number: str = "", side: str = "", way: int = 0
) -> Iterator[SheetDimension]:
    """Yield a floor that comes to the front plane before the sides."""
    factor, sign, low = (2, 1, -1) if way == 0 else (1, way, 0)
    start = "" if way == 0 else f"axis to the {side}end of the "
    inside = "inside calipers, at the height of the axis"

    def across(
        symbol: str, name: str, how: str, half: float, depth: float, auxiliary: bool = False
    ) -> SheetDimension:
        ends = tuple((y + s * half, depth - front) for s in sorted((sign, low * sign)))
        return general(
            symbol + number, name, how, factor * half, view="B-B", is_auxiliary=auxiliary,
            shown=OnSheet(how="across", at_mm=ends, side="below"),
        )  # fmt: skip

    yield across("P", f"{start}flat floor, width", inside, floor.foot, floor.depth)
    if floor.straight is not None:
        yield _floor_angle(floor.straight, y, front, number, sign)
    if floor.lip is not None:
        yield _run_out(floor.lip, "into the front plane", y, front, number, sign)
        touch = "straight edge on the front plane with marking blue: where its contact ends"
        yield across("N", f"{start}passage over its run-outs, width", touch, floor.mouth, 0, True)
    else:
        yield across("N", f"{start}passage in the front plane, width", inside, floor.mouth, 0)


def _floor_angle(
    line: ContourPiece, y: float, front: float, number: str, sign: int
) -> SheetDimension:
    foot, end = ((y + sign * h, -(front + x)) for x, h in line.points[[0, -1]].tolist())
    return general(
        f"S{number}", "floor at the sides, from the driver's axis",
        "bevel protractor on the rising floor, stock on the flat floor; 90\u00b0 less its reading",
        line.angle_deg, unit="deg", leg_mm=line.length, view="B-B",
        shown=OnSheet(how="angle", at_mm=(foot, (foot[0], -front), end), side="above"),
    )  # fmt: skip


def _run_out(
    arc: ContourPiece, where: str, y: float, front: float, number: str, sign: int
) -> SheetDimension:
    x, h = arc.middle
    return general(
        f"U{number}", f"radius of the floor's run-out {where}", RADIUS_GAUGE, arc.radius,
        view="B-B", sign="radius", is_edge=True,
        shown=OnSheet(how="leader", at_mm=((y + sign * h, -(front + x)),), side="above"),
    )  # fmt: skip


def _open_floor(
    level: Section, y: float, front: float, rim: tuple[float, float], number: str, way: int
) -> Iterator[SheetDimension]:
    """Yield a floor that leaves at the cabinet's side."""
    parts = pieces(path_to_side(level, (rim[0], y), rim[1], front, way))
    flat, slope = parts[0], next((p for p in parts[1:] if p.kind == "line"), None)
    factor, sign, low = (2, 1, -1) if not number else (1, way, 0)
    if slope is not None:
        half = float(flat.points[-1, 1])
        ends = tuple(
            (y + s * half, -(front + float(flat.points[-1, 0])))
            for s in sorted((low * sign, sign))
        )
        yield general(
            f"P{number}",
            "flat floor, width" if factor == 2 else "axis to the end of the flat floor",
            "inside calipers, at the height of the axis", factor * half, view="B-B",
            shown=OnSheet(how="across", at_mm=ends, side="below"),
        )  # fmt: skip
        yield _floor_angle(slope, y, front, number, sign)
    last = parts[-1]
    if last.kind == "arc":
        yield _run_out(last, "into the cabinet's side", y, front, number, sign)
    end = (y + sign * float(last.points[-1, 1]), -(front + float(last.points[-1, 0])))
    yield general(
        f"Z{number}", "end of the floor at the cabinet's side, below the front plane",
        "depth gauge from a straight edge over the front plane, along the side",
        float(-last.points[-1, 0]), view="B-B", is_auxiliary=True,
        shown=OnSheet(
            how="upright",
            at_mm=(end, (end[0], -front)),
            side="right" if sign > 0 else "left",
        ),
    )  # fmt: skip
