# SPDX-License-Identifier: GPL-3.0-or-later
"""The smallest radius of what is carved: that of the finished surface, on fronts that bend.

The parent is a bowl of known radius in the front of a block. Its own curvature and that of what is
taken add up, so that a height which is gentle enough on a level front is not in the bowl.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import Delaunay

from bafflelens.job.search_sections import CarveSection
from bafflelens.mesh.mesh import Mesh
from bafflelens.run.carving.carve import with_changes
from bafflelens.run.carving.curvature import Bends, curvatures, largest_curvature
from bafflelens.run.carving.displacement import CarvedHeight, Radii
from bafflelens.run.carving.front import bends_at, gentlest
from bafflelens.run.carving.outcome import _radius_lines
from bafflelens.run.carving.room import room_to_carve

HALF_M = 0.04
SECTION = CarveSection(surfaces=("baffle",), radius_mm=10.0, edge_mm=5.0, outward_mm=6.0)


def front(shape, step_m=0.0025, seed=1):
    """A sheet x = shape(y, z) over a square, of triangles that are nowhere alike."""
    count = round(2 * HALF_M / step_m) + 1
    line = np.linspace(-HALF_M, HALF_M, count)
    places = np.stack(np.meshgrid(line, line, indexing="ij"), axis=-1)
    places[1:-1, 1:-1] += np.random.default_rng(seed).uniform(
        -step_m / 4, step_m / 4, (count - 2, count - 2, 2)
    )
    places[count // 2, :, 0] = 0.0
    places = places.reshape(-1, 2)
    vertices = np.column_stack((shape(*places.T), places))
    triangles = Delaunay(places).simplices
    faces = Mesh(vertices, triangles, np.full(len(triangles), "baffle"))
    turned = np.where(faces.normals[:, :1] < 0, triangles[:, ::-1], triangles)
    return Mesh(vertices, turned, faces.surface)


def bowl(radius_m):
    """A ball's inside, deepest on the axis."""
    return lambda y, z: radius_m - np.sqrt(radius_m**2 - y**2 - z**2)


def room(mesh, **changes):
    section = with_changes(SECTION, {"mirror": False, "inward_mm": 6.0, "wall_mm": 0.1, **changes})
    back = Mesh(mesh.vertices - [0.05, 0, 0], mesh.triangles[:, ::-1], mesh.surface)
    both = Mesh(
        np.concatenate((mesh.vertices, back.vertices)),
        np.concatenate((mesh.triangles, back.triangles + len(mesh.vertices))),
        np.concatenate((mesh.surface, np.full(mesh.n_triangles, "cabinet"))),
    )
    return room_to_carve(both, ["baffle"], [], section)


@pytest.fixture(scope="module")
def deep():
    """Room in a bowl of 60 mm, which bends by more than half of what 50 mm would allow."""
    return room(front(bowl(0.06)))


def test_slopes_and_bends_of_a_bowl_and_of_a_ridge_are_known():
    mesh = front(bowl(0.06))
    inner = np.flatnonzero(np.abs(mesh.centroids[:, 1:]).max(axis=1) < 0.03)
    slopes, second = bends_at(mesh, inner)
    y, z = mesh.centroids[inner, 1:].T
    depth = np.sqrt(0.06**2 - y**2 - z**2)
    np.testing.assert_allclose(slopes, np.stack((y, z), axis=1) / depth[:, np.newaxis], atol=2e-3)
    exact = np.stack((0.06**2 - z**2, 0.06**2 - y**2, y * z), axis=1) / depth[:, np.newaxis] ** 3
    np.testing.assert_allclose(second, exact, atol=0.03 / 0.06)
    ridge = front(lambda y, z: -0.2 * np.abs(y))  # turns by 23 degrees
    slopes, second = bends_at(ridge, np.arange(ridge.n_triangles))
    np.testing.assert_allclose(
        np.abs(slopes), np.broadcast_to([0.2, 0.0], slopes.shape), atol=1e-9
    )
    assert np.abs(second).max() < 1e-6


def test_on_the_map_a_bowl_has_its_radius(deep):
    own = curvatures(np.zeros(deep.share.shape), deep.bends, deep.step_m)
    np.testing.assert_allclose(1 / own[deep.share > 0.1], 0.06, rtol=0.02)


def test_what_is_gentle_by_itself_is_refused_where_the_parent_bends_the_same_way(deep):
    """What is added between two bumps of a bowl bends like the bowl; both add up."""
    level = replace(deep, bends=Bends.flat(deep.share.shape))
    alone, height = (CarvedHeight(one, mirror=False) for one in (level, deep))
    amounts = np.zeros(height.shape)
    amounts[tuple(n // 2 for n in height.shape)] = -1.0
    reach = max(s for s in np.linspace(1e-4, 0.02, 400) if alone.keeps_radius(s * amounts))
    taken = reach * amounts
    on_level, in_bowl = alone.radii(taken), height.radii(taken)
    assert not height.keeps_radius(taken)
    assert on_level.radius_m > 0.01 > in_bowl.radius_m > 1 / (1 / 0.01 + 1 / 0.059)
    # Where the bowl is level both bend alike: the curvatures add.
    middle = tuple(n // 2 for n in deep.share.shape)
    added = height.on_map(taken)
    by_itself, whole = (curvatures(added, one.bends, deep.step_m)[middle] for one in (level, deep))
    assert by_itself > 30
    assert whole == pytest.approx(by_itself + 1 / 0.06, rel=0.02)
    # The other way round the bowl takes away from it.
    filled = curvatures(-added, deep.bends, deep.step_m)[middle]
    assert filled == pytest.approx(by_itself - 1 / 0.06, rel=0.02)
    assert height.bending(taken)[0] > alone.bending(taken)[0] > 0


def test_where_the_parent_is_tighter_it_gets_no_tighter(deep):
    height = CarvedHeight(replace(deep, radius_m=0.08), mirror=False)  # the bowl has 60 mm
    nothing = np.zeros(height.shape)
    assert height.keeps_radius(nothing)
    assert height.bending(nothing)[0] == 0
    before = height.radii(nothing)
    assert before.tight_share == pytest.approx(1.0)
    assert before.tight_before_m == before.tight_m == pytest.approx(0.06, rel=0.02)
    amounts = nothing.copy()
    amounts[tuple(n // 2 for n in height.shape)] = -3e-4  # deeper in the middle: tighter there
    assert not height.keeps_radius(amounts)
    assert height.radii(amounts).tight_m < 0.055
    assert height.bending(amounts)[0] > 0


def test_both_halves_of_a_front_cost_what_the_whole_does(deep):
    found = replace(deep, share=np.minimum(deep.share, deep.share[::-1]))
    surface = np.fmin(found.surface_m, found.surface_m[::-1])
    half = CarvedHeight(replace(found, surface_m=surface), mirror=True)
    lopsided = np.where(np.arange(len(surface))[:, np.newaxis] < 5, surface + 1e-3, surface)
    whole = CarvedHeight(replace(found, surface_m=lopsided), mirror=True)
    amounts = np.random.default_rng(4).normal(scale=1e-3, size=half.shape)
    one, other = (height.bending(amounts) for height in (half, whole))
    assert one[0] > 1
    # The mesh of the bowl is not the same on both sides, its slopes nearly are.
    assert one[0] == pytest.approx(other[0], rel=0.05)
    np.testing.assert_allclose(one[1], other[1], atol=0.05 * np.abs(other[1]).max())


def test_sums_of_narrow_bumps_are_those_of_all(deep):
    height = CarvedHeight(deep, mirror=False)
    random = np.random.default_rng(6)
    amounts = random.normal(scale=2e-3, size=height.shape)
    part = height._bumps_here
    np.testing.assert_allclose(
        part.on(amounts), part.left @ amounts @ part.up.T, rtol=0, atol=1e-12
    )
    by_place = random.normal(size=(len(part.left), len(part.up)))
    by_place[3] = 0.0
    np.testing.assert_allclose(
        part.back(by_place), part.left.T @ by_place @ part.up, rtol=0, atol=1e-9
    )
    on_map = height.on_map(amounts)[height._rows, height._columns]
    np.testing.assert_allclose(height._on_part(amounts)[0], on_map, rtol=0, atol=1e-12)


def test_near_a_crease_what_belongs_to_the_gentler_side_counts():
    steep = (np.arange(20) >= 10)[:, np.newaxis] * np.ones(12)
    bends = replace(Bends.flat(steep.shape), y=0.1 + 1.4 * steep, yy=50 * steep)
    is_near = np.zeros(steep.shape, dtype=bool)
    is_near[8:12] = True
    found = gentlest(bends, is_near)
    assert (found.y[:12] == 0.1).all()
    assert (found.y[12:] == 1.5).all()
    assert not found.yy[:12].any()
    assert (found.yy[12:] == 50).all()


def test_a_limit_is_the_radius_or_what_was_there():
    bends = replace(Bends.flat((5, 5)), yy=np.full((5, 5), 40.0))
    kept, tighter = (largest_curvature(bends, radius_m, 1e-3) for radius_m in (0.01, 0.05))
    assert kept.is_kept.all()
    np.testing.assert_allclose(kept.most, 100.0)
    np.testing.assert_allclose(kept.free, 94.0)
    assert not tighter.is_kept.any()
    np.testing.assert_allclose(tighter.most, 40.4, rtol=1e-3)
    np.testing.assert_allclose(tighter.free, 40.0, rtol=1e-3)


def test_the_sheet_says_where_the_smallest_radius_is_and_what_was_tighter_before():
    section = with_changes(SECTION, {})
    (one, other) = _radius_lines(Radii(0.0123, 0.02, 0.045), section)
    assert one.endswith(
        "12.3 mm on the finished surface, 45 mm above the axis and 20 mm to both sides; 10 mm "
        "allowed"
    )
    assert other.endswith("nowhere that was carved")
    radii = Radii(float("inf"), 0.0, 0.0, 0.0061, 0.0, -0.03, 0.006, 0.25)
    (one, other) = _radius_lines(radii, section)
    assert "none bent; 10 mm allowed" in one
    assert "25.0% of what was carved, 6.0 mm at the least; 6.1 mm now, 30 mm below" in other
    assert "no place there was made tighter" in other
