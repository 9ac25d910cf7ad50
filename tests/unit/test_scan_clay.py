# SPDX-License-Identifier: GPL-3.0-or-later
"""A clay model of a lens, from the scanner's file to a candidate.

The scan is made (`scans.py`): the nominal lens turned and shifted at random, with noise of 0.2 mm,
holes, spikes, a loose piece and a dent of 2 mm in a known place.
"""

import io
from dataclasses import replace
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
from bodies import box
from scans import Faults, make_scan
from scipy.spatial.transform import Rotation

from bafflelens.base.errors import GeometryError, MeshingError, StoreError
from bafflelens.cli import main
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.mockup.scan import clay, clay_report, placing
from bafflelens.mockup.scan.clay import stl_bytes, take_scan
from bafflelens.mockup.scan.clay_model import ClayScanRequest
from bafflelens.mockup.scan.findings import places, spreads
from bafflelens.mockup.scan.fitting import fit
from bafflelens.mockup.scan.picture import deviation_picture
from bafflelens.mockup.scan.repair import Scan, read_scan
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.mesh_morph import SurfaceDeviation, laid_on
from bafflelens.shapes.meshing.moving_parts import source_motions

SCRIPT = Path(__file__).parents[2] / "geometries" / "vertical_lens.py"
DRIVER = ("dome", "surround")
DENT = ((0.0, 60.0, -150.0), 2.0, 15.0)
FAULTS = {"noise_mm": 0.2, "dent": DENT, "without": DRIVER, "spikes": 12, "halvings": 1}
SOURCE = MeshSize(
    source_size_m=0.008, growth=1.25, growth_distance_m=0.2, largest_m=0.01, curvature_elements=24
)


@pytest.fixture(scope="module")
def lens():
    """The lens, its fine mesh and another mesh of it that scans are made from."""
    shape = load_shape(SCRIPT)
    fine, source = mesh_shape(shape, {}, [clay._FINE, SOURCE], 120.0)
    return shape, fine.mirrored("y"), source.mirrored("y")


@pytest.fixture
def request_for(lens, tmp_path, monkeypatch):
    """Return a function that writes a scan with faults and returns the request for it."""
    shape, fine, source = lens
    monkeypatch.setattr(clay, "_nominal_mesh", lambda request: fine)
    monkeypatch.setattr(clay, "deviation_picture", lambda *_: b"")  # has a test of its own

    def request(ending=".ply", **settings):
        keys = {key: settings.pop(key) for key in ("unit", "marks", "refine") if key in settings}
        made = make_scan(source, Faults(**settings))
        path = made.write(tmp_path / f"clay{ending}")
        asked = ClayScanRequest(
            scan=path,
            shape=shape,
            values=shape.defaults,
            nominal_name="c001 of mine.toml",
            out=tmp_path / "taken",
            **keys,
        )
        return asked, made

    return request


def assert_pose_and_dent(model, made, mesh):
    pose = model.pose
    placed = (mesh.vertices - made.shift_m) @ made.rotation @ pose.rotation.T + pose.shift
    assert np.linalg.norm(placed - mesh.vertices, axis=1).max() < 0.2e-3
    turn = Rotation.from_matrix(pose.rotation @ made.rotation.T).magnitude()
    assert np.degrees(turn) < 0.2
    dent = model.places[0]
    assert dent.height_m == pytest.approx(-2e-3, abs=0.25e-3)
    np.testing.assert_allclose(dent.centre * 1e3, DENT[0], atol=5)
    # Half the depth of the Gaussian lies within 15 mm * sqrt(ln 2).
    assert dent.width_m * 1e3 == pytest.approx(25, abs=4)
    assert dent.surface == "baffle"
    assert all(abs(other.height_m) < 0.8e-3 for other in model.places[1:])


@pytest.mark.slow
def test_a_torn_and_noisy_scan_becomes_a_candidate(request_for, lens):
    hole = ((0.0, -50.0, -100.0), 12.0)
    asked, made = request_for(".stl", island=True, holes=(hole,), **FAULTS)
    model, report = take_scan(asked)
    assert_pose_and_dent(model, made, lens[2])
    assert model.fit_rms_m < 0.25e-3

    for line in (
        "c001 of mine.toml",
        "1 loose piece dropped",
        "12 spikes removed",
        "repeated vertices merged",
        "driver's hole, 4",
        "mm wide: closed with the nominal dome",
        "around (0, -50, -100) mm: bridged",
        "by registration to the nominal shape",
        "residual 0.1",
        "1. dent -",
        "its own mirror image",
    ):
        assert line in report
    assert "WARNING" not in report

    files = {path.name for path in asked.out.iterdir()}
    assert files == {
        *("clay.toml", "clay_deviation.npz", "vertical_lens.py"),
        *("solid.stl", "deviation.png", "report.txt"),
    }
    assert (asked.out / "report.txt").read_text(encoding="utf-8") == report
    solid = read_scan(asked.out / "solid.stl", 1e-3)
    assert np.ptp(solid.vertices, axis=0) == pytest.approx((0.25, 0.21, 0.4), abs=1.5e-3)

    candidate = load_shape(asked.out / "clay.toml")
    assert (candidate.symmetry, candidate.parameters) == ((), ())
    assert {path.name for path in candidate.companions} == {
        "clay_deviation.npz",
        "vertical_lens.py",
    }
    assert source_motions(candidate, {}) == source_motions(lens[0], {})
    coarse, dense = mesh_shape(candidate, {}, [replace(SOURCE, source_size_m=0.02), SOURCE], 120.0)
    for mesh in (coarse, dense):
        mesh.require_closed()
        assert {"dome", "surround", "lens", "baffle", "cabinet"} == set(mesh.surface)
        dome = mesh.vertices[mesh.triangles[mesh.surface == "dome"]]
        assert dome[..., 0].min() == pytest.approx(-0.043, abs=1e-6)  # the driver stays
    near = np.linalg.norm(dense.vertices - np.array(DENT[0]) * 1e-3, axis=1) < 4e-3
    assert dense.vertices[near, 0].min() < -1.6e-3


def test_a_scan_of_the_front_alone_is_joined_to_the_nominal_body(request_for, lens):
    asked, made = request_for(front_only_mm=60.0, seed=3, **FAULTS)
    model, report = take_scan(asked)
    assert_pose_and_dent(model, made, lens[2])
    assert "nominal shape beyond it" in report
    warned = clay_report.report_text(asked, replace(model, off_share=0.05), ())
    assert "WARNING: 5.0% of the scan lies more than 1 mm off the solid: the clay" in warned
    seen = {row.surface: row.seen for row in model.spreads}
    assert seen["baffle"] > 0.99
    assert seen["cabinet"] < 0.3
    back = np.abs(model.deviation.nominal.centroids[:, 0] + 0.25) < 1e-6
    assert np.abs(model.deviation.height[back]).max() < 1e-9
    model.deviation.clay.require_closed()
    assert model.deviation.clay.volume == pytest.approx(lens[1].volume, rel=1e-3)


def test_an_open_scan_that_faces_inwards_is_turned(request_for, lens):
    asked, _ = request_for(front_only_mm=60.0, inside_out=True, without=DRIVER)
    model, report = take_scan(asked)
    assert model.turned_inside_out
    assert model.pose.median_m < 1e-5
    assert "the whole scan turned: it faced inwards" in report


def test_sharp_edges_stay_sharp_and_move_with_the_clay(lens):
    """A box of clay, 2 mm too high and 1 mm too far forward: its edges are still right angles."""
    fine = box((0.2, 0.3, 0.4), (20, 30, 40))
    moved = fine.vertices.copy()
    moved[moved[:, 2] > 0.199, 2] += 2e-3
    moved[moved[:, 0] > 0.099, 0] += 1e-3
    scan = Scan(moved, fine.triangles)
    clay_mesh = fit(scan, fine, (), lambda amount, text="": None).clay
    np.testing.assert_allclose(clay_mesh.vertices.max(axis=0), (0.101, 0.15, 0.202), atol=1e-4)
    rim = fine.vertices[:, 2] > 0.1999
    edge = rim & (fine.vertices[:, 0] > 0.0999)
    np.testing.assert_allclose(clay_mesh.vertices[edge, 0], 0.101, atol=1e-4)
    np.testing.assert_allclose(clay_mesh.vertices[rim, 2], 0.202, atol=1e-4)


def test_noise_is_averaged_and_details_stay(lens):
    """With a point every 5 mm: a third of the noise, seven eighths of a dent 25 mm wide."""
    _, fine, source = lens
    made = make_scan(source, Faults(pose=False, scale=1.0, halvings=1, noise_mm=0.2, dent=DENT))
    deviation = fit(Scan(made.vertices, made.triangles), fine, DRIVER, lambda a, t="": None)
    far = np.linalg.norm(fine.centroids - np.array(DENT[0]) * 1e-3, axis=1) > 0.06
    row = spreads(
        SurfaceDeviation(fine, deviation.displacement, deviation.height, deviation.seen & far)
    )[0]
    assert row.rms_m < 0.07e-3
    assert places(deviation)[0].height_m < -1.75e-3


def test_a_mesh_of_any_size_is_laid_on(lens):
    _, fine, source = lens
    height = 1e-3 * np.cos(fine.vertices[:, 2] / 0.1)
    displacement = np.zeros_like(fine.vertices)
    displacement[:, 0] = height
    deviation = SurfaceDeviation(
        fine, displacement, np.zeros(fine.n_triangles), np.ones(fine.n_triangles, dtype=bool)
    )
    laid = laid_on(source, deviation)
    expected = source.vertices[:, 0] + 1e-3 * np.cos(source.vertices[:, 2] / 0.1)
    np.testing.assert_allclose(laid.vertices[:, 0], expected, atol=2e-5)
    np.testing.assert_array_equal(laid.surface, source.surface)


def test_clay_that_is_too_different_is_refused(lens):
    fine = lens[1]
    wild = np.random.default_rng(1).normal(0, 4e-3, fine.vertices.shape)
    deviation = SurfaceDeviation(
        fine, wild, np.zeros(fine.n_triangles), np.ones(fine.n_triangles, dtype=bool)
    )
    message = r"clay model '\d+ triangles turn over, the worst near \(.*Must be near its nominal"
    with pytest.raises(MeshingError, match=message):
        laid_on(fine, deviation)


def test_a_damaged_deviation_is_refused(tmp_path):
    path = tmp_path / "x.npz"
    path.write_bytes(b"PK no")
    with pytest.raises(StoreError, match=r"deviation file '.*x\.npz'\. Must be a file that"):
        SurfaceDeviation.load(path)


def test_marks_tell_the_pose_too(request_for, lens, tmp_path):
    _, made = request_for(seed=5, **FAULTS)
    lines = []
    for name, place in (("a", (0, 90, 95)), ("b", (0, -90, 95)), ("c", (0, 0, -285))):
        found = (np.array(place) * 1e-3 - made.shift_m) @ made.rotation * 1e3
        lines.append(
            f'[[marks]]\nname="{name}"\nscan={found.tolist()}\nnominal_mm={list(place)}\n'
        )
    marks = tmp_path / "marks.toml"
    marks.write_text("".join(lines))
    asked, made = request_for(seed=5, marks=marks, inside_out=True, front_only_mm=60.0, **FAULTS)
    model, report = take_scan(asked)
    assert_pose_and_dent(model, made, lens[2])
    assert model.turned_inside_out
    assert "the whole scan turned: it faced inwards" in report
    assert "Pose, by marks" in report
    assert "marks off by (mm): a 0.00, b 0.00, c 0.00" in report

    shifted = marks.read_text().replace("nominal_mm=[0,", "nominal_mm=[60,")
    marks.write_text(shifted)
    other = replace(request_for(seed=5, marks=marks)[0], out=tmp_path / "other")
    with pytest.raises(GeometryError, match=r"when put by marks'\. Must be within 10 mm: check"):
        take_scan(other)

    marks.write_text(shifted.replace("nominal_mm=[60,", "nominal_mm=[0,"))
    wrong = marks.read_text().replace("nominal_mm=[0, 0, -285]", "nominal_mm=[0, 0, -205]")
    marks.write_text(wrong)
    with pytest.raises(GeometryError, match="distance of marks"):
        take_scan(replace(request_for(seed=5, marks=marks)[0], out=tmp_path / "other"))


@pytest.mark.parametrize(
    ("scale", "unit", "message"),
    [
        (
            1.0,
            "mm",
            r"'0\.5\d\d mm across, if its unit is mm'.* nominal shape, 5\d\d .*--unit m",
        ),
        (1 / 0.0254, "mm", r"'20\.\d mm across.*file in inch, it would be 5\d\d mm: --unit inch"),
        (1000.0, "m", r"e\+05 mm across, if its unit is m'.* --unit mm"),
        (7.0, "mm", r"about that of the nominal shape, 5\d\d mm, or of a part of it\.$"),
    ],
)
def test_a_scan_in_another_unit_is_told_by_its_size(request_for, scale, unit, message):
    asked, _ = request_for(scale=scale, unit=unit)
    with pytest.raises(GeometryError, match=message):
        take_scan(asked)
    assert not asked.out.exists()


def test_a_scan_in_inches_is_taken_as_such(request_for, lens):
    asked, _ = request_for(scale=1 / 0.0254, unit="inch")
    scan = Scan(*_arrays(read_scan(asked.scan, 0.0254)))
    placing.require_likely_size(asked.scan.name, asked.unit, scan, lens[1])


def _arrays(scan):
    return scan.vertices, scan.triangles


def test_unknown_units_and_used_folders_are_refused(request_for):
    with pytest.raises(GeometryError, match=r"'--unit' 'inches'\. Must be .* nearest is 'inch'"):
        take_scan(request_for(unit="inches")[0])
    asked, _ = request_for()
    asked.out.mkdir()
    (asked.out / "mine.txt").write_text("mine")
    with pytest.raises(StoreError, match="Must be one that does not exist yet, or is empty"):
        take_scan(asked)
    assert [path.name for path in asked.out.iterdir()] == ["mine.txt"]


def test_a_declaration_with_a_parameter_that_is_none_is_refused(tmp_path):
    (tmp_path / "vertical_lens.py").write_text(SCRIPT.read_text(encoding="utf-8"))
    (tmp_path / "x.npz").write_bytes(b"")
    path = tmp_path / "clay.toml"
    path.write_text(
        'title = "x"\nnominal = "vertical_lens.py"\ndeviation = "x.npz"\n'
        '[values]\n"lens.depth_mm" = 3.0\n'
    )
    with pytest.raises(GeometryError, match=r"clay\.toml: Invalid parameter 'lens\.depth_mm'"):
        load_shape(path)


def test_the_picture_shows_the_dent(lens):
    _, fine, _ = lens
    away = np.linalg.norm(fine.centroids - np.array(DENT[0]) * 1e-3, axis=1)
    height = -2e-3 * np.exp(-((away / 0.015) ** 2))
    seen = fine.centroids[:, 0] > -0.1
    deviation = SurfaceDeviation(fine, np.zeros_like(fine.vertices), height, seen)
    found = places(deviation)
    png = deviation_picture(deviation, spreads(deviation)[0], found, "a dent")
    image = matplotlib.image.imread(io.BytesIO(png))[..., :3]
    front = image[100:-200, 100 : image.shape[1] // 3]
    blue = (front[..., 2] > front[..., 0] + 0.3) & (front[..., 0] < 0.5)
    rows, columns = np.nonzero(blue)
    assert 0.001 < blue.mean() < 0.05
    assert rows.mean() > 0.5 * len(front)  # below the middle, and to the loudspeaker's left
    assert columns.mean() > 0.5 * front.shape[1]


def test_stl_of_a_mesh_is_read_back(tmp_path):
    mesh = box((0.2, 0.3, 0.4), (2, 3, 4))
    path = tmp_path / "box.stl"
    path.write_bytes(stl_bytes(mesh))
    solid = read_scan(path, 1e-3)
    read = Mesh(solid.vertices, solid.triangles, np.full(len(solid.triangles), ""))
    assert read.volume == pytest.approx(0.024, rel=1e-6)


# ------------------------------------------------------------------------- the command line

NOMINAL_JOB = """
title = "The nominal shape"
[geometry]
script = "{folder}/vertical_lens.py"
[baseline]
script = "{folder}/plain_baffle.py"
[search]
plan = "list"
"""


@pytest.fixture
def nominal_job(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(NOMINAL_JOB.format(folder=SCRIPT.parent))
    return path


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--candidate", "c007"], "'--candidate' 'c007'. Must be one of baseline, c001"),
        (["--refine"], "'--refine' 'without marks'. Must be given with '--marks'"),
        (["--unit", "ell"], "'--unit' 'ell'. Must be one of mm, cm, m, inch"),
        ([], "Must be a file that is not empty"),
    ],
)
def test_wrong_input_of_the_verb_is_exit_code_2(nominal_job, tmp_path, capsys, words, message):
    scan = tmp_path / "clay.stl"
    scan.write_bytes(b"")
    out = tmp_path / "out"
    code = main(["scan", str(scan), "--nominal", str(nominal_job), "--out", str(out), *words])
    printed = capsys.readouterr()
    assert code == 2
    assert message in printed.err
    assert len(printed.err.splitlines()) == 1
    assert not out.exists()
