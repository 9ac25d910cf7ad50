# SPDX-License-Identifier: GPL-3.0-or-later
"""The edges of a carved solid: their curves and corners, moved with the faces beside them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from scipy.interpolate import make_interp_spline

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import MeshingError, invalid
from bafflelens.handoff.carved_face import ALONG, LEAST_ACROSS, STAYS_M
from bafflelens.handoff.carved_height import SmoothHeight
from bafflelens.handoff.step_records import DEGREE, StepRecords
from bafflelens.shapes.cad.step_solid import MM

_SAME_PLACE_M: Final = 1e-6
_EDGE_STEP_M: Final = 0.0005


def move_edges(
    model: Any,
    records: StepRecords,
    faces: Mapping[int, int],
    moving: Sequence[int],
    height: SmoothHeight,
) -> None:
    """Exchange the curves and corners of the edges that move.

    Parameters
    ----------
    model : gmsh.model
        The solid as it was.
    records : StepRecords
        The same as a STEP file.
    faces : mapping of int to int
        The face of the model of each face of the file.
    moving : sequence of int
        Which faces of the file move.
    height : SmoothHeight
        By how much each place of the front moves.

    Raises
    ------
    MeshingError
        If an edge cannot be told from others, or a face that stays would have to follow.
    """
    owners: dict[int, set[int]] = {}
    for face in faces:
        for edge in records.edges_of(face):
            owners.setdefault(edge, set()).add(face)
    curves: dict[int, set[int]] = {}
    for tag in faces.values():
        for _, curve in model.getBoundary([(2, tag)], combined=False, oriented=False):
            curves.setdefault(abs(int(curve)), set()).add(tag)
    corners: dict[int, FloatArray] = {}
    for edge, beside in owners.items():
        if not beside & set(moving):
            continue
        start, end = records.references(edge)[:2]
        ends = (records.corner(start), records.corner(end))
        alike = [
            line
            for line in (
                _line(model, curve, ends)
                for curve, tags in curves.items()
                if tags == {faces[face] for face in beside}
            )
            if line is not None
        ]
        moves = [float(np.abs(height.at(line)).max()) > STAYS_M for line in alike]
        if alike and not any(moves):
            continue
        if len(alike) != 1 or start == end:
            rule = "one that can be told from its neighbours, with two ends"
            raise MeshingError(invalid("edge of the carved front", _place(ends[0]), rule))
        line = alike[0]
        _require_walls(model, [faces[face] for face in beside - set(moving)], line, height)
        moved = height.moved(line)
        way = np.concatenate(([0.0], np.cumsum(np.linalg.norm(np.diff(moved, axis=0), axis=1))))
        spline = make_interp_spline(way, moved, k=DEGREE)
        curve = records.curve(spline.t, spline.c)
        records.content[edge] = f"EDGE_CURVE('',#{start},#{end},#{curve},.T.)"
        corners |= {start: moved[0], end: moved[-1]}
    for corner, place in corners.items():
        records.content[corner] = f"VERTEX_POINT('',#{records.point(place)})"


def _line(model: Any, curve: int, ends: tuple[FloatArray, FloatArray]) -> FloatArray | None:
    """Return points along a curve from one end to the other; None if it has other ends."""
    low, high = (float(bound[0]) for bound in model.getParametrizationBounds(1, curve))

    def sampled(count: int) -> FloatArray:
        at = np.linspace(low, high, count)
        return np.asarray(model.getValue(1, curve, at.tolist())).reshape(-1, 3)

    rough = sampled(33)
    length = float(np.linalg.norm(np.diff(rough, axis=0), axis=1).sum())
    turns = {
        1: np.linalg.norm(rough[[0, -1]] - ends, axis=1).max(),
        -1: np.linalg.norm(rough[[-1, 0]] - ends, axis=1).max(),
    }
    turn = min(turns, key=lambda number: turns[number])
    if turns[turn] > _SAME_PLACE_M:
        return None
    line = sampled(max(LEAST_ACROSS, int(length / _EDGE_STEP_M) + 2))[::turn]
    return np.concatenate(([ends[0]], line[1:-1], [ends[1]]))


def _require_walls(
    model: Any, beside: Sequence[int], line: FloatArray, height: SmoothHeight
) -> None:
    """Refuse to move an edge out of a face that stays."""
    moves = np.abs(height.at(line))
    worst = int(moves.argmax())
    for face in beside:
        at = model.getParametrization(2, face, line[worst].tolist())
        if abs(float(np.asarray(model.getNormal(face, at))[0])) > ALONG:
            rule = "along the reference axis beside what was carved"
            value = f"moved by {1e3 * moves[worst]:.3f} mm at {_place(line[worst])}"
            raise MeshingError(invalid("face that stays", value, rule))


def _place(place_m: FloatArray) -> str:
    x, y, z = place_m / MM
    return f"({x:.1f}, {y:.1f}, {z:.1f}) mm"
