# SPDX-License-Identifier: GPL-3.0-or-later
"""STEP files as shapes: found faces, units, placement, and what is said when it goes wrong.

The part is a box of 200 x 300 x 100 mm (in x, y, z) with a short cylinder on its front: a piston.
"""

import re

import numpy as np
import pytest

from bafflelens.base import child_process
from bafflelens.base.errors import GeometryError, MeshingError
from bafflelens.cli import main
from bafflelens.mesh.quality import MeshSize
from bafflelens.shapes.cad.declaration import read_declaration
from bafflelens.shapes.cad.step_faces import faces_of_file
from bafflelens.shapes.cad.step_solid import build_imported, list_faces
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

DECLARATION = """
title = "A box with a piston"
step = "part.step"
other_faces = "cabinet"
[surfaces]
dome = { points_mm = [[10, 5, 0]] }
baffle = { named = ["FRONT"] }
[[sources]]
name = "tweeter"
axis = [2, 0, 0]
centre_mm = [10, 0, 0]
piston_surfaces = ["dome"]
inner_radius_mm = 20
outer_radius_mm = 20
"""
SIZE = MeshSize(
    source_size_m=0.015, growth=2.0, growth_distance_m=0.2, largest_m=0.05, curvature_elements=12
)


@pytest.fixture
def gmsh():
    import gmsh

    gmsh.initialize(readConfigFiles=False, interruptible=False)
    gmsh.option.setNumber("General.Terminal", 0)
    yield gmsh
    gmsh.finalize()


@pytest.fixture
def part(gmsh, tmp_path):
    """Return a function that writes the part with some text of the declaration replaced."""

    def write(*replaced, solids=1, shells=False, scale=1.0, named=True, turned=False, header=None):
        gmsh.clear()
        occ = gmsh.model.occ
        box = occ.addBox(-0.2, -0.15, -0.05, 0.2, 0.3, 0.1)
        disc = occ.addCylinder(0, 0, 0, 0.01, 0, 0, 0.02)
        body, _ = occ.fuse([(3, box)], [(3, disc)])
        front = [
            abs(occ.getMass(2, tag) - (0.03 - np.pi * 0.02**2)) < 1e-9
            for _, tag in occ.getEntities(2)
        ].index(True)
        if scale != 1:
            occ.dilate(body, 0, 0, 0, scale, scale, scale)
        if turned:  # drawn with z forward and y up, standing on the table
            occ.rotate(body, 0, 0, 0, 1, 1, 1, -2 * np.pi / 3)
            occ.translate(body, 0.5, 0.05, 0.2)
        for _ in range(solids - 1):
            occ.addBox(1, 1, 1, 0.1, 0.1, 0.1)
        occ.synchronize()
        if shells:
            occ.remove(occ.getEntities(3))
            occ.synchronize()
        gmsh.option.setString("Geometry.OCCTargetUnit", "M")
        path = tmp_path / "part.step"
        gmsh.write(str(path))
        text = path.read_text()
        if named:
            number = iter(range(99))
            text = re.sub(
                r"ADVANCED_FACE\(''",
                lambda _: f"ADVANCED_FACE('{'FRONT' if next(number) == front else ''}'",
                text,
            )
        if header:
            text = text.replace("SI_UNIT(.MILLI.,.METRE.)", header)
        path.write_text(text)
        text = DECLARATION
        for old, new in replaced:
            assert old in text
            text = text.replace(old, new)
        (tmp_path / "part.toml").write_text(text)
        gmsh.clear()
        return tmp_path / "part.toml"

    return write


def build(gmsh, path):
    build_imported(gmsh.model, path, read_declaration(path))
    model = gmsh.model
    return {
        model.getPhysicalName(2, tag): model.getEntitiesForPhysicalGroup(2, tag).tolist()
        for _, tag in model.getPhysicalGroups(2)
    }


def test_faces_are_found_by_name_and_by_point(gmsh, part):
    groups = build(gmsh, part())
    assert {name: len(tags) for name, tags in groups.items()} == {
        "dome": 1,
        "baffle": 1,
        "cabinet": 6,  # five sides of the box and that of the cylinder
    }
    area = gmsh.model.occ.getMass(2, groups["dome"][0])
    assert area == pytest.approx(np.pi * 0.02**2)
    assert gmsh.model.occ.getMass(2, groups["baffle"][0]) == pytest.approx(0.03 - area)
    assert gmsh.model.occ.getMass(3, gmsh.model.getEntities(3)[0][1]) == pytest.approx(
        0.006 + 0.01 * area
    )


def test_a_job_gets_a_closed_mesh_and_the_motion(part):
    shape = load_shape(part())
    assert (shape.summary, shape.parameters, shape.symmetry) == ("A box with a piston", (), ())
    assert [path.name for path in shape.companions] == ["part.step"]
    (motion,) = source_motions(shape, {})
    assert (motion.axis, motion.inner_radius_m) == ((1.0, 0.0, 0.0), 0.02)
    np.testing.assert_allclose(motion.centre, (0.01, 0, 0), atol=1e-12)
    (mesh,) = mesh_shape(shape, {}, [SIZE], 60.0)
    mesh.require_closed()
    assert set(mesh.surface) == {"dome", "baffle", "cabinet"}
    np.testing.assert_allclose(mesh.vertices.max(axis=0), (0.01, 0.15, 0.05), atol=1e-7)


def test_a_file_in_another_frame_is_placed(gmsh, part):
    path = part(
        (
            "[surfaces]",
            "[placement]\norigin_mm = [500, 50, 200]\nforward = [0, 0, 1]\nup = [0, 1, 0]\n"
            "[surfaces]",
        ),
        ("[[10, 5, 0]]", "[[505, 50, 210]]"),
        ("axis = [2, 0, 0]", "axis = [0, 0, 1]"),
        ("centre_mm = [10, 0, 0]", "centre_mm = [500, 50, 210]"),
        turned=True,
    )
    groups = build(gmsh, path)
    x, y, z = gmsh.model.occ.getCenterOfMass(2, groups["dome"][0])
    np.testing.assert_allclose((x, y, z), (0.01, 0, 0), atol=1e-9)
    low_high = gmsh.model.occ.getBoundingBox(*gmsh.model.getEntities(3)[0])
    np.testing.assert_allclose(low_high, (-0.2, -0.15, -0.05, 0.01, 0.15, 0.05), atol=1e-6)
    (motion,) = source_motions(load_shape(path), {})
    np.testing.assert_allclose(motion.axis, (1, 0, 0), atol=1e-12)
    np.testing.assert_allclose(motion.centre, (0.01, 0, 0), atol=1e-12)


def test_faces_are_listed_with_a_point_on_each(gmsh, part, tmp_path):
    part()
    size, faces = list_faces(gmsh.model, tmp_path / "part.step")
    assert size == "210 x 300 x 100 mm, written in mm"
    assert len(faces) == 8
    assert [face.kind for face in faces if face.name == "FRONT"] == ["Plane"]
    for face in faces:  # what is listed can be put into a declaration
        point = gmsh.model.occ.addPoint(*(v / 1000 for v in face.point_mm))
        others = [f for f in faces if f.tag != face.tag]
        assert gmsh.model.occ.getDistance(0, point, 2, face.tag)[0] < 1e-7
        assert min(gmsh.model.occ.getDistance(0, point, 2, f.tag)[0] for f in others) > 1e-4


def test_a_wrong_header_is_put_right_by_the_declaration(gmsh, part):
    path = part(
        ('step = "part.step"', 'step = "part.step"\nunit = "mm"'),
        ('baffle = { named = ["FRONT"] }', ""),
        header="SI_UNIT($,.METRE.)",
        named=False,
    )
    build(gmsh, path)
    volume = gmsh.model.occ.getMass(3, gmsh.model.getEntities(3)[0][1])
    assert volume == pytest.approx(0.006, rel=0.01)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"shells": True}, r"with 'no solid, 8 faces'\. Must be one closed solid; export it as a"),
        ({"solids": 3}, r"with '3 solids'\. Must be one solid; join them .* cm\^3: 6012"),
        (
            {"header": "SI_UNIT($,.METRE.)"},
            r"size of '.*part\.step'\. Must be 30 mm to 3 m along its longest side; the solid is "
            r"210 x 300 x 100 m \(the file says it is in m\); with unit = 'mm' in the decla",
        ),
        ({"scale": 0.01}, r"the solid is 2\.1 x 3 x 1 mm \(the file says it is in mm\)"),
    ],
)
def test_files_without_one_plausible_solid_are_refused(gmsh, part, options, message):
    path = part(**options)
    with pytest.raises(GeometryError, match=message):
        build(gmsh, path)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            '"FRONT"',
            '"FRNT"',
            r"face of surface 'baffle' 'FRNT'\. Must be one of FRONT; the nearest is 'FRONT'",
        ),
        (
            "[[10, 5, 0]]",
            "[[13, 5, 0]]",
            r"point of surface 'dome' '\(13, 5, 0\) mm'\. Must be on a face of the solid; the "
            r"nearest is plane around \(10, .* mm, 3 mm away at \(10, 5, 0\) mm",
        ),
        ("[[10, 5, 0]]", "[[10, 20, 0]]", "Must be inside one face; it lies on the edge of "),
        (
            "[[10, 5, 0]]",
            "[[0, 90, 0], [10, 5, 0]]",
            r"face 'plane 'FRONT' around .*'\. Must be on one surface; it is listed for 'dome'",
        ),
        (
            'other_faces = "cabinet"',
            "",
            "every face a surface; 6 of 8 have none: .* 'other_faces'",
        ),
    ],
)
def test_faces_that_cannot_be_told_are_refused(gmsh, part, old, new, message):
    path = part((old, new))
    with pytest.raises(GeometryError, match=message):
        build(gmsh, path)


def test_a_file_without_names_says_so(gmsh, part):
    path = part(named=False)
    with pytest.raises(GeometryError, match=r"'FRONT'\. Must be left out: the file names no"):
        build(gmsh, path)


def test_a_file_that_the_kernel_cannot_read_is_refused(gmsh, part, tmp_path):
    path = part()
    step = tmp_path / "part.step"
    step.write_text(step.read_text().replace("ADVANCED_BREP_SHAPE_REPRESENTATION", "SOMETHING"))
    with pytest.raises(GeometryError, match=r"part\.step"):
        build(gmsh, path)


def test_the_mesher_passes_on_what_is_wrong(part):
    path = part(("[[10, 5, 0]]", "[[13, 5, 0]]"))
    with pytest.raises(MeshingError, match=r"^part\.step: Invalid point of surface 'dome'"):
        mesh_shape(load_shape(path), {}, [SIZE], 60.0)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            '"part.step"',
            '"part.step"\ntitel = "x"',
            r"part\.toml: Invalid key 'titel'\. Must be one of title, .* 'title'\.$",
        ),
        ('title = "A box with a piston"', "", r"Missing key 'title'\. Must be a line that says"),
        ("part.step", "other.step", r"Invalid file 'other\.step'\. Must be a file in the folder"),
        ("part.step", "cad/part.step", r"Must be a file name without folders"),
        ("dome =", "doom =", r"Invalid surface 'doom'\. Must be one of dome, .*nearest is 'dome'"),
        ('["dome"]', '["dme"]', r"surface of source 'tweeter' 'dme'\. Must be .* 'dome'"),
        ("axis = [2, 0, 0]", "axis = [0, 0, 0]", r"axis of source 'tweeter'.*not zero"),
        ("axis = [2, 0, 0]", 'axis = "x"', r"key 'sources\.axis' 'x'\. Must be three numbers"),
        ("{ points_mm = [[10, 5, 0]] }", "{}", r"key 'surfaces\.dome' .* 'named' or 'points_mm'"),
        ("inner_radius_mm = 20", "inner_radius_mm = -1", r"key 'sources\.inner_radius_mm' '-1"),
        (
            'piston_surfaces = ["dome"]',
            'piston_surfaces = ["dome"]\ntaper_surfaces = ["baffle"]',
            r"outer radius of source 'tweeter' '20 mm'\. Must be over the inner radius, 20 mm",
        ),
        (
            "[surfaces]",
            "[placement]\nforward = [1, 0, 0]\nup = [1, 0, 1]\n[surfaces]",
            r"placement 'forward .*'\. Must be two directions at right angles",
        ),
        ('step = "part.step"', "", r"one that has the key 'step' .* or 'deviation'"),
        ("title =", "title", r"declaration '.*part\.toml'\. Must be valid TOML"),
    ],
)
def test_faults_of_a_declaration_are_told(tmp_path, old, new, message):
    assert old in DECLARATION
    (tmp_path / "part.step").write_text("")
    path = tmp_path / "part.toml"
    path.write_text(DECLARATION.replace(old, new))
    with pytest.raises(GeometryError, match=message):
        load_shape(path)


def test_an_unknown_unit_and_a_missing_file_are_told(tmp_path):
    (tmp_path / "part.step").write_text("")
    path = tmp_path / "part.toml"
    path.write_text('unit = "inches"\n' + DECLARATION)
    with pytest.raises(GeometryError, match=r"key 'unit' 'inches'\. Must be .* nearest is 'inch'"):
        load_shape(path)
    with pytest.raises(GeometryError, match=r"readable TOML file \(No such file"):
        load_shape(tmp_path / "none.toml")


def test_the_verb_faces_prints_what_a_declaration_needs(part, tmp_path, capsys):
    part()
    capsys.readouterr()
    assert main(["faces", str(tmp_path / "part.step")]) == 0
    printed = capsys.readouterr().out
    assert "part.step: 210 x 300 x 100 mm, written in mm" in printed
    row = next(line for line in printed.splitlines() if "FRONT" in line)
    assert re.search(r"Plane +287\.43 +\[0, -?[\d.]+, -?[\d.]+\]", row)


def test_a_kernel_that_crashes_is_one_clear_line(part, monkeypatch, tmp_path):
    part()
    monkeypatch.setattr(child_process, "run_module", lambda *_: "signal 11 (Segmentation fault)")
    with pytest.raises(GeometryError, match=r"one that gmsh can read; it ended with signal 11"):
        faces_of_file(tmp_path / "part.step")


def test_the_verb_faces_refuses_what_is_no_cad_file(tmp_path, capsys):
    path = tmp_path / "part.step"
    path.write_text("solid part")
    assert main(["faces", str(path)]) == 2
    assert "Must be a STEP file: its first line" in capsys.readouterr().err
