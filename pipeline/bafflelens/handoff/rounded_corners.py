# SPDX-License-Identifier: GPL-3.0-or-later
"""Sharp inner corners of a solid's front rounded in gmsh's geometry kernel, for a round cutter.

Works in the process that exports the solid. The kernel's fillets are within 1e-4 of whatever it
counts in: in metres, too coarse to close a face. So it counts in millimetres here. Drivers are
replaced by flat plugs first: what is rounded may reach into the hole that is cut for one
afterwards. Fillets do not always succeed, and may end the process: each is tried in a copy of it.
If not all corners can be rounded, it is as many as can of each chain that run into each other: the
shortest are left first.
"""

from __future__ import annotations

import itertools
import math
import os
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import MeshingError, invalid
from bafflelens.handoff.face_names import face_names
from bafflelens.handoff.face_nets import FaceNet, nets_of
from bafflelens.handoff.solid_edges import LEAST_TURN_DEG

ROUNDED: Final = "rounded.brep"
_IN_MM: Final = "rounded_mm.brep"
_MM_PER_M: Final = 1e3
_OFF_MM: Final = (0.02, 0.1)  # from an edge, where what is inside is looked for
_MOST_S: Final = 10.0  # of processor time: a fillet that is not made by then is none
_PLUG_MM: Final = 20.0
_ALONG: Final = (0.12, 0.5, 0.88)  # of an edge, where its faces are looked at
_NEW_MM: Final = 1e-3  # further off the sharp solid is a face that was made
_BALLS: Final = 5  # held against each face that was made
_OFF_SHARE: Final = 0.04  # of its radius that a ball may be off: corners of 15 degrees stay sharp


@dataclass(frozen=True, kw_only=True)
class _Edge:
    """A sharp inner corner: its curve, places along it, length, and end points."""

    curve: int
    places: FloatArray
    long: float
    ends: frozenset[int]

    @property
    def middle_m(self) -> list[float]:
        """The place half way along it, in m."""
        middle: list[float] = (self.places[len(_ALONG) // 2] / _MM_PER_M).tolist()
        return middle


def round_corners(
    gmsh: Any, folder: Path, named: Sequence[tuple[FloatArray, str]], request: Mapping[str, Any]
) -> dict[str, Any]:
    """Round the sharp inner corners of ``solid.brep``, as far as the kernel can.

    Parameters
    ----------
    gmsh : module
        Counting in metres.
    folder : Path
        ``rounded.brep`` is left there if anything was rounded.
    named : sequence of (points, name)
        Places on the faces of the solid.
    request : mapping
        The exporter's, with ``round_m`` and the rims of the ``drivers``: x, y, z, radius in m.

    Returns
    -------
    dict
        How many are ``rounded``; the middles of these in m as ``done``, of the others as ``left``.
    """
    radius = _MM_PER_M * float(request["round_m"])
    gmsh.model.add("corners")
    body = _scaled(gmsh, folder / "solid.brep", _MM_PER_M)
    drivers = [[_MM_PER_M * value for value in driver] for driver in request["drivers"]]
    solid = _plugged(gmsh.model, body, drivers)
    places = [(_MM_PER_M * points, name) for points, name in named]
    chains = _chains(_sharp_edges(gmsh.model, solid, places))
    every = [edge for chain in chains for edge in chain]
    if not every:
        return {"rounded": 0, "done": [], "left": []}
    done: list[_Edge] = every
    left: list[_Edge] = []
    if not _rounds(gmsh, folder, solid, every, radius):
        done = []
        for chain in chains:
            for most in _fewer(chain):
                if _rounds(gmsh, folder, solid, [*done, *most], radius):
                    done += most
                    break
        left = [edge for edge in every if edge not in done]
        if done and left:  # the last that succeeded may not be the last that was tried
            _rounds(gmsh, folder, solid, done, radius)
    return {
        "rounded": len(done),
        "done": [edge.middle_m for edge in done],
        "left": [edge.middle_m for edge in left],
    }


def _scaled(gmsh: Any, path: Path, factor: float) -> list[tuple[int, int]]:
    """Read solids as so many times as large; a transformation would make splines of them."""
    gmsh.option.setNumber("Geometry.OCCScaling", factor)
    try:
        read = gmsh.model.occ.importShapes(str(path))
    finally:
        gmsh.option.setNumber("Geometry.OCCScaling", 1)
    return [(int(dimension), int(tag)) for dimension, tag in read if dimension == 3]


def _plugged(model: Any, body: list[tuple[int, int]], drivers: Sequence[Sequence[float]]) -> int:
    """Fill every driver up to the plane of its rim; return the number of the solid."""
    occ = model.occ
    occ.synchronize()
    low, _, _, high, _, _ = model.getBoundingBox(*body[0])
    for x, y, z, radius in drivers:
        ahead = high - x + _PLUG_MM
        back = max(x - _PLUG_MM, low)
        body, _ = occ.cut(body, [(3, occ.addCylinder(back, y, z, x - back + ahead, 0, 0, radius))])
        body, _ = occ.fuse(body, [(3, occ.addCylinder(back, y, z, x - back, 0, 0, radius))])
    occ.synchronize()
    return int(next(tag for dimension, tag in body if dimension == 3))


def _sharp_edges(model: Any, solid: int, named: Sequence[tuple[FloatArray, str]]) -> list[_Edge]:
    """Return the curves in which two faces of the front meet in a sharp inner corner."""
    faces = [int(tag) for _, tag in model.getBoundary([(3, solid)], oriented=False)]
    nets = nets_of(model, faces)
    names = face_names(nets, named)
    front = [face for face in faces if not names[face].startswith("cabinet")]
    owners: dict[int, list[int]] = {}
    for face in front:
        for _, curve in model.getBoundary([(2, face)], combined=False, oriented=False):
            owners.setdefault(abs(int(curve)), []).append(face)
    found = []
    for curve, beside in sorted(owners.items()):
        if len(set(beside)) != 2:
            continue
        low, high = (float(bound[0]) for bound in model.getParametrizationBounds(1, curve))
        along = [low + share * (high - low) for share in _ALONG]
        places = np.asarray(model.getValue(1, curve, along)).reshape(-1, 3)
        if not _is_inner_corner(model, solid, places, {face: nets[face] for face in beside}):
            continue
        ends = model.getBoundary([(1, curve)], combined=False, oriented=False)
        found.append(
            _Edge(
                curve=curve,
                places=places,
                long=float(model.occ.getMass(1, curve)),
                ends=frozenset(int(tag) for _, tag in ends),
            )
        )
    return found


def _is_inner_corner(
    model: Any, solid: int, places: FloatArray, beside: Mapping[int, FaceNet]
) -> bool:
    """Tell whether two faces meet in a sharp inner corner: each rises into the air of the other.

    If what lies nearest in the two faces says one thing of one and another of the other, what is
    inside the solid decides: three of the four ways between the normals, about an outer corner
    only one. The kernel mistakes a few places for inside; there it is another number of ways.
    """
    one, other = (np.array([_normal(model, face, place) for place in places]) for face in beside)
    alike = np.einsum("ij,ij->i", one, other)
    if alike.min() > math.cos(math.radians(LEAST_TURN_DEG)):
        return False
    most = int(alike.argmin())
    rises = {
        bool((_nearest(net, places[most]) - places[most]) @ normal[most] > 0)
        for net, normal in zip(beside.values(), (other, one), strict=True)
    }
    if len(rises) == 1:
        return rises.pop()
    for at, off in itertools.product(np.argsort(alike), _OFF_MM):
        ways = [one[at] + other[at], one[at] - other[at]]
        steps = [off * way / np.linalg.norm(way) for way in ways]
        probes = [places[at] + sign * step for step in steps for sign in (1, -1)]
        inside = sum(model.isInside(3, solid, probe.tolist()) for probe in probes)
        if inside in {1, 3}:
            return bool(inside == 3)
    return False


def _nearest(net: FaceNet, place: FloatArray) -> FloatArray:
    """Return the place inside a face that is nearest to one on its edge."""
    return np.asarray(net.points[int(np.linalg.norm(net.points - place, axis=1).argmin())])


def _normal(model: Any, face: int, place: FloatArray) -> FloatArray:
    """Return the kernel's normal of a face in a place on its edge."""
    at = model.getParametrization(2, face, place.tolist())
    return np.asarray(model.getNormal(face, at))


def _chains(edges: Sequence[_Edge]) -> list[list[_Edge]]:
    """Return edges that run into each other together."""
    chains: list[list[_Edge]] = []
    for edge in edges:
        met = [chain for chain in chains if any(edge.ends & other.ends for other in chain)]
        chains = [chain for chain in chains if chain not in met]
        chains.append([edge, *(other for chain in met for other in chain)])
    return chains


def _fewer(chain: Sequence[_Edge]) -> Iterator[list[_Edge]]:
    """Yield all corners of a chain, then without the shortest, those of a length together."""
    for least in sorted({round(edge.long, 2) for edge in chain}):
        yield [edge for edge in chain if round(edge.long, 2) >= least]


def _rounds(gmsh: Any, folder: Path, solid: int, edges: Sequence[_Edge], radius: float) -> bool:
    """Try fillets in a copy of this process; leave the file and return whether they are sound."""

    def work() -> None:
        occ = gmsh.model.occ
        ((_, sharp),) = occ.copy([(3, solid)])
        made = occ.fillet([solid], [edge.curve for edge in edges], [radius])
        occ.synchronize()
        _require_rounded(gmsh.model, made, sharp, edges, radius)
        occ.remove([(3, sharp)], recursive=True)
        occ.synchronize()
        gmsh.write(str(folder / _IN_MM))
        gmsh.model.add("rounded")
        _scaled(gmsh, folder / _IN_MM, 1 / _MM_PER_M)
        gmsh.model.occ.synchronize()
        gmsh.write(str(folder / ROUNDED))

    return in_a_copy(work, _MOST_S)


def _require_rounded(
    model: Any,
    made: Sequence[tuple[int, int]],
    sharp: int,
    edges: Sequence[_Edge],
    radius: float,
) -> None:
    """Refuse fillets that are not one solid, leave an edge, or are not those of a rolling ball.

    A ball that touches a fillet from the air touches the sharp solid, too, and is nowhere in it.
    """
    if len(made) != 1:
        raise MeshingError(invalid("fillet", f"{len(made)} pieces", "one solid"))
    faces = [int(face) for _, face in model.getBoundary(made, oriented=False)]
    boxes = _boxes(model, faces)
    middles = np.array([edge.places[len(_ALONG) // 2] for edge in edges])
    left = int((_distances(model, middles, boxes) < _NEW_MM).sum())
    if left:
        raise MeshingError(invalid("fillet", f"{left} edges on the surface", "one without"))
    sharp_faces = [int(face) for _, face in model.getBoundary([(3, sharp)], oriented=False)]
    before = _boxes(model, sharp_faces)
    bent = [face for face in faces if model.getType(2, face) != "Plane"]
    for face, net in nets_of(model, bent).items():
        few = np.linspace(0, len(net.points) - 1, _BALLS).astype(int)
        points, flat = net.points[few], net.parameters[few].ravel().tolist()
        if _distances(model, points[[_BALLS // 2]], before)[0] < _NEW_MM:
            continue
        into_air = radius * np.asarray(model.getNormal(face, flat)).reshape(-1, 3)
        off = min(
            float(np.abs(_distances(model, points + way * into_air, before) - radius).max())
            for way in (1, -1)
        )
        if off > _OFF_SHARE * radius:
            rule = f"within {_OFF_SHARE * radius:.2f} mm of a ball that rolls"
            raise MeshingError(invalid("fillet", f"{off:.2f} mm off", rule))


def _boxes(model: Any, faces: Sequence[int]) -> dict[int, FloatArray]:
    """Return a box around each face, (2, 3): its lowest and its highest corner."""
    return {face: np.reshape(model.occ.getBoundingBox(2, face), (2, 3)) for face in faces}


def _distances(model: Any, points: FloatArray, boxes: Mapping[int, FloatArray]) -> FloatArray:
    """Return how far points, (n, 3), are from the nearest of some faces.

    The kernel is asked for those faces only whose boxes are nearer than what it has found.
    """
    occ, found = model.occ, []
    faces, (low, high) = list(boxes), np.stack(list(boxes.values()), axis=1)
    for point in points:
        gaps = np.linalg.norm(np.maximum(np.maximum(low - point, point - high), 0.0), axis=1)
        nearest = math.inf
        tag = occ.addPoint(*point.tolist())
        for number in np.argsort(gaps).tolist():
            if gaps[number] > nearest:
                break
            nearest = min(nearest, float(occ.getDistance(0, tag, 2, faces[number])[0]))
        occ.remove([(0, tag)])
        found.append(nearest)
    return np.array(found)


def in_a_copy(work: Callable[[], None], limit_s: float) -> bool:
    """Do a piece of work in a copy of this process; return whether it came to its end in time.

    The time is the processor's: on a busy machine a sound fillet is as sound as on an idle one.
    Whatever ends the copy, an error of the kernel or of the processor, ends this process not.
    """
    copy = os.fork()
    if copy:
        return os.waitstatus_to_exitcode(os.waitpid(copy, 0)[1]) == 0
    code = 1
    try:
        signal.setitimer(signal.ITIMER_PROF, limit_s)
        work()
        code = 0
    finally:
        os._exit(code)
    return False
