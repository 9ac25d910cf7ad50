# SPDX-License-Identifier: GPL-3.0-or-later
"""The page maps the clay of a solved shape, carves it a little, and shows how it came to be."""

import numpy as np
import pytest
import small_job
from sphere_run import run_of_sphere, sphere
from told import Told, array_of, header_of

from bafflelens.base.errors import InputError, MeshingError
from bafflelens.live import clay
from bafflelens.live.desk import open_desk
from bafflelens.live.solves import Bench
from bafflelens.run.carving.displacement import Radii
from bafflelens.run.carving.keeping import CarvedStep, keep_step
from bafflelens.shapes.meshing.mesh_morph import SurfaceDeviation


@pytest.fixture(scope="module")
def folder(tmp_path_factory, open_pool, stub_methods):
    """Return a run whose candidates are one sphere that is really solved."""
    place = tmp_path_factory.mktemp("sphere")
    with pytest.MonkeyPatch.context() as patch:
        return run_of_sphere(
            lambda *replacements: small_job.write(place, *replacements),
            place / "results",
            stub_methods,
            open_pool,
            patch,
        )


@pytest.fixture
def told():
    return Told()


@pytest.fixture
def desk(folder, options, told):
    opened = open_desk(folder, options)
    opened.publish = told
    yield opened
    opened.close()


def carve_by_hand(folder, name):
    """Keep what a carving of one step would: a dent of 4 mm on one side of the pole."""
    mesh = sphere()[0].mirrored("y")
    forward_m = -0.004 * np.exp(-((mesh.vertices[:, 2] - 0.04) ** 2 / 0.015**2))
    displacement = np.zeros(mesh.vertices.shape)
    displacement[:, 0] = np.where(np.abs(forward_m) > 1e-5, forward_m, 0.0)
    height = displacement[mesh.triangles, 0].mean(axis=1) * mesh.normals[:, 0]
    deviation = SurfaceDeviation(
        nominal=mesh,
        displacement=displacement,
        height=height,
        seen=np.ones(mesh.n_triangles, dtype=bool),
    )
    script = next((folder.path / "shapes").rglob("*.py"))
    folder.add_carved_shape(
        name, files=[script], declaration="title = 'dent'\n", save_deviation=deviation.save
    )
    for number, score_db in enumerate((5.0, 4.2)):
        step = CarvedStep(
            number=number,
            limits="",
            amounts=np.zeros((2, 2)),
            slope=np.zeros((2, 2)),
            value=score_db,
            score_db=score_db,
            softened_db=score_db,
            objectives_db=(1.0, 1.0, 1.0),
            outward_m=0.0,
            inward_m=0.004 * number,
            radii=Radii(radius_m=0.02),
            seconds=1.0,
            work_s=(1.0, 1.0),
        )
        keep_step(folder, name, step)
    return deviation


def test_a_clay_map_says_what_is_better_and_where_nothing_moves(desk, told, folder):
    desk.open()
    desk.ask("page", "map", "c001")
    told.wait(lambda: told.frames("clay"), 60)
    page, message = next((p, m) for p, m in told.messages if isinstance(m, bytes))
    header, values = header_of(message), array_of(message, "value")
    assert page == "page"
    assert header["id"] == "c001"
    assert header["unit"] == "dB per mm"
    whole = sphere()[0].mirrored("y")
    assert array_of(message, "corners").shape == (whole.n_triangles, 9)
    np.testing.assert_array_equal(np.isnan(values), whole.surface == "dome")
    half = len(values) // 2
    np.testing.assert_array_equal(values[:half], values[half:])
    assert 0 < header["most"] <= np.nanmax(np.abs(values))
    assert header["lines"]
    told.wait(lambda: not desk.state()["state"]["doing"].startswith("mapping"))


def test_what_cannot_be_mapped_is_said_and_the_next_is_done(desk, told):
    desk.open()
    desk.ask("page", "map", "c999")
    told.wait(lambda: "c999" in desk.state()["state"]["fault"])
    desk.ask("page", "map", "c001")
    told.wait(lambda: told.frames("clay"), 60)


def test_too_much_at_once_is_refused(desk):
    for number in range(4):
        desk.ask("page", "map", f"c{number}")
        desk.ask("page", "map", f"c{number}")  # the same is asked for once
    with pytest.raises(InputError, match=r"Invalid map 'c9'\. Must be asked for when fewer than"):
        desk.ask("page", "map", "c9")


def test_a_shape_is_carved_by_one_step_and_opened(desk, told, monkeypatch):
    asked = []

    def carve(bench, candidate_id, is_over):
        asked.append((candidate_id, is_over()))
        return "c001_carved"

    monkeypatch.setattr(Bench, "carve", carve)
    desk.open()
    desk.ask("page", "carve", "c001")
    told.wait(lambda: ("page", {"kind": "made", "id": "c001_carved"}) in told.messages)
    assert asked == [("c001", False)]


def test_what_cannot_be_carved_is_said(desk, told, monkeypatch):
    def carve(bench, candidate_id, is_over):
        msg = "no mesh"
        raise MeshingError(msg)

    monkeypatch.setattr(Bench, "carve", carve)
    desk.open()
    desk.ask("page", "carve", "c001")
    told.wait(lambda: desk.state()["state"]["fault"] == "no mesh")


def test_a_carved_shape_shows_what_was_moved_and_its_steps(folder):
    deviation = carve_by_hand(folder, "c001_carved")
    message = clay.carved_frame(folder, "c001_carved")
    header, values = header_of(message), array_of(message, "value")
    assert [step["number"] for step in header["steps"]] == [0, 1]
    assert header["steps"][1]["score_db"] == pytest.approx(4.2)
    assert header["steps"][1]["inward_mm"] == pytest.approx(4.0)
    assert header["title"] == "Carved from c001: mm added or taken"
    is_moved = np.isfinite(values)
    assert 0.05 < is_moved.mean() < 0.95
    np.testing.assert_allclose(values[is_moved], 1e3 * deviation.height[is_moved], rtol=1e-5)
    corners = array_of(message, "corners").reshape(-1, 3, 3)
    np.testing.assert_allclose(corners, 1e3 * deviation.clay.corners, atol=1e-3)


def test_what_was_not_carved_has_no_steps(folder):
    assert clay.carved_frame(folder, "c001") is None
