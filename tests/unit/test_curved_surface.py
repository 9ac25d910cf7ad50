# SPDX-License-Identifier: GPL-3.0-or-later
"""Triangles that follow a ball, against the ball: r - R in closed form."""

import math

import numpy as np
import pytest
import trimesh
from bowl import script_text

from bafflelens.base.errors import MeshingError
from bafflelens.handoff.curved_surface import CurvedSurface, _mirrored, curved_surface
from bafflelens.shapes.meshing.loading import load_shape

RADIUS = 0.03


def ball(subdivisions):
    """Triangles of a ball, their corners and the middles of their edges on it."""
    mesh = trimesh.creation.icosphere(subdivisions=subdivisions, radius=RADIUS)
    corners = np.array(mesh.triangles)
    middles = (corners + np.roll(corners, -1, axis=1)) / 2
    return corners, middles * (RADIUS / np.linalg.norm(middles, axis=2, keepdims=True))


def error_of(surface, off_m):
    """How wrong the height over points is that stand so far off the ball, at most."""
    way = np.random.default_rng(1).normal(size=(500, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    height = surface.heights((RADIUS - off_m) * way, way, 2e-3)
    return np.abs(height - off_m).max()


def test_the_height_over_a_ball_is_good_to_the_fourth_power_of_the_angle():
    found = [error_of(CurvedSurface.of(*ball(n)), 2e-4) for n in (2, 3)]
    flat = [CurvedSurface.of(c, (c + np.roll(c, -1, axis=1)) / 2) for c, _ in map(ball, (2, 3))]
    off = [error_of(surface, 2e-4) for surface in flat]
    assert off[0] / off[1] == pytest.approx(4, rel=0.2)  # a chord's height: the square
    assert found[0] < off[0] / 10
    assert found[1] < 2.5e-6


def test_mirror_images_run_the_other_way_round():
    corners, middles = ball(1)
    both, over = _mirrored(corners, middles, 1)
    chords = (both + np.roll(both, -1, axis=1)) / 2
    away = np.linalg.norm(over - chords, axis=2)
    np.testing.assert_allclose(np.linalg.norm(over, axis=2), RADIUS)
    assert away.max() == pytest.approx(
        np.linalg.norm(middles - chords[: len(middles)], axis=2).max()
    )
    normals = np.cross(both[:, 1] - both[:, 0], both[:, 2] - both[:, 0])
    assert np.all((normals * both.mean(axis=1)).sum(axis=1) > 0)


def test_a_built_bowl_is_the_ball_that_was_cut_out(tmp_path):
    """Places a quarter of a millimetre before its wall have the wall that far behind them."""
    path = tmp_path / "bowl.py"
    text = script_text(-0.01).replace('name="lens"', 'name="dome"')
    path.write_text(text.replace('"taper_surfaces": ["surround"]', '"taper_surfaces": []'))
    shape = load_shape(path)
    surface = curved_surface(shape, shape.defaults, 60.0)
    angle = np.radians(np.arange(80, 180, 10))  # the rest is open
    around = np.radians(np.arange(0, 360, 30))
    way = np.array(
        [(math.cos(a), math.sin(a) * math.cos(b), math.sin(a) * math.sin(b))
         for a in angle for b in around]
    )  # fmt: skip
    points = np.array([-0.01, 0, 0]) + (RADIUS - 2.5e-4) * way
    height = surface.heights(points, -way, 1e-3)
    # 27 edges a turn: the fourth power of 13 degrees leaves 3.6 um of 30 mm, measured.
    np.testing.assert_allclose(height, -2.5e-4, atol=4e-6)


def test_what_cannot_be_built_says_how_it_ended(tmp_path):
    path = tmp_path / "bowl.py"
    path.write_text(script_text(-0.01).replace("    occ = model.occ", "    raise ValueError(1)"))
    shape = load_shape(path)
    with pytest.raises(MeshingError, match=r"Invalid shape 'bowl'. Must be one that can be built"):
        curved_surface(shape, shape.defaults, 60.0)
