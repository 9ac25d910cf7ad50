# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the clay of a mock-up is wrong, on a box with a piston and a bump planted on its front.

Both are solved; the measurement is the bumped box at microphones 2 m away, with a response of the
driver's own and noise. So what is found rests on nothing but the solver and the planted height.
"""

import csv
import re
from dataclasses import replace
from functools import cache

import bodies
import numpy as np
import pytest
import radiating

from bafflelens.base.progress import Silent
from bafflelens.bem.moving_body import MovingBody
from bafflelens.bem.surface_pressure import SurfacePressure
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.mockup.comparison.clay_error import find_clay_error
from bafflelens.mockup.comparison.clay_error_shown import (
    clay_error_csv,
    clay_error_lines,
    clay_error_picture,
)
from bafflelens.mockup.comparison.from_measurement import observed_of
from bafflelens.mockup.comparison.radiator import surface_radiator
from bafflelens.mockup.comparison.result import ComparisonSettings, compare_orbits
from bafflelens.mockup.measurement.measured import Measured, Orbit, Setup
from bafflelens.mockup.measurement.microphones import microphone_positions
from bafflelens.report.style import drawn

SPEED = radiating.AIR.sound_speed
DENT = (0.05, -0.04)
SETUP = Setup(distance_m=2.0, remarks="synthetic: nothing was measured")
ANGLES = np.arange(-90.0, 91.0, 15.0)
HZ = np.geomspace(2500, 6500, 6)
PISTON = 0.033
DEPTH = 0.12
BODY = MovingBody(
    air=radiating.AIR,
    symmetry=("y",),
    motions=(
        SourceMotion(
            name="tweeter",
            piston_surfaces=("piston",),
            taper_surfaces=(),
            axis=(1.0, 0.0, 0.0),
            centre=(0.0, 0.0, 0.0),
            inner_radius_m=PISTON,
            outer_radius_m=PISTON,
        ),
    ),
    absorbers={},
)


@cache
def box(height_m=0.0, at=(0.0, 0.06)):
    """A box with its front at x = 0; on it a bump with round shoulders around a place (y, z)."""
    mesh = bodies.box((DEPTH, 0.16, 0.24), (5, 10, 15), ("y",))
    mesh = bodies.moved(mesh, shift=(-DEPTH / 2, 0.0, 0.0))
    front = (mesh.centroids[:, 0] > -1e-9) & (np.abs(mesh.centroids[:, 1:]).max(axis=1) < PISTON)
    mesh = bodies.renamed(mesh, "piston", front)
    vertices = mesh.vertices.copy()
    here = vertices[:, 0] > -1e-9
    away = np.linalg.norm(vertices[:, 1:] - at, axis=1)
    vertices[here, 0] += height_m * np.exp(-0.5 * (away[here] / 0.02) ** 2)
    still = np.abs(vertices[:, 1:]).max(axis=1) <= PISTON + 1e-9
    vertices[still & here, 0] = 0.0
    return Mesh(vertices, mesh.triangles, mesh.surface)


@cache
def surface(height_m=0.0, at=(0.0, 0.06)):
    mesh = box(height_m, at)
    found = [
        radiating.solved(
            mesh, mesh.surface == "piston", 2 * np.pi * hz / radiating.AIR.sound_speed, ("y",)
        )
        for hz in HZ
    ]
    return SurfacePressure(
        mesh=mesh,
        symmetry=("y",),
        sound_speed=radiating.AIR.sound_speed,
        frequencies_hz=HZ,
        pressure=np.stack([one.surface_pressure for one in found], axis=1).astype(np.complex64),
        gradient=np.stack([one.problem.pressure_gradient for one in found], axis=1).astype(
            np.complex64
        ),
    )


def found_in(true, noise_db=0.05):
    """What is found of a measurement of one box by the simulation of the flat one."""
    draw = np.random.default_rng(3)
    driver = 10 ** (np.linspace(-2, 2, HZ.size) / 20)
    orbits = []
    for name in ("horizontal", "vertical"):
        points = microphone_positions(SETUP, name, ANGLES)
        clean = np.array([true.at_microphones(n, points, np.ones(1))[0] for n in range(HZ.size)])
        loud = 10 ** (draw.normal(0, noise_db, clean.shape) / 20)
        orbits.append(
            Orbit(
                name=name,
                angles_deg=ANGLES,
                pressure=(driver[:, np.newaxis] * clean * loud).T[np.newaxis],
                valid=np.ones((ANGLES.size, HZ.size), dtype=bool),
                noise=None,
                setup=SETUP,
            )
        )
    measured = Measured(
        title="Box (synthetic)",
        frequencies_hz=HZ,
        orbits=tuple(orbits),
        setup=SETUP,
        has_phase=False,
        remarks=(),
    )
    radiator = surface_radiator(
        (surface(),), np.ones((1, HZ.size), dtype=complex), radiating.AIR.sound_speed
    )
    comparison = compare_orbits(
        observed_of(measured), radiator, ComparisonSettings(bounce_deg={"floor": -35.0})
    )
    return comparison, find_clay_error(
        comparison, {"horizontal": SETUP, "vertical": SETUP}, radiator, BODY, Silent()
    )


@pytest.fixture(scope="module")
def dented():
    """What is found where 4 mm were taken at both sides below the axis."""
    return found_in(surface(-4e-3, DENT))[1]


def test_a_planted_dent_is_found_where_it_is(dented):
    points = dented.mesh.centroids[dented.numbers]
    height = -4e-3 * np.exp(-0.5 * (np.linalg.norm(points[:, 1:] - DENT, axis=1) / 0.02) ** 2)
    true = np.where(points[:, 0] > -1e-3, height, 0.0)
    assert dented.is_told
    place = points[np.abs(dented.height_m).argmax()]
    assert np.linalg.norm(place[1:] - DENT) < 0.02
    off = np.abs(dented.height_m - true)
    assert np.mean(off < 2 * dented.deviation_m) > 0.9
    assert np.sqrt(np.mean(off**2)) < 0.7 * np.sqrt(np.mean(true**2))
    assert dented.after_db < 0.7 * dented.before_db


def test_what_is_found_is_said_in_words(dented):
    lines = clay_error_lines(dented)
    text = "\n".join(lines)
    assert re.search(r"\d\.\d mm too little clay \d+ mm below the axis and \d+ mm to both", text)
    assert "add it there and measure again" in text
    assert "a place stands for both" in text
    assert "a scan decides" in text
    rows = list(csv.DictReader(clay_error_csv(dented).decode().splitlines()))
    assert len(rows) == len(dented.numbers)
    deepest = min(rows, key=lambda row: float(row["too_far_out_mm"]))
    assert float(deepest["too_far_out_mm"]) == pytest.approx(1e3 * dented.height_m.min(), abs=1e-3)
    assert drawn(lambda: clay_error_picture(dented, "Dent"), "png").startswith(b"\x89PNG")


@pytest.fixture(scope="module")
def right():
    """A comparison of a measurement with the very same box."""
    return found_in(surface())


def test_nothing_is_blamed_where_nothing_is_wrong(right):
    _, found = right
    assert not found.is_told
    assert clay_error_lines(found)[0].startswith("The clay is not to blame as far as 25")


def test_two_sides_that_differ_are_named(dented):
    line = next(
        text
        for text in clay_error_lines(replace(dented, lopsided_db=0.4))
        if "differ by 0.40 dB" in text
    )
    assert "scan the clay" in line


def test_too_few_frequencies_tell_nothing(right):
    comparison, _ = right
    few = surface_radiator((surface(),), np.ones((1, HZ.size), dtype=complex), 1e-3)
    setups = {"horizontal": SETUP, "vertical": SETUP}
    assert find_clay_error(comparison, setups, few, BODY, Silent()) is None


def test_nothing_is_told_of_a_body_that_does_not_move(right):
    comparison, _ = right
    still = replace(BODY, motions=(replace(BODY.motions[0], piston_surfaces=("other",)),))
    alone = surface_radiator((surface(),), np.ones((1, HZ.size), dtype=complex), SPEED)
    setups = {"horizontal": SETUP, "vertical": SETUP}
    assert find_clay_error(comparison, setups, alone, still, Silent()) is None
