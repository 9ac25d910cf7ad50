# SPDX-License-Identifier: GPL-3.0-or-later
"""The waveguide and the faceplate against closed forms, and their rules."""

import math

import numpy as np
import pytest
from scipy.special import gamma

from bafflelens.mesh.absorbers import PorousLayer
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import check_parameters, load_shape
from bafflelens.shapes.meshing.moving_parts import surface_absorbers

from .conftest import GEOMETRIES, TIME_LIMIT_S, size

SCRIPT = GEOMETRIES / "waveguide.py"
DEPTH, THROAT, MOUTH, OPENING = 24.0, 17.0, 60.0, math.radians(55.0)


def wall(d: np.ndarray, mouth: np.ndarray) -> np.ndarray:
    """A circle through throat and mouth whose tangent at the throat has the opening angle."""
    normal = np.array((-math.sin(OPENING), math.cos(OPENING)))
    rise = mouth - THROAT
    radius = (DEPTH**2 + rise**2) / (2 * (DEPTH * normal[0] + rise * normal[1]))
    return THROAT + radius * normal[1] - np.sqrt(radius**2 - (d - radius * normal[0]) ** 2)


def test_a_round_waveguide_takes_its_funnel_from_the_box(solid):
    box, _ = solid("plain_baffle", {})
    body, areas = solid("waveguide", {})
    d = (np.arange(20_000) + 0.5) / 20_000 * DEPTH
    funnel = np.pi * (wall(d, np.array(MOUTH)) ** 2).mean() * DEPTH * 1e-9
    assert 2 * (box - body) == pytest.approx(funnel, rel=1e-5)
    assert set(areas) == {"dome", "surround", "waveguide", "baffle", "cabinet"}


def test_an_elliptical_one_follows_its_meridians(solid):
    """Its volume is the integral over depth and angle of half the radius squared."""
    box, _ = solid("plain_baffle", {})
    body, _ = solid("waveguide", {"waveguide.mouth_width_mm": 130.0})
    around = (np.arange(720) + 0.5) / 720 * 2 * np.pi
    mouth = 1 / np.hypot(np.sin(around) / 65.0, np.cos(around) / 60.0)
    d = (np.arange(500) + 0.5) / 500 * DEPTH
    radius = wall(d[:, None], mouth[None, :])
    funnel = (radius**2).mean() * np.pi * DEPTH * 1e-9
    assert 2 * (box - body) == pytest.approx(funnel, rel=1e-3)


def test_the_mouth_is_a_superellipse():
    """Area 4 a b Gamma(1 + 1/n)^2 / Gamma(1 + 2/n) (a textbook formula, from memory)."""
    values = {"waveguide.mouth_width_mm": 130.0, "waveguide.squareness_pct": 50.0}
    values |= {"waveguide.opening_angle_deg": 60.0}
    n = -1 / math.log2(math.sqrt(0.5) + 0.5 * (1 - math.sqrt(0.5)))
    area = 4 * 65.0 * 60.0 * gamma(1 + 1 / n) ** 2 / gamma(1 + 2 / n) * 1e-6
    (mesh,) = mesh_shape(load_shape(SCRIPT), values, [size(5)], TIME_LIMIT_S)
    # The mouth is the hole in the front plane: the flux of a constant through the funnel.
    inside = np.isin(mesh.surface, ("dome", "surround", "waveguide"))
    flux = mesh.areas[inside] @ mesh.normals[inside, 0]
    assert 2 * flux == pytest.approx(area, rel=2e-3)


def test_a_faceplate_and_felt_change_names_only(solid):
    plain, plain_areas = solid("plain_baffle", {})
    body, areas = solid("faceplate", {"felt.sheet_width_mm": 160.0, "felt.sheet_height_mm": 150.0})
    assert body == pytest.approx(plain, rel=1e-9)
    plate = math.pi * (0.055**2 - 0.016**2)
    assert 2 * areas["faceplate"] == pytest.approx(plate, rel=1e-6)
    assert 2 * areas["felt"] == pytest.approx(0.16 * 0.15 - math.pi * 0.055**2, rel=1e-6)
    front = areas["baffle"] + areas["faceplate"] + areas["felt"]
    assert front == pytest.approx(plain_areas["baffle"], rel=1e-6)


RULES = [
    (
        {"waveguide.mouth_height_mm": 60.0, "waveguide.throat_gap_mm": 10.0},
        "Invalid mouth height '60 mm'. Must be at least 64 mm, 6 mm more than the throat all "
        "around.",
    ),
    (
        {"waveguide.opening_angle_deg": 30.0},
        "Invalid opening angle '30 deg'. Must be at least 36.7 deg, so that the arcs end at most "
        "85 deg from the axis.",
    ),
    (
        {"waveguide.mouth_height_mm": 60.0, "waveguide.depth_mm": 30.0},
        "Invalid opening angle '55 deg'. Must be at most 46.9 deg, so that no wall turns towards "
        "the axis.",
    ),
    (
        {"waveguide.mouth_width_mm": 180.0, "waveguide.opening_angle_deg": 70.0},
        "Invalid half-width of the flat front beside the waveguide '90.0 mm'. Must be at least "
        "96.0 mm at -60 mm from the tweeter's axis, 6 mm of it free.",
    ),
    (
        {"plate.diameter_mm": 130.0},
        "Invalid distance from the waveguide to the outline of the faceplate around it '5.0 mm'. "
        "Must be at least 6 mm.",
    ),
    (
        {
            "waveguide.depth_mm": 60.0,
            "cabinet.depth_mm": 100.0,
            "cabinet.slant_deg": 5.0,
            "waveguide.opening_angle_deg": 40.0,
        },
        "Invalid depth of the waveguide '60 mm'. Must be at most 45.14 mm, 20 mm less than the "
        "cabinet's depth where it is least.",
    ),
]


@pytest.mark.parametrize(("values", "message"), RULES)
def test_rules_are_told_with_both_numbers(values, message):
    assert check_parameters(load_shape(SCRIPT), values) == [message]


def test_the_felt_is_a_porous_layer():
    values = {
        "felt.sheet_width_mm": 160.0,
        "felt.sheet_height_mm": 150.0,
        "felt.thickness_mm": 8.0,
    }
    shape = load_shape(GEOMETRIES / "faceplate.py")
    assert surface_absorbers(shape, {}) == {}
    assert surface_absorbers(shape, values)["felt"] == PorousLayer(
        thickness_m=0.008, flow_resistivity=30e3
    )
