# SPDX-License-Identifier: GPL-3.0-or-later
"""Sharp inner corners of a solid's front rounded in gmsh's geometry kernel, for a round cutter.

Works in the process that exports the solid. Drivers are replaced by flat plugs first: what is
rounded may reach into the hole that is cut for one afterwards. The kernel's fillets do not always
succeed, and may end the process: each is tried in a copy of it, and corners that run into each
other are rounded all or not at all.
"""

from __future__ import annotations

import math
import os
import signal
from collections.abc import Callable, Mapping, Sequence
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
_OFF_M: Final = 2e-5
_MOST_S: Final = 20.0  # a fillet that is not made by then is none
_PLUG_M: Final = 0.02
_ALONG: Final = (0.12, 0.5, 0.88)  # of an edge, where its faces are looked at
_VOLUME_TIMES: Final = (0.85, 1.1)  # that sound fillets add, of what straight ones would


@dataclass(frozen=True, kw_only=True)
class _Edge:
    """A sharp inner corner: its curve, middle, length, turn in radians, and end points."""

    curve: int
    middle: tuple[float, float, float]
    long: float
    turn: float
    ends: frozenset[int]


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
        How many are ``rounded``; the middles of these as ``done``, of the others as ``left``.
    """
    model, radius = gmsh.model, float(request["round_m"])
    model.add("corners")
    body = [e for e in model.occ.importShapes(str(folder / "solid.brep")) if e[0] == 3]
    solid = _plugged(model, body, request["drivers"])
    chains = _chains(_sharp_edges(model, solid, named))
    every = [edge for chain in chains for edge in chain]
    if not every:
        return {"rounded": 0, "done": [], "left": []}
    done, left = every, list[_Edge]()
    if not _rounds(gmsh, folder, solid, every, radius):
        done = []
        for chain in chains:
            if _rounds(gmsh, folder, solid, [*done, *chain], radius):
                done += chain
            else:
                left += chain
        if done and left:  # the last that succeeded may not be the last that was tried
            _rounds(gmsh, folder, solid, done, radius)
    return {
        "rounded": len(done),
        "done": [edge.middle for edge in done],
        "left": [edge.middle for edge in left],
    }


def _plugged(model: Any, body: list[tuple[int, int]], drivers: Sequence[Sequence[float]]) -> int:
    """Fill every driver up to the plane of its rim; return the number of the solid."""
    occ = model.occ
    occ.synchronize()
    low, _, _, high, _, _ = model.getBoundingBox(*body[0])
    for x, y, z, radius in drivers:
        ahead = high - x + _PLUG_M
        back = max(x - _PLUG_M, low)
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
    outward = {face: _outward(model, solid, face, nets[face]) for face in front}
    owners: dict[int, list[int]] = {}
    for face in front:
        for _, curve in model.getBoundary([(2, face)], combined=False, oriented=False):
            owners.setdefault(abs(int(curve)), []).append(face)
    found = []
    for curve, beside in sorted(owners.items()):
        if len(set(beside)) != 2:
            continue
        turn = _turn(model, solid, curve, beside, outward)
        if math.degrees(turn) < LEAST_TURN_DEG:
            continue
        low, high = (float(bound[0]) for bound in model.getParametrizationBounds(1, curve))
        x, y, z = map(float, model.getValue(1, curve, [(low + high) / 2]))
        ends = model.getBoundary([(1, curve)], combined=False, oriented=False)
        found.append(
            _Edge(
                curve=curve,
                middle=(x, y, z),
                long=float(model.occ.getMass(1, curve)),
                turn=turn,
                ends=frozenset(int(tag) for _, tag in ends),
            )
        )
    return found


def _outward(model: Any, solid: int, face: int, net: FaceNet) -> float:
    """Return 1 if the kernel's normal of a face leads out of the solid, else -1."""
    middle = len(net.points) // 2
    normal = np.asarray(model.getNormal(face, net.parameters[middle].tolist()))
    ahead = net.points[middle] + _OFF_M * normal
    return -1.0 if model.isInside(3, solid, ahead.tolist()) else 1.0


def _turn(
    model: Any, solid: int, curve: int, beside: Sequence[int], outward: Mapping[int, float]
) -> float:
    """Return the largest angle in radians by which faces turn towards each other; 0 if convex."""
    low, high = (float(bound[0]) for bound in model.getParametrizationBounds(1, curve))
    largest = 0.0
    for share in _ALONG:
        place = np.asarray(model.getValue(1, curve, [low + share * (high - low)]))
        one, other = (
            outward[face]
            * np.asarray(model.getNormal(face, model.getParametrization(2, face, place.tolist())))
            for face in beside
        )
        turn = math.acos(min(max(float(one @ other), -1.0), 1.0))
        if math.degrees(turn) < 1.0:
            continue
        # From an inner corner the difference of the normals leads into the solid.
        across = (one - other) / np.linalg.norm(one - other)
        if model.isInside(3, solid, (place + _OFF_M * across).tolist()):
            largest = max(largest, turn)
    return largest


def _chains(edges: Sequence[_Edge]) -> list[list[_Edge]]:
    """Return edges that run into each other together."""
    chains: list[list[_Edge]] = []
    for edge in edges:
        met = [chain for chain in chains if any(edge.ends & other.ends for other in chain)]
        chains = [chain for chain in chains if chain not in met]
        chains.append([edge, *(other for chain in met for other in chain)])
    return chains


def _rounds(gmsh: Any, folder: Path, solid: int, edges: Sequence[_Edge], radius: float) -> bool:
    """Try fillets in a copy of this process; leave the file and return whether they are sound."""

    def work() -> None:
        occ = gmsh.model.occ
        before = float(occ.getMass(3, solid))
        made = occ.fillet([solid], [edge.curve for edge in edges], [radius])
        occ.synchronize()
        added = float(occ.getMass(*made[0])) - before
        straight = sum(edge.long * _area(edge.turn, radius) for edge in edges)
        least, most = (times * straight for times in _VOLUME_TIMES)
        if len(made) != 1 or not least < added < most:
            rule = f"one solid with {straight * 1e9:.1f} mm^3 more"
            raise MeshingError(invalid("fillet", f"{added * 1e9:.1f} mm^3 more", rule))
        gmsh.write(str(folder / ROUNDED))

    return in_a_copy(work, _MOST_S)


def in_a_copy(work: Callable[[], None], limit_s: float) -> bool:
    """Do a piece of work in a copy of this process; return whether it came to its end in time.

    Whatever ends the copy, an error of the kernel or of the processor, ends this process not.
    """
    copy = os.fork()
    if copy:
        return os.waitstatus_to_exitcode(os.waitpid(copy, 0)[1]) == 0
    code = 1
    try:
        signal.setitimer(signal.ITIMER_REAL, limit_s)
        work()
        code = 0
    finally:
        os._exit(code)
    return False


def _area(turn: float, radius: float) -> float:
    """Return the area in m^2 that a radius fills of a corner of two planes."""
    return radius**2 * (math.tan(turn / 2) - turn / 2)
