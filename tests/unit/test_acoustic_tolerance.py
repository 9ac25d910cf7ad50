# SPDX-License-Identifier: GPL-3.0-or-later
"""What each place of a front may be off, by slopes that are known in closed form.

A bump of height cos^2(pi r / 2 R) has the volume R^2 (pi/2 - 2/pi) (integrated by hand): so much
of a slope that is the same everywhere it changes a score by. The body is a box, no lens.
"""

import csv
import io
from dataclasses import replace

import numpy as np
import pytest
from bodies import blocks

from bafflelens.base.errors import StoreError
from bafflelens.handoff.acoustic_tolerance import (
    ACROSS_MM,
    CHANGE_DB,
    MOST_MM,
    allowed_mm,
    on_the_front,
    tolerance_csv,
    tolerance_text,
)
from bafflelens.mesh.mesh import Mesh
from bafflelens.mockup.clay_map.kept_slope import KeptSlope

RADIUS = 0.5e-3 * ACROSS_MM
VOLUME = RADIUS**2 * (np.pi / 2 - 2 / np.pi)
STEEP = 4e5  # dB per m and m^2


@pytest.fixture(scope="module")
def kept():
    """Half a box, its front at x = 0, with a dome that is not formed around the origin."""
    step = 0.004
    y, z = step * np.arange(21), step * np.arange(-20, 21)
    mesh = blocks(np.array([-0.02, 0.0]), y, z, np.ones((1, 20, 40), dtype=bool))
    mesh = Mesh(mesh.vertices, mesh.triangles[mesh.centroids[:, 1] > 1e-6],
                mesh.surface[mesh.centroids[:, 1] > 1e-6])  # fmt: skip
    front = mesh.normals[:, 0] > 0.9
    dome = front & (np.hypot(*mesh.centroids[:, 1:].T) < 0.012)
    names = np.where(dome, "dome", np.where(front, "lens", "cabinet"))
    mesh = Mesh(mesh.vertices, mesh.triangles, names)
    return KeptSlope(mesh=mesh, symmetry=("y",), by_area=np.where(dome, 0.0, STEEP), is_clay=~dome)


def test_a_slope_that_is_alike_everywhere_gives_the_closed_form(kept):
    found = on_the_front(kept)
    left, up = np.meshgrid(found.y_m, found.z_m, indexing="ij")
    clear = np.hypot(left, up) > 0.012 + 1.3 * RADIUS
    clear &= (np.abs(left) < 0.08 - 1.3 * RADIUS) & (np.abs(up) < 0.08 - 1.3 * RADIUS)
    # The slope of half a body counts for both halves; a bump on one side is half of that.
    wanted = 0.5e-3 * STEEP * VOLUME
    assert clear.sum() > 200
    np.testing.assert_allclose(found.slope_db[clear], wanted, rtol=0.06)  # 7 triangles across
    np.testing.assert_allclose(allowed_mm(found.slope_db)[clear], CHANGE_DB / wanted, rtol=0.06)
    np.testing.assert_allclose(found.x_m[clear], 0.0, atol=1e-9)
    np.testing.assert_array_equal(found.surface[clear], "lens")
    np.testing.assert_allclose(found.slope_db[clear], found.slope_db[::-1][clear], rtol=1e-6)


def test_what_is_not_formed_or_too_coarse_is_not_told(kept):
    found = on_the_front(kept)
    left, up = np.meshgrid(found.y_m, found.z_m, indexing="ij")
    assert np.isnan(found.slope_db[np.hypot(left, up) < 0.008]).all()
    coarse = kept.mesh.vertices * (1, 8, 8)
    mesh = Mesh(coarse, kept.mesh.triangles, kept.mesh.surface)
    assert np.isnan(on_the_front(replace(kept, mesh=mesh)).slope_db).all()


def test_places_are_the_tightest_and_a_bump_apart(kept):
    middle = kept.mesh.centroids
    hills = sum(
        size * np.exp(-((middle[:, 1] - y) ** 2 + (middle[:, 2] - z) ** 2) / 0.015**2)
        for y, z, size in ((0.05, 0.04, -2e6), (0.0, -0.045, 5e6))
    )
    found = on_the_front(replace(kept, by_area=np.where(kept.is_clay, hills, 0.0)))
    first, second = found.places[:2]
    np.testing.assert_allclose(second.centre_m, (0.0, 0.05, 0.04), atol=0.005)
    np.testing.assert_allclose(first.centre_m, (0.0, 0.0, -0.045), atol=0.005)
    assert (first.is_mirrored, second.is_mirrored) == (False, True)
    assert (first.worse_if, second.worse_if) == ("proud", "set back")
    assert first.allowed_mm < second.allowed_mm < MOST_MM
    assert tolerance_text(found).startswith("Tightest 4")
    for number, one in enumerate(found.places):
        for other in found.places[:number]:
            away = np.subtract(one.centre_m, other.centre_m)[1:]
            assert np.linalg.norm(away) >= 0.99e-3 * ACROSS_MM


def test_a_flat_score_has_no_tight_place_and_the_table_says_what_is_followed(kept):
    found = on_the_front(replace(kept, by_area=1e-3 * kept.by_area))
    assert found.places == ()
    assert "no place changes the score by 0.1 dB within 5 mm" in found.text
    rows = list(csv.DictReader(io.StringIO(tolerance_csv(found).decode())))
    assert len(rows) > 100
    assert {row["allowed_mm"] for row in rows} == {f"{MOST_MM:.2f}"}
    assert found.facts("t.csv")["range_mm"] == [0.1, 5.0]


def test_slopes_travel_as_arrays_and_damaged_ones_are_told(kept):
    read = KeptSlope.from_arrays(kept.arrays(), "slope.npz")
    assert read.symmetry == ("y",)
    np.testing.assert_array_equal(read.by_area, kept.by_area)
    np.testing.assert_array_equal(read.mesh.surface, kept.mesh.surface)
    for change in ({"by_area": np.zeros(3)}, {"triangles": np.zeros(3)}):
        with pytest.raises(StoreError, match=r"Invalid file of slopes 'slope.npz'"):
            KeptSlope.from_arrays({**kept.arrays(), **change}, "slope.npz")
