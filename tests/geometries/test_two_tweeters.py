# SPDX-License-Identifier: GPL-3.0-or-later
"""Two tweeters: solid against closed forms, sources, rules, and the null that they make."""

import numpy as np
import pytest

from bafflelens.base.conventions import direction_vectors
from bafflelens.base.medium import Air
from bafflelens.bem.engines import solve
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.mesh.source_motion import normal_velocity
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import check_parameters, load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

from .conftest import GEOMETRIES, TIME_LIMIT_S, size

SCRIPT = GEOMETRIES / "two_tweeters.py"
CAP_VOLUME = np.pi * 0.006 * (3 * 0.013**2 + 0.006**2) / 6


def test_the_box_has_two_caps(solid):
    plain, one = solid("plain_baffle", {})
    volume, areas = solid("two_tweeters", {})
    assert 2 * (volume - plain) == pytest.approx(CAP_VOLUME, rel=1e-5)
    for which in ("upper", "lower"):
        assert areas[f"dome_{which}"] == pytest.approx(one["dome"], rel=1e-6)
        assert areas[f"surround_{which}"] == pytest.approx(one["surround"], rel=1e-6)


def test_hemispheres_are_built_too(solid):
    """To within the 0.5 % of their height that the kernel needs."""
    half = {"dome.diameter_mm": 20.0, "dome.height_mm": 10.0}
    _, areas = solid("two_tweeters", half)
    assert 2 * areas["dome_upper"] == pytest.approx(2 * np.pi * 0.010**2, rel=0.006)


def test_each_dome_is_a_source_at_half_the_spacing():
    motions = source_motions(load_shape(SCRIPT), {"pair.spacing_mm": 80.0})
    assert [(motion.name, motion.centre) for motion in motions] == [
        ("tweeter_upper", (0.0, 0.0, 0.04)),
        ("tweeter_lower", (0.0, 0.0, -0.04)),
    ]


def test_they_cancel_where_one_path_is_half_a_wavelength_longer():
    """Two point sources in phase: p ~ cos(k d sin(elevation) / 2), zero at arcsin(lambda / 2d)."""
    air, spacing, frequency = Air(), 0.1, 4000.0
    shape, values = load_shape(SCRIPT), {"pair.spacing_mm": 100.0}
    (mesh,) = mesh_shape(shape, values, [size(13)], TIME_LIMIT_S)
    velocity = normal_velocity(mesh, source_motions(shape, values), frequency)
    solution = solve(
        HelmholtzProblem(
            mesh=mesh,
            frequency_hz=frequency,
            air=air,
            normal_velocity=velocity,
            symmetry=shape.symmetry,
        )
    )
    elevation = np.arange(0.0, 80.0, 1.0)
    upper, lower = solution.far_field(direction_vectors(0 * elevation, elevation))
    level = 20 * np.log10(np.abs(upper + lower) / np.abs(upper + lower)[0])
    null = np.degrees(np.arcsin(air.sound_speed / frequency / 2 / spacing))
    assert elevation[np.argmin(level)] == pytest.approx(null, abs=2.0)  # the edges bend it
    assert level.min() < -15.0


def test_two_that_overlap_are_refused():
    message = "Invalid distance from the tweeter upper to the tweeter lower '4.0 mm'. "
    message += "Must be at least 6 mm."
    assert check_parameters(load_shape(SCRIPT), {"pair.spacing_mm": 36.0}) == [message]
