# SPDX-License-Identifier: GPL-3.0-or-later
"""The vertical lens: depth, walls, lips, side passage, and the whole range of its parameters."""

import math
import random

import numpy as np
import pytest

from bafflelens.mesh.mesh import Mesh
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import check_parameters, load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

from .conftest import GEOMETRIES, TIME_LIMIT_S, size

SCRIPT = GEOMETRIES / "vertical_lens.py"
DEFAULTS = {
    "opening_height": 120.0,
    "wall_half_angle": 45.0,
    "lip_radius": 20.0,
    "side_angle": 80.0,
    "rim_gap": 1.0,
}


def lens(**changes: float) -> dict[str, float]:
    units = {"wall_half_angle": "deg", "side_angle": "deg"}
    return {f"lens.{key}_{units.get(key, 'mm')}": value for key, value in changes.items()}


class Formula:
    """The lens as plain formulas of x and y, in m; cabinet and dome at their defaults."""

    edge, half_width, half_depth = 0.015, 0.105, 0.125

    def __init__(self, **changes: float) -> None:
        given = {**DEFAULTS, **changes}
        self.opening = given["opening_height"] / 2000
        self.alpha = math.radians(given["wall_half_angle"])
        self.lip = given["lip_radius"] / 1000
        self.beta = math.radians(given["side_angle"])
        self.throat = 0.016 + given["rim_gap"] / 1000
        self.depth = (self.opening - self.throat) / math.tan(self.alpha)
        self.setback = self.lip * math.tan((math.pi / 2 - self.alpha) / 2)
        self.mouth = self.opening + self.setback

    def wall(self, x: np.ndarray) -> np.ndarray:
        """Half-height of the channel where the depth coordinate is x."""
        straight = self.throat + (x + self.depth) * math.tan(self.alpha)
        arc = self.mouth - np.sqrt(np.maximum(self.lip**2 - (x + self.lip) ** 2, 0.0))
        front = np.where(x < -self.setback * math.cos(self.alpha), straight, arc)
        return np.where(x < -self.depth, self._wall_behind(straight), front)

    def _wall_behind(self, straight: np.ndarray) -> np.ndarray:
        pinched = (self.dip + 0.001) * math.tan(self.alpha) >= 0.8 * self.throat
        return np.where(pinched, self.throat, straight)

    @property
    def centre(self) -> float:
        """x of the axis of the floor's rounded end: tangent to the floor, and to the side."""
        run = self.half_width - self.edge - self.throat
        return -self.depth + (run * math.cos(self.beta) - self.edge) / math.sin(self.beta)

    @property
    def dip(self) -> float:
        """How far the floor's rounded end reaches behind the floor."""
        return max(-self.depth - self.centre, 0.0)

    @property
    def is_open(self) -> bool:
        return self.centre < -self.edge

    def floor(self, y: np.ndarray) -> np.ndarray:
        """x of the floor; the front of the cabinet where the channel is closed."""
        cotangent = 1 / math.tan(self.beta)
        inclined = -self.depth + np.maximum(y - self.throat, 0.0) * cotangent
        centre = self.centre if self.is_open else -self.edge
        offset = y - (self.half_width - self.edge)
        end = centre + np.sqrt(np.maximum(self.edge**2 - offset**2, 0.0))
        if self.is_open:
            tangent = self.half_width - self.edge - self.edge * math.cos(self.beta)
            return np.where(y < tangent, inclined, end)
        setback = self.edge * math.tan((math.pi / 2 - self.beta) / 2)
        corner = self.throat + self.depth * math.tan(self.beta)
        closing_offset = y - corner - setback
        closing = -self.edge + np.sqrt(np.maximum(self.edge**2 - closing_offset**2, 0.0))
        front = np.where(offset > 0, end, 0.0)
        reached = corner - setback * math.sin(self.beta)
        return np.where(y < reached, inclined, np.where(y < corner + setback, closing, front))

    @property
    def half_channel_volume(self) -> float:
        """What the left half of the channel takes from the cabinet in m^3, midpoint rule."""
        n = 1500
        y = (np.arange(n) + 0.5) / n * self.half_width
        offset = np.maximum(y - (self.half_width - self.edge), 0.0)
        front = -self.edge + np.sqrt(self.edge**2 - offset**2)
        floor = np.minimum(self.floor(y), front)
        share = (np.arange(n) + 0.5) / n
        x = floor[:, None] + (front - floor)[:, None] * share
        return float((2 * self.wall(x)).mean(axis=1) @ (front - floor) * self.half_width / n)


CASES = {
    "default": {},
    "straight sideways": {"side_angle": 90.0},
    "steep wall, sideways": {"side_angle": 90.0, "wall_half_angle": 37.0, "opening_height": 95.0},
    "shallow": {"opening_height": 90.0, "wall_half_angle": 65.0, "side_angle": 90.0},
    "closed on the front": {"wall_half_angle": 60.0, "side_angle": 65.0},
    "one smooth flare": {"opening_height": 92.0, "lip_radius": 80.0, "wall_half_angle": 44.0},
    "tall": {"opening_height": 158.0, "wall_half_angle": 60.0, "lip_radius": 8.0},
}


def test_the_cases_cover_both_ways_to_end():
    assert {Formula(**changes).is_open for changes in CASES.values()} == {True, False}


@pytest.mark.parametrize("name", CASES)
def test_volume_is_the_box_less_the_channel(solid, name):
    """The exact solid against a separate formula of the channel, within 0.1 % of the channel."""
    changes = CASES[name]
    box, _ = solid("plain_baffle", {})
    with_lens, areas = solid("vertical_lens", lens(**changes))
    channel = Formula(**changes).half_channel_volume
    # The dome moves from the front plane into the channel: its own volume stays.
    assert box - with_lens == pytest.approx(channel, rel=1e-3)
    assert set(areas) == {"dome", "surround", "lens", "baffle", "cabinet"}


def test_depth_follows_from_opening_wall_and_throat():
    """depth = (H/2 - throat) / tan(wall half-angle), throat = 13 + 3 + gap mm."""
    shape = load_shape(SCRIPT)
    changes = {"opening_height": 110.0, "wall_half_angle": 50.0, "rim_gap": 2.0}
    depth = (0.055 - 0.018) / math.tan(math.radians(50.0))
    (motion,) = source_motions(shape, lens(**changes))
    assert motion.centre == pytest.approx((-depth, 0.0, 0.0))
    (mesh,) = mesh_shape(shape, lens(**changes), [size(20)], TIME_LIMIT_S)
    ring = mesh.corners[mesh.surface == "surround"]
    np.testing.assert_allclose(ring[..., 0], -depth, atol=1e-9)
    radius = np.hypot(ring[..., 1], ring[..., 2])
    assert (radius.min(), radius.max()) == pytest.approx((0.013, 0.016), rel=1e-6)


@pytest.fixture(scope="module")
def default_mesh() -> Mesh:
    (mesh,) = mesh_shape(load_shape(SCRIPT), {}, [size(6)], TIME_LIMIT_S)
    return mesh


def test_walls_and_lips_follow_the_formula(default_mesh):
    formula = Formula()
    profile = default_mesh.vertices[default_mesh.triangles[default_mesh.surface == "lens"]]
    profile = profile[profile[..., 1] == 0.0]
    walls = profile[np.abs(profile[:, 2]) > formula.throat + 1e-6]
    assert len(walls) > 20
    np.testing.assert_allclose(np.abs(walls[:, 2]), formula.wall(walls[:, 0]), atol=1e-6)
    assert np.abs(walls[:, 2]).max() == pytest.approx(formula.mouth)


def test_lens_ends_where_the_flat_baffle_begins(default_mesh):
    formula = Formula()
    lens_part = default_mesh.corners[default_mesh.surface == "lens"]
    baffle = default_mesh.centroids[default_mesh.surface == "baffle"]
    assert np.abs(lens_part[..., 2]).max() == pytest.approx(formula.mouth)
    assert np.all(baffle[:, 0] > -formula.edge)
    in_front = (baffle[:, 0] > -1e-6) & (baffle[:, 1] < 0.08)
    assert np.abs(baffle[in_front, 2]).min() > formula.mouth


@pytest.mark.parametrize("name", ["default", "straight sideways", "closed on the front"])
def test_the_passage_ends_without_a_step(name):
    """Along the horizontal section the surface turns gently, from floor to side."""
    (mesh,) = mesh_shape(load_shape(SCRIPT), lens(**CASES[name]), [size(4)], TIME_LIMIT_S)
    formula = Formula(**CASES[name])
    cut = (mesh.corners[..., 2].min(axis=1) < 1e-6) & (mesh.corners[..., 2].max(axis=1) > 1e-6)
    cut &= (mesh.centroids[:, 1] > formula.throat + 0.002) & (mesh.centroids[:, 0] > -0.1)
    # By the angle of the normal from the axis: all steps between neighbours are small.
    heading = np.degrees(np.arctan2(mesh.normals[cut, 1], mesh.normals[cut, 0]))
    assert heading.min() == pytest.approx(math.degrees(formula.beta) - 90.0, abs=1.0)
    assert heading.max() == pytest.approx(90.0, abs=1.0)
    assert np.diff(np.sort(heading)).max() < 31.0  # twelve elements a circle
    np.testing.assert_allclose(mesh.normals[cut, 2], 0.0, atol=0.05)  # flat triangles on arcs
    places = mesh.corners[cut].reshape(-1, 3)
    places = places[places[:, 1] < formula.half_width - 1e-6]
    np.testing.assert_allclose(places[:, 0], formula.floor(places[:, 1]), atol=2e-5)


RULES = [
    (
        {"wall_half_angle": 35.0, "opening_height": 160.0},
        "Invalid lens depth '89.97 mm' (opening 160 mm, wall 35 deg, throat 34 mm). "
        "Must be from 10 to 50 mm.",
    ),
    (
        {"opening_height": 160.0, "wall_half_angle": 55.0, "lip_radius": 60.0},
        "Invalid lens '98.9 mm' from the axis to the end of its lip. "
        "Must be at most 87 mm, to leave the cabinet's top edge free.",
    ),
    (
        {"opening_height": 90.0, "wall_half_angle": 45.0, "lip_radius": 99.0},
        "Invalid lip radius '99 mm'. Must be at most 88.4 mm, "
        "so that 3 mm of the 39.6 mm wall stay straight.",
    ),
    (
        {"opening_height": 110.0, "wall_half_angle": 55.0, "side_angle": 70.0},
        "Invalid side angle '70 deg' of a lens 26.6 mm deep: the channel would end in the "
        "cabinet's front edge. Must be at most 68.3 deg to close it on the front plane or at "
        "least 71.6 deg to keep it open at the side.",
    ),
]


@pytest.mark.parametrize(("changes", "message"), RULES)
def test_rules_are_told_with_both_numbers(changes, message):
    assert check_parameters(load_shape(SCRIPT), lens(**changes)) == [message]


def test_the_angles_that_a_refusal_names_are_accepted():
    shape = load_shape(SCRIPT)
    for angle in (68.3, 71.6):
        changes = {"opening_height": 110.0, "wall_half_angle": 55.0, "side_angle": angle}
        assert check_parameters(shape, lens(**changes)) == []


def test_cabinet_rules_are_told_with_both_numbers():
    shape = load_shape(SCRIPT)
    narrow = {"cabinet.width_mm": 120.0, "cabinet.edge_radius_mm": 45.0}
    assert any("Must be at least 136 mm: the flat" in f for f in check_parameters(shape, narrow))
    flat = {"cabinet.depth_mm": 100.0, "cabinet.edge_radius_mm": 20.0}
    assert check_parameters(shape, flat) == [
        "Invalid cabinet depth '100 mm'. Must be at least 103 mm for a lens 43.0 mm deep."
    ]
    both = {"cabinet.edge_chamfer_mm": 10.0}
    assert "Must be one or the other" in check_parameters(shape, both)[0]


SHARP = {"cabinet.edge_radius_mm": 0.0}
CHAMFER = {"cabinet.edge_radius_mm": 0.0, "cabinet.edge_chamfer_mm": 15.0}
CORNERS = {
    "deepest": lens(opening_height=134.0, wall_half_angle=45.0, side_angle=90.0),
    "shallowest": lens(opening_height=90.0, wall_half_angle=65.0, side_angle=90.0),
    "tallest": lens(opening_height=160.0, wall_half_angle=65.0, lip_radius=31.0),
    "narrowest wall angle": lens(opening_height=90.0, wall_half_angle=35.0, lip_radius=5.0),
    "smallest lip, closed": lens(wall_half_angle=65.0, lip_radius=5.0, side_angle=60.0),
    "almost closed": lens(opening_height=110.0, wall_half_angle=55.0, side_angle=71.6),
    "almost open": lens(opening_height=110.0, wall_half_angle=55.0, side_angle=68.3),
    "almost sideways": lens(side_angle=89.9),
    "largest gap": lens(rim_gap=2.0, lip_radius=40.0),
    "sharp edges": SHARP,
    "sharp edges, closed": {**SHARP, **lens(wall_half_angle=60.0, side_angle=60.0)},
    "chamfered edges": CHAMFER,
    "chamfered edges, sideways": {**CHAMFER, **lens(side_angle=90.0)},
    "chamfered edges, closed": {**CHAMFER, **lens(wall_half_angle=60.0, side_angle=60.0)},
}


def assert_sound(values: dict[str, float]) -> None:
    (mesh,) = mesh_shape(load_shape(SCRIPT), values, [size(30)], TIME_LIMIT_S)
    assert set(mesh.surface) == {"dome", "surround", "lens", "baffle", "cabinet"}
    assert 700 < mesh.n_triangles < 2800  # small edges do not make whole faces fine
    few = mesh.smallest_angles_deg < 10
    assert few.sum() <= max(4, 3e-3 * mesh.n_triangles)
    assert mesh.smallest_angles_deg.min() > 1.0


@pytest.mark.parametrize("name", CORNERS)
def test_corners_of_the_range_are_meshed(name):
    assert_sound(CORNERS[name])


@pytest.mark.parametrize("seed", range(3))
def test_random_lenses_are_meshed(seed):
    """``tests/benchmarks/random_shapes.py`` draws hundreds."""
    shape = load_shape(SCRIPT)
    draw = random.Random(seed)
    ranges = [p for p in shape.parameters if p.key.startswith("lens.")]
    for _ in range(100):
        values = {p.key: draw.uniform(p.low, p.high) for p in ranges}
        if not check_parameters(shape, values):
            break
    else:
        pytest.fail("none of 100 draws keeps the rules")
    assert_sound(values)
