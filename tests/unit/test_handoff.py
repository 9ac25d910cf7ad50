# SPDX-License-Identifier: GPL-3.0-or-later
"""What the shop gets: every file is read again by something else than what wrote it."""

import io
import json
import math
import re
import shutil
import zipfile
from contextlib import contextmanager
from pathlib import Path
from xml.etree import ElementTree

import block_lens
import numpy as np
import pypdfium2
import pytest
import second_kernel
import trimesh
from bowl import script_text

import bafflelens
from bafflelens.base.errors import InputError, MeshingError, StoreError
from bafflelens.base.progress import Silent
from bafflelens.base.provenance import SHAPES, shapes_digest, source_digest
from bafflelens.cli import main
from bafflelens.handoff import candidate_files, package, packing, subject
from bafflelens.handoff.checks import undercut
from bafflelens.handoff.datum import shaped_by
from bafflelens.handoff.exporter import _require_volume
from bafflelens.handoff.inner_corners import inner_corners
from bafflelens.handoff.inspection import inspect_readings
from bafflelens.handoff.manifest import manifest_bytes, verify_folder
from bafflelens.handoff.package import hand_off, revision_of
from bafflelens.handoff.printing import stl_bytes, three_mf_bytes
from bafflelens.handoff.solid_export import export_solid
from bafflelens.handoff.template_dxf import dxf_bytes
from bafflelens.handoff.templates import (
    Template,
    _tiling,
    templates_of,
    templates_pdf,
)
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.report.summary import rank_run
from bafflelens.run.pipeline import run_job
from bafflelens.shapes.cad.declaration import read_declaration
from bafflelens.shapes.cad.declared_text import declaration_bytes
from bafflelens.shapes.cad.step_faces import faces_of_file
from bafflelens.shapes.cad.step_file import read_step_text
from bafflelens.shapes.cad.step_names import with_face_names
from bafflelens.shapes.cad.step_solid import matching_order
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.store import open_run, write_folder

BALL_MM = 30.0
COARSELY = "\n[handoff]\nchord_mm = 0.5\nstation_spacing_mm = 150\nfan_step_deg = 90\n"
PATH = pypdfium2.raw.FPDF_PAGEOBJ_PATH


def exported(folder, offset_m):
    path = folder / "bowl.py"
    path.write_text(script_text(offset_m))
    shape = load_shape(path)
    options = {
        "name": "a bowl",
        "revision": "0a1b",
        "stamp": "2026-01-01T00:00:00",
    }
    return export_solid(
        shape,
        shape.defaults,
        chord_mm=0.1,
        spacing_mm=20.0,
        fan_step_deg=45.0,
        time_limit_s=100.0,
        **options,
    )


@pytest.fixture(scope="module")
def solid(tmp_path_factory):
    """A box with a bowl whose ball is 10 mm behind the front: 20 mm of undercut."""
    return exported(tmp_path_factory.mktemp("bowl"), -0.01)


def test_volume_area_radius_and_undercut_are_the_closed_forms(solid):
    cap = BALL_MM - 10  # of the ball, in front of the box
    ball = 4 / 3 * math.pi * BALL_MM**3 - math.pi * cap**2 * (BALL_MM - cap / 3)
    box = np.array([120.0, 210.0, 200.0])
    # The kernel's quadrature, on the half that is built: 1.3e-8 of the ball, measured.
    assert solid.volume_m3 * 1e9 == pytest.approx(box.prod() - ball, abs=1e-7 * ball)
    rim = BALL_MM**2 - 10**2
    bowl = 4 * math.pi * BALL_MM**2 - 2 * math.pi * BALL_MM * cap
    sides = 2 * (box[0] * box[1] + box[1] * box[2] + box[2] * box[0])
    assert solid.area_m2 * 1e6 == pytest.approx(sides - math.pi * rim + bowl, abs=1e-7 * bowl)
    assert np.ptp(solid.box_m, axis=0) * 1e3 == pytest.approx(box, abs=0.01)
    assert solid.concave[:, 3].min() * 1e3 == pytest.approx(BALL_MM, abs=1e-6)
    front = solid.mesh.surface == "lens"
    depth, places = undercut(solid.mesh, front)
    assert depth * 1e3 == pytest.approx(20, abs=2.5)  # middles of triangles, not the very rim
    assert np.hypot(places[:, 1], places[:, 2]).min() * 1e3 > math.sqrt(rim) - 0.5
    every = np.ones(len(front), dtype=bool)
    assert len(inner_corners(solid.mesh, every, solid.edges).turn) == 0
    solid.mesh.require_closed()
    assert solid.chord_m <= 1e-4
    # Flat as it is, the front has about two triangles for each corner on the bowl's rim.
    flat = solid.mesh.triangles[solid.mesh.normals[:, 0] > 0.9999]
    corners = solid.mesh.vertices[np.unique(flat)] * 1e3
    n_rim = (np.abs(np.hypot(corners[:, 1], corners[:, 2]) - math.sqrt(rim)) < 1e-3).sum()
    assert 60 < n_rim < len(flat) < 2 * n_rim


def test_a_solid_that_lost_something_is_refused():
    _require_volume("solid", 1.0009e-3, 1e-3, 0.0)
    _require_volume("mesh", 0.998e-3, 1e-3, 2e-6)
    rule = (
        r"Invalid volume of the mesh '998000 mm\^3'. Must be the volume of what was built, 1000000"
    )
    with pytest.raises(MeshingError, match=rule):
        _require_volume("mesh", 0.998e-3, 1e-3, 0.5e-6)


def test_the_step_file_says_millimetres_and_its_corners_are_the_box(solid, tmp_path):
    (tmp_path / "x.step").write_bytes(solid.step)
    text = read_step_text(tmp_path / "x.step")
    assert text.unit_m == 1e-3
    corners = np.array([corner for face in text.faces for corner in face.corners])
    assert corners.min(axis=0) == pytest.approx([-120, -105, -100], abs=0.01)
    assert corners.max(axis=0) == pytest.approx([0, 105, 100], abs=0.01)
    assert solid.step.count(b"MANIFOLD_SOLID_BREP") == 1
    # The mirrored half, too, is made of planes and a ball.
    assert solid.step.count(b"B_SPLINE_SURFACE") == 0
    assert solid.step.count(b"SPHERICAL_SURFACE") >= 1
    assert b"AUTOMOTIVE_DESIGN { 1 0 10303 214" in solid.step
    assert b"2026-01-01T00:00:00" in solid.step


def test_stl_and_3mf_are_closed_and_as_large_as_the_solid(solid):
    read = trimesh.load(io.BytesIO(stl_bytes(solid.mesh)), file_type="stl")
    assert read.is_watertight
    assert read.volume == pytest.approx(solid.volume_m3 * 1e9, rel=1e-3)
    with zipfile.ZipFile(io.BytesIO(three_mf_bytes(solid.mesh, "x"))) as archive:
        root = ElementTree.fromstring(archive.read("3D/3dmodel.model"))
    assert root.get("unit") == "millimeter"
    tags = {
        kind: [e for e in root.iter() if e.tag.endswith("}" + kind)]
        for kind in ("vertex", "triangle")
    }
    points = np.array([[float(e.get(axis)) for axis in "xyz"] for e in tags["vertex"]])
    corners = [[int(e.get(key)) for key in ("v1", "v2", "v3")] for e in tags["triangle"]]
    same = trimesh.Trimesh(points, corners, process=False)
    assert same.is_watertight
    assert same.volume == pytest.approx(read.volume, rel=1e-6)


def outline_of(dxf):
    """Read polylines and the unit from the text of a DXF file, group code by group code."""
    lines = [line.strip() for line in dxf.decode().splitlines()]
    pairs = list(zip(lines[::2], lines[1::2], strict=True))
    unit = next(pairs[n + 1][1] for n, pair in enumerate(pairs) if pair == ("9", "$INSUNITS"))
    found, inside, x = [], False, 0.0
    for code, value in pairs:
        if code == "0":
            inside = value == "LWPOLYLINE"
            if inside:
                found.append([])
        elif inside and code == "10":
            x = float(value)
        elif inside and code == "20":
            found[-1].append((x, float(value)))
    return int(unit), [np.array(loop) for loop in found]


def test_templates_lie_on_the_section_of_the_solid(solid):
    """Profile through the axis: each point on the ball or on the straight sides, to 0.01 mm."""
    templates = {t.name: t for t in templates_of(solid.sections, "c001", (0, 0, 0), 16)}
    unit, (loop,) = outline_of(dxf_bytes(templates["vertical_y+0_profile"]))
    assert unit == 4
    on_ball = np.abs(np.hypot(loop[:, 0] + 10, loop[:, 1]) - BALL_MM) < 0.01
    on_side = (np.abs(np.abs(loop[:, 1]) - 100) < 0.01) | (np.abs(loop[:, 0]) < 0.01)
    assert on_ball.sum() > 50
    assert np.all(on_ball | on_side)
    _, scrapers = outline_of(dxf_bytes(templates["vertical_y+0_scraper"]))
    bowl = np.concatenate(scrapers)
    assert (np.abs(np.hypot(bowl[:, 0] + 10, bowl[:, 1]) - BALL_MM) < 0.01).sum() >= on_ball.sum()
    # The fan: the ball has its middle on the axis, so each plane through that shows it alike.
    _, (loop,) = outline_of(dxf_bytes(templates["radial_45deg_profile"]))
    on_ball = np.abs(np.hypot(loop[:, 0] + 10, loop[:, 1]) - BALL_MM) < 0.01
    corner = 100 * math.sqrt(2)  # half of the height, over the cosine
    assert on_ball.sum() > 50
    assert np.ptp(loop[:, 1]) == pytest.approx(2 * corner, abs=0.01)
    words = dxf_bytes(templates["radial_45deg_profile"]).decode()
    assert "c001  profile  through the axis, 45 degrees from the top to the left" in words
    assert "front to the right; up is away from the axis to the left" in words
    assert "datum: x = 0 is the front plane" in words
    assert "BEFORE" not in words
    assert {"vertical_y+20_profile", "horizontal_z-20_scraper"} <= set(templates)
    assert "vertical_y-20_profile" not in templates  # the mirror image of the other


def test_a_template_is_the_same_in_every_process():
    """What a set of names holds comes in an order of its own in each: in none here."""
    lines = dxf_bytes(plain_template(100, 400)).decode().split("\n")
    kinds = [lines[at + 2] for at, line in enumerate(lines) if line == "CLASS"]
    assert kinds.index("ACDBPLACEHOLDER") < kinds.index("LAYOUT")


@pytest.fixture(scope="module")
def read_again(solid):
    return second_kernel.read_step(solid.step)


def test_another_reader_finds_one_valid_closed_solid_of_the_same_size(solid, read_again):
    assert read_again.is_valid
    assert read_again.is_closed
    assert read_again.n_solids == 1
    assert read_again.volume == pytest.approx(solid.volume_m3 * 1e9, rel=1e-6)
    assert read_again.area == pytest.approx(solid.area_m2 * 1e6, rel=1e-5)
    # The parameters, measured in the file: width and height of the box, radius of the ball.
    depth, width, height = np.ptp(read_again.box, axis=0)
    assert (depth, width, height) == pytest.approx((120, 210, 200), abs=0.01)
    assert second_kernel.ball_radii(read_again) == pytest.approx([BALL_MM], abs=0.01)
    stl = trimesh.load(io.BytesIO(stl_bytes(solid.mesh)), file_type="stl")
    assert stl.volume == pytest.approx(read_again.volume, rel=1e-3)
    off = second_kernel.distances_to(read_again, stl.vertices[::40])
    assert off.max() < 0.01


def test_another_reader_finds_the_names_of_faces_body_and_product(solid):
    found = second_kernel.face_names(solid.step)
    assert {name for name, is_ball in found if is_ball} == {"lens"}
    assert {name for name, is_ball in found if not is_ball} == {"cabinet"}
    assert sum(is_ball for _, is_ball in found) >= 1
    text = re.sub(rb"\s+", b"", solid.step)
    assert b"PRODUCT('abowl','abowl'," in text
    assert b"PRODUCT_DEFINITION_FORMATION('0a1b'," in text
    assert b"MANIFOLD_SOLID_BREP('abowl'," in text


def test_names_that_do_not_fit_the_file_are_refused(solid):
    text = solid.step.decode("latin-1")
    with pytest.raises(MeshingError, match=r"Invalid STEP file '1 shells of \d+ faces'. Must be"):
        with_face_names(text, ["lens"])
    assert matching_order([[[0, 0, 0]]], [[[0, 0, 1]]]) is None
    assert matching_order([[[0, 0, 0]], [[0, 0, 1]]], [[[0, 0, 1]], [[0, 0, 0]]]) == [1, 0]


def test_a_hand_off_declares_itself(solid, tmp_path):
    """What comes back from the shop's CAD needs no list of faces written by hand."""
    motion = SourceMotion(name="tweeter", piston_surfaces=("lens",), taper_surfaces=(),
                          axis=(1.0, 0.0, 0.0), centre=(0.0, 0.0, 0.0),
                          inner_radius_m=0.012, outer_radius_m=0.016)  # fmt: skip
    (tmp_path / "x.step").write_bytes(solid.step)
    path = tmp_path / "x.toml"
    path.write_bytes(declaration_bytes("a bowl", "x.step", ["lens", "cabinet"], [motion]))
    read = read_declaration(path)
    assert {name: listed.named for name, listed in read.surfaces.items()} == {
        "cabinet": ("cabinet",),
        "lens": ("lens",),
    }
    assert read.unit is None  # the file itself says it
    (source,) = read.sources
    assert (source.piston_surfaces, source.outer_radius_mm) == (("lens",), 16.0)
    _, faces = faces_of_file(tmp_path / "x.step")
    assert {face.name for face in faces} == {"lens", "cabinet"}


def test_the_text_of_the_step_file_closes_by_itself(solid):
    """Each edge once forwards, once backwards; a face taken out is noticed."""
    uses = second_kernel.shell_edges(solid.step)
    assert len(uses) > 20
    assert set(uses.values()) == {1}
    assert all((edge, not way) in uses for edge, way in uses)
    torn = re.sub(rb"(CLOSED_SHELL\('',\()#\d+,", rb"\1", solid.step)
    assert torn != solid.step
    left = second_kernel.shell_edges(torn)
    assert any((edge, not way) not in left for edge, way in left)


@pytest.mark.parametrize(
    ("name", "origin", "normal"),
    [
        ("vertical_y+0", (0, 0, 0), (0, 1, 0)),
        ("vertical_y+20", (0, 20, 0), (0, 1, 0)),
        ("horizontal_z-20", (0, 0, -20), (0, 0, 1)),
        ("radial_45deg", (0, 0, 0), (0, math.cos(math.pi / 4), -math.sin(math.pi / 4))),
    ],
)
def test_a_template_lies_on_the_section_of_the_file_read_again(
    solid, read_again, name, origin, normal
):
    """Both ways: no point of either farther than 0.01 mm from the other."""
    templates = {t.name: t for t in templates_of(solid.sections, "c001", (0, 0, 0), 16)}
    _, (loop,) = outline_of(dxf_bytes(templates[f"{name}_profile"]))
    along = np.cross(normal, (-1.0, 0.0, 0.0))
    if along @ (0, 1, 1) < 0:
        along = -along
    cut = loop[:, 0].min()
    front = loop[loop[:, 0] > cut + 0.01]  # behind that line the template is cut straight
    points = np.asarray(origin) + front[:, :1] * (1, 0, 0) + front[:, 1:] * along
    largest = second_kernel.distances_to(read_again, points).max()
    section = second_kernel.section_of(read_again, origin, normal)
    flat = np.column_stack((section[:, 0], (section - origin) @ along))
    back = distances_from_line(flat[flat[:, 0] > cut], loop)
    assert len(points) > 50
    assert max(largest, back.max()) < 0.01
    # Laid on the next station it would not fit.
    other = second_kernel.section_of(read_again, np.asarray(origin) + 7 * np.array(normal), normal)
    flat = np.column_stack((other[:, 0], (other - origin) @ along))
    assert distances_from_line(flat[flat[:, 0] > cut], loop).max() > 0.3


def distances_from_line(points, loop):
    """Return how far points, (n, 2), are from a closed line, (n,)."""
    start, step = loop, np.roll(loop, -1, axis=0) - loop
    away = points[:, None] - start
    share = (away * step).sum(axis=2) / np.maximum((step**2).sum(axis=1), 1e-30)
    foot = np.clip(share, 0, 1)[..., None] * step
    return np.linalg.norm(away - foot, axis=2).min(axis=1)


def test_a_page_is_true_to_size(solid):
    template = next(templates_of(solid.sections, "c001", (0, 0, 0), 16))
    pages = pypdfium2.PdfDocument(templates_pdf([template], "A4"))
    for page in pages:
        assert np.array(page.get_size()) / 72 * 25.4 == pytest.approx([210, 297], rel=1e-3)
    per_mm = 20
    picture = pages[0].render(scale=per_mm * 25.4 / 72).to_numpy()
    bar = picture[picture.shape[0] - 9 * per_mm - 1, : 111 * per_mm]  # words are to its right
    foot = bar.min(axis=-1)
    dark = np.flatnonzero(foot < 128)
    assert np.ptp(dark) / per_mm == pytest.approx(100, abs=0.1)


def plain_template(wide, tall):
    loop = np.array([[0, 0], [wide, 0], [wide, tall], [0, tall]], dtype=float)
    return Template(name="x", text="x", loops=(loop,), rim=None, across="z", strip_mm=8.0)


@pytest.mark.parametrize(
    ("wide", "tall", "page", "tiles", "size"),
    [
        (100, 250, "A4", 1, (210, 297)),
        (250, 100, "A4", 1, (297, 210)),  # turned
        (100, 400, "A4", 2, (210, 297)),
        (250, 400, "A4", 3, (297, 210)),  # turned, one above the other
        (250, 360, "A3", 1, (297, 420)),
        (100, 400, "roll", 1, (200.01, 610)),  # along the roll
        (500, 100, "roll", 1, (610, 146.01)),
    ],
)
def test_templates_take_few_pages(wide, tall, page, tiles, size):
    tiling = _tiling(plain_template(wide, tall), page)
    assert tiling.count == tiles
    assert tiling.page_mm == pytest.approx(size)
    # All of it is on the tiles, and tiles that meet overlap.
    for starts, room, side in (
        (tiling.columns_mm, tiling.room_mm[0], wide),
        (tiling.rows_mm, tiling.room_mm[1], tall),
    ):
        assert starts[0] <= -6 + 1e-9
        assert starts[-1] + room >= side + 6 - 1e-9
        assert np.all(np.diff(starts) <= room - 15 + 1e-9)


def outline_on_page(wide, tall, page):
    """Return width and height in mm of the last path on the first page, with its pen's width."""
    (first, *_) = pypdfium2.PdfDocument(templates_pdf([plain_template(wide, tall)], page))
    left, low, right, high = [o for o in first.get_objects() if o.type == PATH][-1].get_bounds()
    return np.array((right - left, high - low)) / 72 * 25.4


@pytest.mark.parametrize("page", ["A4", "A3", "roll"])
def test_outlines_are_true_to_size_on_every_paper(page):
    """Two templates 100 mm apart in width and height: so the pen's width drops out."""
    grown = outline_on_page(160, 190, page) - outline_on_page(60, 90, page)
    assert grown == pytest.approx((100, 100), rel=1e-3)
    assert outline_on_page(160, 190, page) == pytest.approx((160, 190), abs=0.6)


def test_registration_marks_are_on_both_tiles():
    """Three of four marks of a seam would do: each is at one place, on just two tiles or more."""
    tiling = _tiling(plain_template(100, 400), "A4")
    (low,), (first, second) = tiling.columns_mm, tiling.rows_mm
    assert len(tiling.marks_mm) == 2
    for x, y, _ in tiling.marks_mm:
        assert low < x < low + tiling.room_mm[0]
        assert second < y < first + tiling.room_mm[1]
    pages = pypdfium2.PdfDocument(templates_pdf([plain_template(100, 400)], "A4"))
    texts = [page.get_textpage().get_text_range() for page in pages]
    assert all("M1" in text and "M2" in text for text in texts)
    assert "tile 2 of 2" in texts[1]


# ------------------------------------------------------------------------- the whole folder


@pytest.fixture
def run_folder(write_job, options, monkeypatch):
    path = write_job()
    path.write_text(path.read_text() + COARSELY)
    (path.parent / "lens.py").write_text(script_text(-0.01))

    # The bowl has no dome to mesh; the nominal surface is tested with a lens of its own.
    def begin_datum(pool, shape, values, time_limit_s, told):
        for _ in shaped_by(shape):
            told()
        return block_lens.datum

    monkeypatch.setattr(candidate_files, "begin_datum", begin_datum)
    return run_job(path, options).folder


class Counted(Silent):
    """Progress that is looked at afterwards."""

    @contextmanager
    def bar(self, total, label=""):
        self.total, self.amounts = total, []
        yield lambda amount, text="": self.amounts.append(amount)


def test_a_revision_changes_with_all_that_the_solid_follows_from(run_folder, monkeypatch):
    """Script, values, the job's figures, and the building blocks that scripts import."""
    loaded = run_folder.load_job()
    shape = loaded.shape_of("c001")
    before = revision_of(shape, {"lens.depth_mm": 20.0}, loaded)
    assert revision_of(shape, {"lens.depth_mm": 20.0}, loaded) == before
    assert revision_of(shape, {"lens.depth_mm": 20.1}, loaded) != before
    monkeypatch.setattr(package, "shapes_digest", lambda: "another")
    assert revision_of(shape, {"lens.depth_mm": 20.0}, loaded) != before


@pytest.mark.parametrize(
    ("changed", "counts"), [("shapes/cabinet.py", True), ("report/drawing.py", False)]
)
def test_the_code_of_the_shapes_counts_and_no_other(tmp_path, changed, counts):
    source = Path(bafflelens.__file__).parent
    ignored = shutil.ignore_patterns("__pycache__")
    copy = shutil.copytree(source, tmp_path / "bafflelens", ignore=ignored)
    assert source_digest(copy, SHAPES) == shapes_digest()
    with (copy / changed).open("a", encoding="utf-8") as stream:
        stream.write("\n")
    assert (source_digest(copy, SHAPES) != shapes_digest()) == counts


@pytest.mark.slow
def test_a_hand_off_is_the_same_twice_and_what_is_changed_is_found(run_folder, tmp_path, capsys):
    folder = run_folder if hasattr(run_folder, "load_job") else open_run(run_folder)
    told = Counted()
    (one,) = hand_off(folder, ["c001"], tmp_path / "one", told)
    dimensions = len(shaped_by(folder.load_job().shape))
    assert dimensions == told.amounts.count(1.0) > 1  # it never stands still for long
    assert sum(told.amounts) == told.total
    hand_off(folder, ["c001"], tmp_path / "two", Silent())
    summary = f"{folder.name}_summary.pdf"
    listed = json.loads((tmp_path / "one" / "manifest.json").read_text())
    assert listed["make_in_turn"] == ["c001"]
    assert set(listed["sha256"]) == {summary, one.archive}
    for name in ("manifest.json", one.archive, summary):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
    # The tests' mesher makes an octahedron: that is said, and not hidden.
    assert any("Failed check: same as analysed" in remark for remark in one.remarks)
    assert any("draft quality only" in remark for remark in one.remarks)
    assert main(["verify", str(tmp_path / "one")]) == 0
    with zipfile.ZipFile(tmp_path / "one" / one.archive) as archive:
        assert {"inspection.npz", "job.toml"} <= set(archive.namelist())
        tables = [name for name in archive.namelist() if name.startswith("expected/")]
        assert len(tables) == 2
        rows = archive.read(tables[0]).decode().splitlines()
        columns = {len(row.split(",")) for row in rows}
        manifest = json.loads(archive.read("manifest.json"))
        assert manifest["dimensions"] == manifest["values"]  # its script has no resolved()
        assert columns == {146}  # a frequency, and every 2.5 degrees from -180 to 180
        drawing = archive.read(f"{folder.name}_c001_drawing.pdf")
    views, rows, tables = (
        " ".join(page.get_textpage().get_text_range().split())
        for page in pypdfium2.PdfDocument(drawing)
    )
    for words in (
        "front (1:5)",
        "from its right",
        "A-A (1:1), the lens",
        "B-B (1:1), the lens from above",
        "Projection first angle",
        "Scale 1:5 (1:1)",
        "Sheet 1 of 3",
    ):
        assert words in views, words
    for words in (
        "driver's seat: cut-out of the tweeter Ø",
        "screws: the job's [handoff] names none",
        "Inside radius: 30.00 mm at x ",  # the bowl
        "Wall: ",
    ):
        assert words in rows, words
    tables = f"{rows} {tables}"
    assert "FAILED undercut: hidden from the front" in tables
    assert "Warning: solved at draft quality only" in tables
    assert "Lifting: weigh first" in tables
    readings = tmp_path / "readings.csv"
    readings.write_text("parameter,reading\ncabinet.width_mm,210.4\nlens.depth_mm,99\n")
    assert [r.verdict for r in inspect_readings(tmp_path / "one", readings)] == [
        "pass",
        "re-simulate",
    ]
    assert main(["handoff", str(folder.path), "c001", "--out", str(tmp_path / "one")]) == 2
    assert "nothing is overwritten" in capsys.readouterr().err
    with (tmp_path / "two" / one.archive).open("ab") as stream:
        stream.write(b"x")
    assert main(["verify", str(tmp_path / "two")]) == 1
    assert "SHA-256 differs" in capsys.readouterr().err


def test_bad_candidates_are_refused(finished_run, tmp_path):
    folder = open_run(finished_run)
    with pytest.raises(InputError, match=r"Invalid candidate 'c999'. Must be one of this run"):
        hand_off(folder, ["c999"], tmp_path / "out", Silent())
    with pytest.raises(InputError, match=r"Invalid candidates 'none'. Must be ids of candidates"):
        hand_off(folder, [], tmp_path / "out", Silent())
    assert not (tmp_path / "out").exists()


def test_a_candidate_that_failed_is_refused_with_its_reason(write_job, options, stub, tmp_path):
    seen = []

    def is_second(values):
        height = values.get("lens.opening_height_mm")
        seen.extend([height] if height and height not in seen else [])
        return len(seen) > 1 and height == seen[1]

    stub.fail_mesh = is_second
    folder = open_run(run_job(write_job(), options).folder.path)
    (failed,) = [row.candidate.id for row in rank_run(folder) if row.status == "failed"]
    rule = rf"Invalid candidate '{failed}'. Must be one that did not fail \(.*can mesh"
    with pytest.raises(InputError, match=rule):
        hand_off(folder, [failed], tmp_path / "out", Silent())
    assert not (tmp_path / "out").exists()


def test_a_folder_that_holds_something_is_left_as_it_is(finished_run, tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("mine")
    with pytest.raises(StoreError, match=r"Invalid .*out'. Must be .*nothing is overwritten"):
        hand_off(open_run(finished_run), ["c001"], tmp_path / "out", Silent())
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["mine.txt"]


def test_a_scanned_shape_is_handed_off_as_its_surface_and_says_so(
    finished_run, tmp_path, monkeypatch
):
    """With an older version's run besides: each is one line, on the summary too."""
    for module in (packing, subject):
        monkeypatch.setattr(module, "is_scanned", lambda shape: True)
    monkeypatch.setattr(package, "versions", lambda: {"bafflelens": "99.0"})
    folder = open_run(finished_run)
    (one,) = hand_off(folder, [], tmp_path / "out", Silent(), top=1)
    surface = [remark for remark in one.remarks if "no parametric solid" in remark]
    assert len(surface) == 1
    assert "no STEP file, template or drawing" in surface[0]
    older = [remark for remark in one.remarks if "the run was made by bafflelens" in remark]
    assert len(older) == 1
    assert "this is 99.0" in older[0]
    with zipfile.ZipFile(tmp_path / "out" / one.archive) as archive:
        names = archive.namelist()
        stl = archive.read(next(name for name in names if name.endswith(".stl")))
        facts = json.loads(archive.read("manifest.json"))
    assert {name.rsplit(".", 1)[-1] for name in names} == {"stl", "3mf", "csv", "json"}
    assert any("no parametric solid" in warning for warning in facts["warnings"])
    # The run's meshes are halves of octahedra: the shop gets all of one.
    radius = max(facts["values"]["lens.opening_height_mm"], 0.0)
    read = trimesh.load(io.BytesIO(stl), file_type="stl")
    assert read.is_watertight
    assert read.volume == pytest.approx(4 / 3 * radius**3, rel=1e-5)
    document = pypdfium2.PdfDocument(
        (tmp_path / "out" / f"{folder.name}_summary.pdf").read_bytes()
    )
    text = " ".join(page.get_textpage().get_text_range() for page in document)
    assert "no parametric solid" in " ".join(text.split())
    assert "not checked: only its surface" in " ".join(text.split())
    assert f"scan part.stl --nominal {folder.path.parent.name}/{folder.name}" in text
    assert "bafflelens inspect" not in text  # there is nothing to inspect by
    assert verify_folder(tmp_path / "out") == ()


def test_a_manifest_tells_what_changed(tmp_path):
    files = {"a.txt": b"1", "b.txt": b"2"}
    write_folder(tmp_path / "x", {**files, "manifest.json": manifest_bytes({}, files)})
    assert verify_folder(tmp_path / "x") == ()
    (tmp_path / "x" / "a.txt").write_bytes(b"3")
    (tmp_path / "x" / "b.txt").unlink()
    (tmp_path / "x" / "c.txt").write_bytes(b"4")
    changed, missing, new = verify_folder(tmp_path / "x")
    assert re.match(r"Invalid file 'a.txt'. Must be as it was exported", changed)
    assert re.match(r"Invalid file 'b.txt'. Must be there", missing)
    assert re.match(r"Invalid file 'c.txt'. Must be listed", new)
    with pytest.raises(
        StoreError, match=r"Invalid folder .* Must be one that `bafflelens handoff`"
    ):
        verify_folder(tmp_path)
    (tmp_path / "x" / "manifest.json").write_text(json.dumps({"format": 9, "sha256": {}}))
    with pytest.raises(StoreError, match=r"Must be of format 1 or older"):
        verify_folder(tmp_path / "x")
