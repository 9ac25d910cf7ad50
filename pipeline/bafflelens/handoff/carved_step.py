# SPDX-License-Identifier: GPL-3.0-or-later
"""A carved solid as the text of a STEP file: its moved faces and edges as B-splines.

Every face, edge and corner keeps its number and its neighbours; only what lies below those that
moved is exchanged (ISO 10303-42: ``b_spline_surface_with_knots``, ``b_spline_curve_with_knots``).
So faces that met in an edge meet in the moved edge, creases stay creases, the solid stays closed
without sewing, and what was not moved is to the letter what it was. A wall along the reference
axis moves within itself: it keeps its surface, and only its edges change.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from scipy.interpolate import RectBivariateSpline, make_interp_spline

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import MeshingError, invalid
from bafflelens.handoff.carved_height import SmoothHeight, require_close
from bafflelens.shapes.cad.step_file import read_step_text
from bafflelens.shapes.cad.step_solid import MM, corners_of, matching_order

_STATEMENT: Final = re.compile(r"#(\d+)\s*=\s*(.*?);", re.DOTALL)
_REFERENCE: Final = re.compile(r"#(\d+)")
_ON_CURVE: Final = ("SURFACE_CURVE", "SEAM_CURVE", "INTERSECTION_CURVE")
_STAYS_M: Final = 1e-7
_SAME_PLACE_M: Final = 1e-6
_ALONG: Final = 1e-4  # part of a normal along the axis, of a wall along the axis
_STEPS_M: Final = (0.004, 0.003, 0.002, 0.0015, 0.001)  # between the places that a face is put on
_AIM_M: Final = 3e-6
_EDGE_STEP_M: Final = 0.0005
_MOST_ACROSS: Final = 400
_LEAST_ACROSS: Final = 8
_DEGREE: Final = 3


@dataclass(frozen=True, kw_only=True)
class CarvedText:
    """What came of moving a solid's faces.

    Attributes
    ----------
    text : str
        The STEP file.
    n_faces : int
        How many faces became B-splines.
    worst_m : float
        Largest distance of these from what they were put on.
    """

    text: str
    n_faces: int
    worst_m: float


def carve_solid(
    gmsh: Any, folder: Path, height: SmoothHeight, names: Mapping[int, str]
) -> CarvedText:
    """Put the carved solid in the place of the one solid of a gmsh model.

    Parameters
    ----------
    gmsh : module
        gmsh, its model in m.
    folder : Path
        Where to write.
    height : SmoothHeight
        By how much each place of the front moves.
    names : mapping of int to str
        Names of the faces; those that have none stay.

    Raises
    ------
    MeshingError
        See `carved_step`; and if the kernel does not read one solid.
    """
    model, occ = gmsh.model, gmsh.model.occ
    path = folder / "carved.step"
    gmsh.write(str(path))
    carved = carved_step(model, path, height, names)
    path.write_text(carved.text, "latin-1")
    model.removePhysicalGroups()
    for dimension in (3, 2, 1, 0):
        occ.remove(occ.getEntities(dimension), recursive=True)
    occ.importShapes(str(path))
    occ.synchronize()
    solids = model.getEntities(3)
    if len(solids) != 1:
        rule = "one solid when its faces are moved"
        raise MeshingError(invalid("carved solid", f"{len(solids)} pieces", rule))
    return carved


def carved_step(
    model: Any, path: Path, height: SmoothHeight, names: Mapping[int, str]
) -> CarvedText:
    """Move the faces of the one solid of a gmsh model.

    Parameters
    ----------
    model : gmsh.model
        The model.
    path : Path
        The solid as STEP file, in mm.
    height : SmoothHeight
        By how much each place of the front moves.
    names : mapping of int to str
        Names of the faces; those that have none stay.

    Raises
    ------
    MeshingError
        If a face that stays would have to follow, or a face cannot be fitted closely enough.
    """
    text = path.read_text("latin-1")
    content = {int(number): body.strip() for number, body in _STATEMENT.findall(text)}
    faces = _matched_faces(model, path, content)
    writing = _Writing(content)
    for number, body in content.items():
        if body.startswith("EDGE_CURVE"):
            content[number] = _plain_edge(body, content)
    moving = [n for n, face in faces.items() if names.get(face) in height.surfaces]
    _move_edges(model, content, faces, moving, height, writing)
    worst_m, n_faces = 0.0, 0
    for number in moving:
        patch = _patch(model, faces[number], height)
        if patch is not None:
            worst_m, n_faces = max(worst_m, patch.off_m), n_faces + 1
            *_, flag = content[number].rsplit(",", 2)
            head = content[number][: -len(flag) - 1].rsplit(",", 1)[0]
            sense = "T" if patch.is_outward else "F"
            content[number] = f"{head},#{writing.surface(patch)},.{sense}.)"
    return CarvedText(text=writing.file(text), n_faces=n_faces, worst_m=worst_m)


@dataclass(frozen=True, eq=False)
class _Patch:
    """A B-spline surface: its knots, its control points (n, m, 3) in m, how well it fits."""

    knots: tuple[FloatArray, FloatArray]
    control: FloatArray
    is_outward: bool
    off_m: float


class _Writing:
    """Records of a STEP file, to which more are added."""

    def __init__(self, content: dict[int, str]) -> None:
        self.content = content
        self._next = max(content) + 1

    def add(self, body: str) -> int:
        """Add a record and return its number."""
        number, self._next = self._next, self._next + 1
        self.content[number] = body
        return number

    def point(self, place_m: FloatArray) -> int:
        """Add a point."""
        x, y, z = (f"{value / MM:.9E}" for value in place_m)
        return self.add(f"CARTESIAN_POINT('',({x},{y},{z}))")

    def curve(self, knots: FloatArray, control: FloatArray) -> int:
        """Add a B-spline curve of control points (n, 3)."""
        points = ",".join(f"#{self.point(place)}" for place in control)
        times, values = _written(knots)
        return self.add(
            f"B_SPLINE_CURVE_WITH_KNOTS('',{_DEGREE},({points}),.UNSPECIFIED.,.F.,.F.,"
            f"{times},{values},.UNSPECIFIED.)"
        )

    def surface(self, patch: _Patch) -> int:
        """Add a B-spline surface."""
        rows = ",".join(
            "(" + ",".join(f"#{self.point(place)}" for place in row) + ")" for row in patch.control
        )
        (times_u, values_u), (times_v, values_v) = (_written(knots) for knots in patch.knots)
        return self.add(
            f"B_SPLINE_SURFACE_WITH_KNOTS('',{_DEGREE},{_DEGREE},({rows}),.UNSPECIFIED.,.F.,.F.,"
            f".F.,{times_u},{times_v},{values_u},{values_v},.UNSPECIFIED.)"
        )

    def file(self, text: str) -> str:
        """Return the whole file: the text's header and end, the records as they are now."""
        start = text.index("DATA;") + len("DATA;")
        end = text.index("ENDSEC;", start)
        lines = (f"#{number} = {body};" for number, body in self.content.items())
        return text[:start] + "\n" + "\n".join(lines) + "\n" + text[end:]


def _written(knots: FloatArray) -> tuple[str, str]:
    values, times = np.unique(knots, return_counts=True)
    listed = ",".join(f"{value:.12E}" for value in values)
    return "(" + ",".join(map(str, times)) + ")", f"({listed})"


def _references(body: str) -> list[int]:
    return [int(number) for number in _REFERENCE.findall(body)]


def _matched_faces(model: Any, path: Path, content: Mapping[int, str]) -> dict[int, int]:
    """Return the face of the model of each face of the file."""
    (solid,) = model.getEntities(3)
    tags = [int(tag) for _, tag in model.getBoundary([solid], oriented=False)]
    shells = [body for body in content.values() if body.startswith("CLOSED_SHELL")]
    numbers = [number for body in shells for number in _references(body)]
    written = [
        [[MM * value for value in corner] for corner in record.corners]
        for record in read_step_text(path).faces
    ]
    order = matching_order(written, [corners_of(model, tag) for tag in tags])
    if order is None or len(order) != len(numbers):
        rule = "one whose faces can be told apart by their corners"
        raise MeshingError(invalid("solid", f"{len(numbers)} faces", rule))
    return {number: tags[n] for number, n in zip(numbers, order, strict=True)}


def _plain_edge(body: str, content: Mapping[int, str]) -> str:
    """Return an edge on its curve in space; readers compute curves on surfaces."""
    number = _references(body)[-1]
    while content[number].startswith(_ON_CURVE):
        number = _references(content[number])[0]
    return re.sub(r"#\d+(\s*,\s*\.[TF]\.\s*\)\s*)$", rf"#{number}\1", body)


# ---------------------------------------------------------------------------------- edges


def _edges_of(face: int, content: Mapping[int, str]) -> Iterator[int]:
    """Yield the edges of a face of the file."""
    for bound in _references(content[face])[:-1]:
        for loop in _references(content[bound]):
            for oriented in _references(content[loop]):
                yield _references(content[oriented])[-1]


def _corner(number: int, content: Mapping[int, str]) -> FloatArray:
    """Return where a corner of the file is, in m."""
    body = content[_references(content[number])[0]]
    values = body[body.rindex("(") + 1 :].split(")")[0].split(",")
    return MM * np.array([float(value) for value in values])


def _move_edges(
    model: Any,
    content: dict[int, str],
    faces: Mapping[int, int],
    moving: Sequence[int],
    height: SmoothHeight,
    writing: _Writing,
) -> None:
    """Exchange the curves and corners of the edges that move."""
    owners: dict[int, set[int]] = {}
    for face in faces:
        for edge in _edges_of(face, content):
            owners.setdefault(edge, set()).add(face)
    curves: dict[int, set[int]] = {}
    for tag in faces.values():
        for _, curve in model.getBoundary([(2, tag)], combined=False, oriented=False):
            curves.setdefault(abs(int(curve)), set()).add(tag)
    corners: dict[int, FloatArray] = {}
    for edge, beside in owners.items():
        if not beside & set(moving):
            continue
        start, end = _references(content[edge])[:2]
        ends = (_corner(start, content), _corner(end, content))
        alike = [
            line
            for line in (
                _line(model, curve, ends)
                for curve, tags in curves.items()
                if tags == {faces[face] for face in beside}
            )
            if line is not None
        ]
        moves = [float(np.abs(height.at(line)).max()) > _STAYS_M for line in alike]
        if alike and not any(moves):
            continue
        if len(alike) != 1 or start == end:
            rule = "one that can be told from its neighbours, with two ends"
            raise MeshingError(invalid("edge of the carved front", _place(ends[0]), rule))
        line = alike[0]
        _require_walls(model, [faces[face] for face in beside - set(moving)], line, height)
        moved = height.moved(line)
        way = np.concatenate(([0.0], np.cumsum(np.linalg.norm(np.diff(moved, axis=0), axis=1))))
        spline = make_interp_spline(way, moved, k=_DEGREE)
        curve = writing.curve(spline.t, spline.c)
        content[edge] = f"EDGE_CURVE('',#{start},#{end},#{curve},.T.)"
        corners |= {start: moved[0], end: moved[-1]}
    for corner, place in corners.items():
        content[corner] = f"VERTEX_POINT('',#{writing.point(place)})"


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
    line = sampled(max(_LEAST_ACROSS, int(length / _EDGE_STEP_M) + 2))[::turn]
    return np.concatenate(([ends[0]], line[1:-1], [ends[1]]))


def _require_walls(
    model: Any, beside: Sequence[int], line: FloatArray, height: SmoothHeight
) -> None:
    """Refuse to move an edge out of a face that stays."""
    moves = np.abs(height.at(line))
    worst = int(moves.argmax())
    for face in beside:
        at = model.getParametrization(2, face, line[worst].tolist())
        if abs(float(np.asarray(model.getNormal(face, at))[0])) > _ALONG:
            rule = "along the reference axis beside what was carved"
            value = f"moved by {1e3 * moves[worst]:.3f} mm at {_place(line[worst])}"
            raise MeshingError(invalid("face that stays", value, rule))


def _place(place_m: FloatArray) -> str:
    x, y, z = place_m / MM
    return f"({x:.1f}, {y:.1f}, {z:.1f}) mm"


# ---------------------------------------------------------------------------------- faces


def _patch(model: Any, face: int, height: SmoothHeight) -> _Patch | None:
    """Return the B-spline of a face that moves; None if it stays on its own surface."""
    bounds = [np.asarray(bound) for bound in model.getParametrizationBounds(2, face)]

    def on_face(u: FloatArray, v: FloatArray) -> FloatArray:
        both = np.stack(np.meshgrid(u, v, indexing="ij"), axis=-1)
        found = model.getValue(2, face, both.ravel().tolist())
        return np.asarray(found).reshape(len(u), len(v), 3)

    def moved(u: FloatArray, v: FloatArray) -> FloatArray:
        points = on_face(u, v)
        return height.moved(points.reshape(-1, 3)).reshape(points.shape)

    u, v = (np.linspace(bounds[0][i], bounds[1][i], 25) for i in range(2))
    rough = on_face(u, v)
    flat = np.stack(np.meshgrid(u, v, indexing="ij"), axis=-1).ravel().tolist()
    normals = np.asarray(model.getNormal(face, flat)).reshape(-1, 3)
    if np.abs(normals[:, 0]).max() < _ALONG:
        return None
    if np.abs(height.at(rough.reshape(-1, 3))).max() < _STAYS_M:
        finer = moved(*_divided(bounds, rough, _STEPS_M[-1])) - on_face(
            *_divided(bounds, rough, _STEPS_M[-1])
        )
        if np.abs(finer).max() < _STAYS_M:
            return None
    best: _Patch | None = None
    for step_m in _STEPS_M:
        found = _put_on(moved, _divided(bounds, rough, step_m), normals.mean(axis=0))
        if best is None or found.off_m < best.off_m:
            best = found
        if best.off_m <= _AIM_M:
            break
    assert best is not None  # there is at least one step
    require_close("face", best.off_m, tuple(rough.reshape(-1, 3).mean(axis=0)))
    return best


def _divided(
    bounds: Sequence[FloatArray], rough: FloatArray, step_m: float
) -> tuple[FloatArray, FloatArray]:
    """Return parameters in equal steps, a distance apart on the face."""
    found = []
    for axis in range(2):
        ways = np.linalg.norm(np.diff(rough, axis=axis), axis=2).sum(axis=axis)
        count = int(np.clip(ways.max() / step_m, _LEAST_ACROSS, _MOST_ACROSS)) + 1
        found.append(np.linspace(bounds[0][axis], bounds[1][axis], count))
    return found[0], found[1]


def _put_on(
    moved: Callable[[FloatArray, FloatArray], FloatArray],
    at: tuple[FloatArray, FloatArray],
    outward: FloatArray,
) -> _Patch:
    """Return the B-spline through places of a moved face, and how far it is off between them."""
    u, v = at
    places = moved(u, v)
    splines = [
        RectBivariateSpline(u, v, places[:, :, i], kx=_DEGREE, ky=_DEGREE, s=0) for i in range(3)
    ]
    knots_u, knots_v = splines[0].get_knots()
    size = (len(knots_u) - _DEGREE - 1, len(knots_v) - _DEGREE - 1)
    control = np.stack([spline.get_coeffs().reshape(size) for spline in splines], axis=-1)
    between = tuple((values[:-1] + values[1:]) / 2 for values in at)
    there = np.stack([spline(*between) for spline in splines], axis=-1)
    along_u, along_v = (
        np.array([float(s(u.mean(), v.mean(), dx=dx, dy=1 - dx)[0, 0]) for s in splines])
        for dx in (1, 0)
    )
    return _Patch(
        knots=(knots_u, knots_v),
        control=control,
        is_outward=bool(np.cross(along_u, along_v) @ outward > 0),
        off_m=float(np.linalg.norm(there - moved(*between), axis=2).max()),
    )
