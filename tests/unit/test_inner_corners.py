# SPDX-License-Identifier: GPL-3.0-or-later
"""What a round cutter leaves in a corner of two planes, against its geometry by numbers."""

import math

import numpy as np
import pytest

from bafflelens.handoff.datum import Datum
from bafflelens.handoff.inner_corners import InnerCorners, RegionOff, inner_corners, regions_off
from bafflelens.handoff.solid import SolidEdge
from bafflelens.mesh.mesh import Mesh

RADIUS_M, LONG_M = 3e-3, 0.1


def corner(turn_deg):
    """A corner along y: a floor forward of it, a wall that turns towards it."""
    turn = math.radians(turn_deg)
    floor = np.array([0.0, 0.0, -1.0])
    wall = np.array([math.sin(turn), 0.0, math.cos(turn)])
    ends = np.array([[(0.0, 0.0, 0.0), (0.0, LONG_M, 0.0)]])
    middle = ends.mean(axis=1)
    beside = np.stack((middle + 0.02 * floor, middle + 0.02 * wall), axis=1)
    return InnerCorners(ends=ends, turn=np.array([turn]), beside=beside), floor, wall


def strips(floor, wall, wide_m=0.04):
    """Both faces as two triangles each, with the regions floor and wall."""
    across = [way * wide_m for way in (floor, wall)]
    along = np.array([0.0, LONG_M, 0.0])
    corners = np.array([[0 * along, along, along + way, way] for way in across]).reshape(-1, 3)
    triangles = np.array([[0, 1, 2], [0, 2, 3], [4, 5, 6], [4, 6, 7]])
    mesh = Mesh(corners, triangles, np.array(["lens"] * 4))
    region = np.array(["floor", "floor", "wall", "wall"])
    return Datum(mesh, region, (), np.zeros((0, 4)), np.zeros(4))


@pytest.mark.parametrize("turn_deg", [20.0, 55.0, 90.0, 120.0])
def test_distances_are_those_of_a_circle_that_touches_both_planes(turn_deg):
    corners, floor, wall = corner(turn_deg)
    datum = strips(floor, wall)
    limits = {"floor": (1e-4, True), "wall": (5e-4, False)}
    found = {one.region: one for one in regions_off(corners, RADIUS_M, datum, limits)}
    # By numbers: places on the floor, their distances from the circle, where it is off them.
    reach = RADIUS_M * math.tan(math.radians(turn_deg) / 2)
    along = (np.arange(20000) + 0.5) / 20000 * reach
    off = np.hypot(RADIUS_M, reach - along) - RADIUS_M
    rms = math.sqrt((off**2).mean() * reach * LONG_M / (0.04 * LONG_M))
    largest, place = corners.largest_off(RADIUS_M)
    assert largest == pytest.approx(RADIUS_M * (1 / math.cos(math.radians(turn_deg) / 2) - 1))
    assert largest == pytest.approx(off.max(), rel=1e-3)
    assert place == pytest.approx([0, LONG_M / 2, 0])
    for name in ("floor", "wall"):
        assert found[name].rms_m == pytest.approx(rms, rel=1e-6)
        assert found[name].largest_m == pytest.approx(largest)
    # No dimension moves the wall: the floor's limit holds for it, too.
    assert (found["wall"].is_borrowed, found["wall"].limit_m) == (True, 1e-4)
    assert found["wall"].share == pytest.approx(rms / 1e-4, rel=1e-6)
    near = np.array([(0, 0.05, 0), 0.9 * reach * floor, (reach + 1e-3) * floor])
    assert corners.near(near, RADIUS_M).tolist() == [True, True, False]


def test_where_no_acoustic_limit_is_known_the_largest_distance_counts():
    corners, floor, wall = corner(90.0)
    limits = {"floor": (3e-4, False), "wall": (3e-4, False)}
    found = regions_off(corners, RADIUS_M, strips(floor, wall), limits)
    assert all(one.share == pytest.approx(one.largest_m / 3e-4) for one in found)
    assert found[0].text == "floor 1.2 mm off at most, where ISO 2768-m allows 0.3 mm"
    free = RegionOff(region="lip", largest_m=1e-3, rms_m=1e-4, limit_m=math.inf, is_acoustic=True)
    assert (free.share, free.text) == (0.0, "lip 0.1 mm r.m.s. off, where none costs 0.5 dB")


def test_only_corners_towards_the_air_and_on_bent_edges_are_found():
    """A cube: none is an inner corner; turned inside out, all twelve are."""
    low, high = 0.0, 0.1
    corners = np.array([(x, y, z) for x in (low, high) for y in (low, high) for z in (low, high)])
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    triangles = np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))])
    names = np.array(["lens"] * 12)
    edges = [
        SolidEdge(points_m=corners[[a, b]], is_smooth=False)
        for a in range(8) for b in range(a) if bin(a ^ b).count("1") == 1
    ]  # fmt: skip
    front = np.ones(12, dtype=bool)
    assert len(inner_corners(Mesh(corners, triangles, names), front, edges).turn) == 0
    inside = Mesh(corners, triangles[:, ::-1], names)
    found = inner_corners(inside, front, edges)
    assert np.degrees(found.turn) == pytest.approx(np.full(12, 90.0))
    assert found.lengths == pytest.approx(np.full(12, 0.1))
    assert len(inner_corners(inside, front, edges[:1]).turn) == 1
    text = "sharp inner corners along 1200 mm, where faces turn by 90°"
    assert found.text == text
    middles = found.middles[:, np.newaxis]
    halves = np.concatenate([np.concatenate((found.ends[:, [n]], middles), 1) for n in (0, 1)])
    finer = InnerCorners(
        ends=halves, turn=np.tile(found.turn, 2), beside=np.tile(found.beside, (2, 1, 1))
    )
    assert finer.text == text  # it is the corner's length, not what a mesh cuts it into
