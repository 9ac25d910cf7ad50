# SPDX-License-Identifier: GPL-3.0-or-later
"""The table of dimensions of a part: outer sizes, drivers, front edges, lens."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.contour import contour, pieces
from bafflelens.handoff.dimension import OnSheet, SheetDimension, general
from bafflelens.handoff.lens_dimensions import LensDimensions, lens_dimensions
from bafflelens.handoff.lens_form import ALL_FREE
from bafflelens.handoff.solid import Solid, part_box, through_the_axis
from bafflelens.mesh.source_motion import SourceMotion

_SAME_MM: Final = 0.05
_TOUCHES_MM: Final = 1e-4
_FROM_END_MM: Final = 8.0  # of a side edge, beyond the treated edge across it
_OFF_CHORD: Final = 0.05  # of a chord, that the middle of a rounding is off it at least
_GAUGE: Final = {True: "radius gauge", False: "calipers from the face to the end of the chamfer"}


@dataclass(frozen=True, kw_only=True)
class _Edge:
    """A treated front edge: its name, size in mm, a place on it in a view, its label's side."""

    name: str
    size: float
    is_round: bool
    view: Literal["A-A", "front"]
    at: tuple[float, float]
    side: Literal["left", "right", "above", "below"]


def measured_dimensions(solid: Solid, motions: Sequence[SourceMotion]) -> LensDimensions:
    """Return all rows of the table, and how the lens follows from its rows.

    Parameters
    ----------
    solid : Solid
        What is dimensioned.
    motions : sequence of SourceMotion
        The drivers, the first of which the sections go through.
    """
    box = part_box(solid, motions)
    lens = lens_dimensions(solid, motions)
    rows = [*outer_dimensions(box, motions), *_edges(solid, motions[0], box)]
    if lens is None:
        has_lens = any(name.startswith(("lens", "waveguide")) for name in solid.mesh.surface)
        return LensDimensions(rows=tuple(rows), form=ALL_FREE if has_lens else "")
    rows = [row for row in rows if row.symbol != "D"]
    return LensDimensions(rows=(*rows, *lens.rows), form=lens.form)


def outer_dimensions(
    box_mm: FloatArray, motions: Sequence[SourceMotion]
) -> tuple[SheetDimension, ...]:
    """Return the outer sizes, and where the drivers are.

    Parameters
    ----------
    box_mm : (2, 3) array
        Lowest and highest corner of the part.
    motions : sequence of SourceMotion
        The drivers.
    """
    (back, right, bottom), (front, left, top) = box_mm.tolist()
    across = "calipers over both sides, at mid height"
    upright = "calipers over top and bottom, at mid width"
    found = [
        general("W", "overall width", across, left - right, view="front",
                shown=OnSheet(how="across", at_mm=((right, top), (left, top)), side="above")),
        general("H", "overall height", upright, top - bottom, view="front",
                shown=OnSheet(how="upright", at_mm=((right, bottom), (right, top)), side="left")),
        general("T", "overall depth", "calipers from the back to the foremost place",
                front - back, view="side",
                shown=OnSheet(how="across", at_mm=((back, top), (front, top)), side="above")),
    ]  # fmt: skip
    for number, motion in enumerate(motions, start=1):
        found += _of_driver(motion, "" if number == 1 else str(number), (front, left, top))
    return tuple(row for row in found if row.nominal > 0)


def _of_driver(
    motion: SourceMotion, number: str, corner: tuple[float, float, float]
) -> Iterator[SheetDimension]:
    """Yield where a driver's axis is, its cut-out, and how deep its rim lies."""
    x, y, z = (1e3 * value for value in motion.centre)
    radius = 1e3 * motion.outer_radius_m
    front, left, top = corner
    name = motion.name.replace("_", " ")
    edge = "from the edge to the nearer side of the driver's seat, plus half of its diameter"
    seat = (front, x) if number else (x, x)
    yield general(
        f"E{number}", f"left side to the axis of the {name}", edge, left - y, view="front",
        shown=OnSheet(how="across", at_mm=((y, z), (left, z)), side="above"),
    )  # fmt: skip
    yield general(
        f"F{number}", f"top to the axis of the {name}", edge, top - z, view="front",
        shown=OnSheet(how="upright", at_mm=((y, z), (y, top)), side="left"),
    )  # fmt: skip
    yield general(
        f"G{number}", f"driver's seat: cut-out of the {name}", "inside jaws, two ways",
        2 * radius, sign="diameter", view="front" if number else "A-A",
        shown=OnSheet(how="leader", at_mm=((y, z - radius),), side="right") if number else OnSheet(
            how="upright", at_mm=((seat[0], z - radius), (seat[0], z + radius)), side="right"
        ),
    )  # fmt: skip
    yield general(
        f"D{number}", f"depth over the lips to the rim of the {name}",
        "straight edge over the foremost places, depth rod to the rim", front - x,
    )  # fmt: skip


def _edges(solid: Solid, motion: SourceMotion, box: FloatArray) -> Iterator[SheetDimension]:
    """Yield the front edges: one row if all are alike, else one each."""
    found = list(_found_edges(solid, motion, box))
    alike = len(found) == 6 and all(
        abs(edge.size - found[0].size) < _SAME_MM and edge.is_round == found[0].is_round
        for edge in found
    )
    if not alike:
        found = list(_joined(found))
    for number, edge in enumerate(found[:1] if alike else found, start=1):
        what = "radius" if edge.is_round else "chamfer, along the front"
        name = "front edges, all four" if alike else edge.name
        yield general(
            "C" if alike else f"C{number}", f"{name}: {what}", _GAUGE[edge.is_round], edge.size,
            sign="radius" if edge.is_round else "", is_edge=True,
            view=edge.view,
            shown=OnSheet(how="leader", at_mm=(edge.at,), side=edge.side),
        )  # fmt: skip


def _joined(edges: Sequence[_Edge]) -> Iterator[_Edge]:
    """Yield edges: both sides once where they are alike, a side once that is alike all along."""
    left = [edge for edge in edges if edge.name.startswith("left")]
    right = [edge for edge in edges if edge.name.startswith("right")]
    yield from (edge for edge in edges if edge not in left and edge not in right)
    is_same = len(left) == len(right) and all(map(_is_like, left, right))
    for which, side in (("side edges", left),) if is_same else (
        ("left edge", left), ("right edge", right)
    ):  # fmt: skip
        if len(side) == 2 and _is_like(*side):
            yield replace(side[0], name=which)
        else:
            for edge in side:
                yield replace(edge, name=f"{which}, {edge.name.partition(', ')[2]}")


def _is_like(one: _Edge, other: _Edge) -> bool:
    return one.is_round == other.is_round and abs(one.size - other.size) < _SAME_MM


def _found_edges(solid: Solid, motion: SourceMotion, box: FloatArray) -> Iterator[_Edge]:
    x, _, z = (1e3 * value for value in motion.centre)
    front = float(box[1, 0])
    upright = through_the_axis(solid.sections, "vertical")
    sizes = []
    for way, name in ((1, "top edge"), (-1, "bottom edge")):
        path = contour(upright.whole, (x, z), 1e3 * motion.outer_radius_m, way) - [front, 0.0]
        parts = pieces(path) if len(path) > 1 else []
        flat = [n for n, part in enumerate(parts) if part.points[:, 0].min() > -_TOUCHES_MM]
        edge = parts[flat[-1] + 1] if flat and flat[-1] + 1 < len(parts) else None
        if edge is None or edge.kind == "free":
            continue
        size = edge.radius if edge.kind == "arc" else float(np.ptp(edge.points[:, 1]))
        if edge.kind == "line" and np.ptp(edge.points, axis=0).min() < _SAME_MM:
            continue  # the top itself: the edge is sharp
        sizes.append(float(np.ptp(edge.points[:, 1])))
        at = (front + edge.middle[0], z + way * edge.middle[1])
        yield _Edge(
            name=name, size=size, is_round=edge.kind == "arc", view="A-A", at=at,
            side="above" if way > 0 else "below",
        )  # fmt: skip
    away = float(math.ceil(max(sizes, default=0.0) + _FROM_END_MM))
    for way, name in ((1, "left edge"), (-1, "right edge")):
        for level, end in (
            (box[0, 2] + away, "above the bottom"),
            (box[1, 2] - away, "below the top"),
        ):
            edge_of_side = _side_edge(solid, float(level), front, way)
            if edge_of_side is not None:
                size, is_round, across = edge_of_side
                yield _Edge(
                    name=f"{name}, {away:g} mm {end}", size=size, is_round=is_round, view="front",
                    at=(across, float(level)), side="right" if way > 0 else "left",
                )  # fmt: skip


def _side_edge(
    solid: Solid, level: float, front: float, way: int
) -> tuple[float, bool, float] | None:
    """Return size, roundness and y of a side edge at a height; None if it is sharp.

    Where faces of the solid meet, the corners of the mesh lie on the line in which they do: so
    where the flat front and the flat side end is exact, whatever the chords between.
    """
    points = _level_points(solid, level)
    if len(points) == 0:
        return None
    across = way * points[:, 1]
    outer = float(across.max())
    flat = float(across[points[:, 0] > front - _TOUCHES_MM].max(initial=-np.inf))
    size = outer - flat
    if not _SAME_MM < size < np.ptp(points[:, 1]) / 2:
        return None
    between = (across > flat + 0.2 * size) & (across < flat + 0.8 * size)
    between &= points[:, 0] > front - 2 * size
    chord = (across - flat) + (points[:, 0] - front) * -1 - size
    is_round = bool(between.any() and abs(chord[between]).max() > _OFF_CHORD * size)
    share = 1 - np.sqrt(0.5) if is_round else 0.5
    return size, is_round, way * (outer - share * size)


def _level_points(solid: Solid, level: float) -> FloatArray:
    """Return where the sides of the mesh's triangles meet a height, x and y in mm."""
    corners = solid.mesh.corners * 1e3
    start, end = corners.reshape(-1, 3), np.roll(corners, -1, axis=1).reshape(-1, 3)
    below, above = start[:, 2] - level, end[:, 2] - level
    crosses = below * above < 0
    start, end, below, above = start[crosses], end[crosses], below[crosses], above[crosses]
    share = (below / (below - above))[:, np.newaxis]
    return np.asarray((start + share * (end - start))[:, :2])
