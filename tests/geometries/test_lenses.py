# SPDX-License-Identifier: GPL-3.0-or-later
"""The four families of lens walls: volumes against closed forms, blends, passages, rules."""

import math

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import check_parameters, load_shape
from bafflelens.shapes.outline import Arc
from bafflelens.shapes.profiles import ArcProfile, ConicProfile, smallest_radius

from .conftest import GEOMETRIES, TIME_LIMIT_S, size

DEPTH, THROAT, MOUTH, OPENING = 24.0, 17.0, 48.0, math.radians(35.0)
FAMILIES = ("arc", "conic", "exponential", "spline")

every_family = pytest.mark.parametrize("family", FAMILIES)


def closed(**changes: float) -> dict[str, float]:
    """Return a lens with sharp mouths whose floor meets the front 55 mm from the axis."""
    sharp = {"lens.passage_width_mm": 110.0, "lens.passage_blend_mm": 0.0, "upper.blend_mm": 0.0}
    return {**sharp, **{key.replace("__", "."): value for key, value in changes.items()}}


def arc_height(d: np.ndarray, mouth: float) -> np.ndarray:
    """A circle through throat and mouth, tangent to the opening angle at the throat.

    Its centre is on the normal there, as far from the throat as from the mouth.
    """
    normal = np.array((-math.sin(OPENING), math.cos(OPENING)))
    chord = np.array((DEPTH, mouth - THROAT))
    radius = chord @ chord / (2 * chord @ normal)
    return THROAT + radius * normal[1] - np.sqrt(radius**2 - (d - radius * normal[0]) ** 2)


def conic_height(d: np.ndarray, mouth: float) -> np.ndarray:
    """A parabola (sharpness 50 %) in the triangle of its end tangents."""
    slope, end = math.tan(OPENING), math.tan(math.radians(70.0))
    at = (mouth - THROAT - end * DEPTH) / (slope - end)
    t = np.linspace(0, 1, 20_001)
    x = 2 * t * (1 - t) * at + t**2 * DEPTH
    h = (1 - t) ** 2 * THROAT + 2 * t * (1 - t) * (THROAT + slope * at) + t**2 * mouth
    return np.interp(d, x, h)


def exponential_height(d: np.ndarray, mouth: float) -> np.ndarray:
    """Throat + a (exp(m d) - 1) with a m = tan(opening angle)."""
    slope = math.tan(OPENING)
    rate = brentq(lambda m: slope / m * (math.exp(m * DEPTH) - 1) - (mouth - THROAT), 1e-3, 1.0)
    return THROAT + slope / rate * (np.exp(rate * d) - 1)


def spline_height(d: np.ndarray, mouth: float) -> np.ndarray:
    """The natural cubic through throat, five control points and mouth."""
    offsets = np.array((0.0, -0.05, -0.08, -0.09, -0.08, -0.05, 0.0)) * (mouth - THROAT)
    points = np.linspace(THROAT, mouth, 7) + offsets
    return CubicSpline(np.linspace(0, DEPTH, 7), points, bc_type="natural")(d)


HEIGHTS = {
    "arc": arc_height,
    "conic": conic_height,
    "exponential": exponential_height,
    "spline": spline_height,
}


def channel_volume(family: str, lower_mouth: float = MOUTH, half_passage: float = 55.0) -> float:
    """Volume in m^3: at the depth d the channel is a rectangle between walls and floors."""
    d = (np.arange(20_000) + 0.5) / 20_000 * DEPTH
    tall = HEIGHTS[family](d, MOUTH) + HEIGHTS[family](d, lower_mouth)
    wide = 2 * (THROAT + d * (half_passage - THROAT) / DEPTH)
    return float((tall * wide).mean() * DEPTH * 1e-9)


@every_family
def test_volume_is_the_box_less_the_channel(solid, family):
    box, _ = solid("plain_baffle", {})
    body, areas = solid(f"{family}_lens", closed())
    assert 2 * (box - body) == pytest.approx(channel_volume(family), rel=2e-5)
    assert set(areas) == {"dome", "surround", "lens", "baffle", "cabinet"}


@every_family
def test_up_and_down_may_differ(solid, family):
    box, _ = solid("plain_baffle", {})
    same_but = {"lower__mouth_height_mm": 45.0, "lower__blend_mm": 0.0}
    if family == "arc":
        same_but["lower__opening_angle_deg"] = 35.0
    body, _ = solid(f"{family}_lens", closed(**same_but))
    assert 2 * (box - body) == pytest.approx(channel_volume(family, 45.0), rel=2e-5)


def test_a_flat_floor_leaves_at_the_sides(solid):
    """The channel is as wide as the cabinet less what its rounded edges had taken already."""
    box, _ = solid("plain_baffle", {})
    values = closed(lens__passage_width_mm=0.0)
    body, _ = solid("arc_lens", values)
    d = (np.arange(20_000) + 0.5) / 20_000 * DEPTH
    behind = DEPTH - d
    setback = np.where(behind < 15.0, 15.0 - np.sqrt(225.0 - (15.0 - behind) ** 2), 0.0)
    channel = 2 * arc_height(d, MOUTH) * (210.0 - 2 * setback)
    assert 2 * (box - body) == pytest.approx(channel.mean() * DEPTH * 1e-9, rel=2e-5)


@every_family
def test_walls_of_the_mesh_follow_the_formula_and_run_into_the_front(family):
    values = closed(upper__blend_mm=8.0, lens__passage_blend_mm=10.0)
    (mesh,) = mesh_shape(
        load_shape(GEOMETRIES / f"{family}_lens.py"), values, [size(4)], TIME_LIMIT_S
    )
    wall = mesh.vertices[np.unique(mesh.triangles[mesh.surface == "lens"])] * 1e3
    profile = wall[(wall[:, 1] == 0.0) & (np.abs(wall[:, 2]) > THROAT + 0.1)]
    d, height = profile[:, 0] + DEPTH, np.abs(profile[:, 2])
    assert height.max() == pytest.approx(MOUTH + 8.0, abs=1e-6)
    before = height < 30.0  # where no blend has begun
    assert before.sum() >= 8
    np.testing.assert_allclose(height[before], HEIGHTS[family](d[before], MOUTH), atol=1e-3)
    # The blend leaves no edge: normals of the section turn in small steps, up to the front.
    cut = (mesh.corners[..., 1].max(axis=1) > 0) & (mesh.corners[..., 1].min(axis=1) == 0.0)
    cut &= (mesh.centroids[:, 2] > 0.018) & (mesh.centroids[:, 2] < 0.07)
    cut &= mesh.centroids[:, 0] > -0.03
    heading = np.degrees(np.arctan2(-mesh.normals[cut, 2], mesh.normals[cut, 0]))
    assert heading.min() == pytest.approx(0.0, abs=1.0)
    assert np.diff(np.sort(heading)).max() < 20.0


def test_a_conic_comes_close_to_its_tangents_as_it_gets_sharper():
    def bend(sharpness: float) -> float:
        profile = ConicProfile(17.0, 48.0, 24.0, OPENING, math.radians(70.0), sharpness)
        return smallest_radius(profile)

    assert bend(0.8) < bend(0.5) < 100.0
    # The conic in a right angle with sharpness sqrt(2) - 1 is a circle.
    circle = ConicProfile(0.0, 10.0, 10.0, 0.0, math.radians(89.9999), math.sqrt(2) - 1)
    d, h = circle.at(0.37)
    assert math.hypot(d, h - 10.0) == pytest.approx(10.0, rel=1e-4)
    part = circle.until(0.37)
    middle = (1 + part.weight) / (1 + part.weight)  # normal form: both ends weigh 1
    assert middle == 1.0
    x = (0.0 + 2 * part.weight * part.control[0] + part.end[0]) / (2 + 2 * part.weight)
    y = (0.0 + 2 * part.weight * part.control[1] + part.end[1]) / (2 + 2 * part.weight)
    assert math.hypot(x, y - 10.0) == pytest.approx(10.0, rel=1e-4)


def test_an_arc_that_is_straight_is_a_line():
    straight = ArcProfile(17.0, 41.0, 24.0, math.radians(45.0))
    assert straight.at(0.5) == pytest.approx((12.0, 29.0))
    assert not isinstance(straight.until(1.0), Arc)
    assert isinstance(ArcProfile(17.0, 41.0, 24.0, math.radians(40.0)).until(1.0), Arc)


def test_faceplate_and_felt_are_named_surfaces(solid):
    values = closed(
        upper__mouth_height_mm=40.0,
        lens__passage_width_mm=90.0,
        plate__width_mm=120.0,
        plate__height_mm=100.0,
        felt__sheet_width_mm=150.0,
        felt__sheet_height_mm=130.0,
    )
    _, areas = solid("arc_lens", values)
    assert 2 * areas["faceplate"] == pytest.approx(120e-3 * 100e-3 - 90e-3 * 80e-3, rel=1e-6)
    assert 2 * areas["felt"] == pytest.approx(150e-3 * 130e-3 - 120e-3 * 100e-3, rel=1e-6)
    # A round faceplate from the same parameters.
    round_plate = {**values, "plate.width_mm": 0.0, "plate.height_mm": 0.0}
    round_plate |= {
        "plate.diameter_mm": 136.0,
        "felt.sheet_height_mm": 150.0,
        "felt.sheet_width_mm": 160.0,
    }
    _, areas = solid("arc_lens", round_plate)
    assert 2 * areas["faceplate"] == pytest.approx(np.pi * 0.068**2 - 90e-3 * 80e-3, rel=1e-6)


def test_a_face_is_named_by_a_point_inside_it(solid):
    """With these numbers a first guess lies exactly on the rim of the dome, of both faces."""
    _, areas = solid("arc_lens", {"lens.depth_mm": 34.8, "dome.surround_mm": 2.6})
    assert 2 * areas["surround"] == pytest.approx(math.pi * (0.0156**2 - 0.013**2), rel=1e-6)


RULES = [
    (
        "arc",
        {"upper__mouth_height_mm": 20.0},
        "Invalid upper mouth height '20 mm'. Must be at least 23 mm, 6 mm more than the throat.",
    ),
    (
        "arc",
        {"upper__opening_angle_deg": 15.0},
        "Invalid upper opening angle '15 deg'. Must be at least 19.5 deg, so that the arc "
        "ends at most 85 deg from the axis.",
    ),
    (
        "arc",
        {"upper__mouth_height_mm": 27.0, "upper__opening_angle_deg": 60.0},
        "Invalid upper opening angle '60 deg'. Must be at most 45.2 deg, so that the walls do"
        " not turn towards each other.",
    ),
    (
        "conic",
        {"upper__opening_angle_deg": 51.0},
        "Invalid upper opening angle '51 deg'. Must be at least 2 deg less than the straight "
        "wall from throat to mouth, 52.3 deg.",
    ),
    (
        "conic",
        {"upper__mouth_angle_deg": 50.0},
        "Invalid upper mouth angle '50 deg'. Must be at least 2 deg more than the straight "
        "wall from throat to mouth, 52.3 deg.",
    ),
    (
        "exponential",
        {"upper__opening_angle_deg": 55.0},
        "Invalid upper opening angle '55 deg'. Must be at least 2 deg less than the straight "
        "wall from throat to mouth, 52.3 deg.",
    ),
    (
        "exponential",
        {"upper__opening_angle_deg": 20.0, "upper__mouth_height_mm": 100.0},
        "Invalid upper wall's angle at the mouth '85.5 deg'. Must be at most 85 deg.",
    ),
    (
        "spline",
        {"upper__offset_1_pct": 30.0, "upper__offset_2_pct": -30.0},
        "Invalid upper wall's angle '-77.6 deg'. Must be at least 0 deg everywhere, so that "
        "the walls do not turn towards each other.",
    ),
    (
        "spline",
        {
            "upper__offset_1_pct": -12.0,
            "upper__offset_2_pct": -22.0,
            "upper__offset_3_pct": -28.0,
            "upper__offset_4_pct": -29.0,
            "upper__offset_5_pct": -25.0,
            "upper__mouth_height_mm": 150.0,
        },
        "Invalid upper wall's angle '86.3 deg'. Must be at most 85 deg everywhere.",
    ),
    (
        "arc",
        {"upper__blend_mm": 40.0},
        "Invalid upper blend '40 mm'. Must be 0, or from 3 mm to 14.3 mm for this wall.",
    ),
    (
        "conic",
        {"upper__blend_mm": 4.0, "upper__mouth_angle_deg": 82.0},
        "Invalid upper blend '4 mm'. Must be 0: this wall ends at 82.0 deg from the axis.",
    ),
    (
        "arc",
        {"lens__passage_width_mm": 50.0},
        "Invalid passage width '50 mm'. Must be 0, or at least 61.7 mm for a floor 34 mm wide"
        " and 24 mm deep that rises at 30 deg or more from the axis.",
    ),
    (
        "arc",
        {"lens__passage_blend_mm": 60.0},
        "Invalid passage blend '60 mm'. Must be 0, or from 3 mm to 41.9 mm for this floor.",
    ),
    (
        "conic",
        {"upper__sharpness_pct": 85.0, "lens__smallest_radius_mm": 20.0},
        "Invalid radius of the upper wall '10.97 mm'. Must be at least 20 mm, the limit set.",
    ),
    (
        "arc",
        {"cabinet__tweeter_below_top_mm": 60.0},
        "Invalid upper wall's end above the axis '48.0 mm'. Must be at most 39.0 mm, to leave"
        " the cabinet's top edge free.",
    ),
    (
        "arc",
        {"lens__passage_width_mm": 180.0},
        "Invalid passage width '180 mm'. Must be at most 168.0 mm to end on the front, or 0 "
        "or at least 738.0 mm to leave at the sides.",
    ),
    (
        "arc",
        {"lens__passage_width_mm": 0.0, "lens__depth_mm": 16.0, "upper__opening_angle_deg": 60.0},
        "Invalid lens depth '16 mm'. Must be at least 18 mm to leave at the sides, or a "
        "passage that ends on the front.",
    ),
    (
        "arc",
        {"plate__diameter_mm": 130.0},
        "Invalid distance from the lens to the outline of the faceplate around it '-8.0 mm'. "
        "Must be at least 6 mm.",
    ),
    (
        "arc",
        {"plate__diameter_mm": 170.0, "plate__width_mm": 100.0, "plate__height_mm": 90.0},
        "Invalid faceplate '170 mm round and 100 x 90 mm'. Must be one or the other; set the "
        "other to 0.",
    ),
    (
        "arc",
        {"felt__sheet_width_mm": 150.0},
        "Invalid felt height '0 mm'. Must be more than 0 beside the other dimension, 150 mm.",
    ),
    (
        "arc",
        {"lens__passage_width_mm": 0.0, "plate__diameter_mm": 170.0},
        "Invalid passage width of a lens in a faceplate '0 mm, out of the sides'. Must be one"
        " that ends on the front.",
    ),
    (
        "arc",
        {"midrange__below_mm": 90.0},
        "Invalid distance from the lens to the midrange '-13.0 mm'. Must be at least 6 mm.",
    ),
    (
        "arc",
        {"cabinet__depth_mm": 100.0, "cabinet__slant_deg": 8.0},
        "Invalid depth of a cabinet that leans by 8 deg '44.3 mm'. Must be at least 50 mm "
        "where it is least.",
    ),
    (
        "arc",
        {"cabinet__width_mm": 120.0, "lens__passage_width_mm": 0.0, "edges__side_radius_mm": 40.0},
        "Invalid half-width of the flat front beside the lens '20.0 mm'. Must be at least "
        "23.0 mm: the flat floor of the lens and 6 mm.",
    ),
]


@pytest.mark.parametrize(("family", "changes", "message"), RULES)
def test_rules_are_told_with_both_numbers(family, changes, message):
    shape = load_shape(GEOMETRIES / f"{family}_lens.py")
    assert check_parameters(shape, closed(**changes)) == [message]
