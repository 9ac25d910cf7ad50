# SPDX-License-Identifier: GPL-3.0-or-later
"""A carved front as a smooth solid: a known height on a disc that stands before a box.

The disc's rim is a crease that runs through what is carved. The height is a closed form; the
second kernel reads the file. Readings of a part of it are invented.
"""

from dataclasses import replace

import numpy as np
import pytest
import second_kernel
import small_job
from handed import write_handed
from scans import Faults, make_scan

from bafflelens.base.errors import MeshingError, StoreError
from bafflelens.handoff import scanned
from bafflelens.handoff.calipers import symbols_of
from bafflelens.handoff.carved_height import LARGEST_M, moves_along_x, smooth_height
from bafflelens.handoff.carved_shape import carved_from
from bafflelens.handoff.datum import datum_of
from bafflelens.handoff.inspection import inspect_readings
from bafflelens.handoff.part_dimensions import measured_dimensions
from bafflelens.handoff.scanned import ScanRequest, inspect_scan
from bafflelens.handoff.solid_export import export_solid
from bafflelens.handoff.template_stations import changes_mm
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.mesh_morph import HeightField, SurfaceDeviation
from bafflelens.shapes.meshing.moving_parts import source_motions

BUILD = """    occ = model.occ
    half = parameters.cabinet.width_mm / 2e3
    body = occ.addBox(-0.06, 0, -0.08, 0.06, half, 0.16)
    disc = occ.addCylinder(-0.01, 0, 0.02, 0.02, 0, 0, 0.045)
    left = occ.addBox(-0.1, 0, -0.2, 0.2, 0.2, 0.4)
    disc, _ = occ.intersect([(3, disc)], [(3, left)])
    dome = occ.addCylinder(0.005, 0, 0, 0.008, 0, 0, 0.013)
    dome, _ = occ.intersect([(3, dome)], [(3, occ.addBox(-0.1, 0, -0.2, 0.2, 0.2, 0.4))])
    body, _ = occ.fuse([(3, body)], [*disc, *dome])
    occ.synchronize()
    named = {"cabinet": [], "lens": [], "dome": []}
    for _, tag in model.getBoundary(body, oriented=False):
        box = model.getBoundingBox(2, tag)
        if box[4] > 1e-6:
            is_dome = box[0] > 0.009 and box[4] < 0.02
            is_front = box[0] > -1e-5
            named["dome" if is_dome else "lens" if is_front else "cabinet"].append(tag)
    for name, tags in named.items():
        model.addPhysicalGroup(2, tags, name=name)
"""
FINE = MeshSize(
    source_size_m=0.003,
    growth=2.5,
    growth_distance_m=0.2,
    largest_m=0.003,
    curvature_elements=24,
)


def height(points):
    """Two hills on the sides, one of them over the disc's rim, and a hollow below; in m."""
    y, z = points[:, 1], points[:, 2]

    def free(distance):
        way = np.clip(distance / 0.02, 0, 1)
        return way**3 * (10 - 15 * way + 6 * way**2)

    hills = 6e-3 * np.exp(-((np.abs(y) - 0.035) ** 2 + (z - 0.02) ** 2) / (2 * 0.014**2))
    hollow = 3e-3 * np.exp(-(y**2 + (z + 0.045) ** 2) / (2 * 0.014**2))
    edge = np.minimum(0.1 - np.abs(y), 0.075 - np.abs(z))
    return (hills - hollow) * free(edge) * free(np.hypot(y, z) - 0.018)


@pytest.fixture(scope="module")
def carved(tmp_path_factory):
    """The shape, what was carved of it, and the folder of both."""
    folder = tmp_path_factory.mktemp("carved")
    raising = '    raise RuntimeError("the tests mesh without gmsh")\n'
    script = small_job.LENS_SCRIPT.replace(raising, BUILD).replace('["surround"]', "[]")
    (folder / "disc.py").write_text(script)
    shape = load_shape(folder / "disc.py")
    (mesh,) = mesh_shape(shape, shape.defaults, [FINE], 60.0)
    nominal = mesh.mirrored("y")
    displacement = np.zeros(nominal.vertices.shape)
    displacement[:, 0] = height(nominal.vertices)
    displacement[np.unique(nominal.triangles[nominal.surface != "lens"])] = 0.0
    n = nominal.n_triangles
    deviation = SurfaceDeviation(nominal, displacement, np.zeros(n), np.ones(n, dtype=bool))
    deviation.save(folder / "disc_deviation.npz")
    (folder / "disc.toml").write_text(
        'title = "a disc, carved"\nnominal = "disc.py"\ndeviation = "disc_deviation.npz"\n'
        'symmetry = ["y"]\n'
    )
    return shape, deviation, folder


@pytest.fixture(scope="module")
def solid(carved):
    _, _, folder = carved
    found = carved_from(load_shape(folder / "disc.toml"))
    assert found is not None
    return export_solid(
        found.shape,
        found.values,
        name="a disc",
        stamp="2026-01-01T00:00:00",
        chord_mm=0.3,
        spacing_mm=200.0,
        fan_step_deg=90.0,
        time_limit_s=200.0,
        deviation=found.deviation,
    )


@pytest.fixture(scope="module")
def read(solid):
    """The solid as the second kernel reads it."""
    return second_kernel.read_step(solid.step)


def test_the_height_is_the_closed_form_and_0_where_nothing_moved(carved):
    _, deviation, _ = carved
    assert moves_along_x(deviation)
    found = smooth_height(deviation)
    assert found.surfaces == ("lens",)
    assert found.worst_m < 2e-5
    y, z = np.random.default_rng(1).uniform((-0.1, -0.08), (0.1, 0.08), (5000, 2)).T
    points = np.column_stack((0 * y, y, z))
    assert np.abs(found.at(points) - height(points)).max() < LARGEST_M
    edge = np.column_stack((0 * y, y, np.full(len(y), 0.08)))
    assert not found.at(edge).any()


def test_the_height_is_0_beside_what_stays():
    """A field that rises 3 mm beside a driver of 32 mm, of which nothing moves."""
    at = 1e-3 * np.arange(-60.0, 61.0, 2.0)
    y, z = np.meshgrid(at, at, indexing="ij")
    number = np.arange(y.size).reshape(y.shape)
    one, two = number[:-1, :-1].ravel(), number[1:, 1:].ravel()
    right, up = number[1:, :-1].ravel(), number[:-1, 1:].ravel()
    triangles = np.concatenate(
        (np.column_stack((one, right, two)), np.column_stack((one, two, up)))
    )
    vertices = np.column_stack((np.zeros(y.size), y.ravel(), z.ravel()))
    away = np.hypot(*vertices[triangles].mean(axis=1)[:, 1:].T)
    mesh = Mesh(vertices, triangles, np.where(away < 0.016, "dome", "lens"))

    def carved(points):
        beyond = np.clip((np.hypot(points[..., 0], points[..., 1]) - 0.019) / 0.02, 0, 1)
        edge = np.clip((0.055 - np.abs(points).max(axis=-1)) / 0.02, 0, 1)
        return 4e-3 * beyond**3 * (10 - 15 * beyond + 6 * beyond**2) * edge**3

    displacement = np.zeros(vertices.shape)
    displacement[:, 0] = carved(vertices[:, 1:])
    fine = 1e-3 * np.arange(-60.0, 60.5)
    grid = carved(np.stack(np.meshgrid(fine, fine, indexing="ij"), axis=-1))
    field = HeightField(y_m=fine, z_m=fine, height_m=grid)
    seen = np.ones(len(triangles), dtype=bool)
    found = smooth_height(
        SurfaceDeviation(mesh, displacement, np.zeros(len(triangles)), seen, field)
    )
    assert found.worst_m < LARGEST_M
    angle = np.linspace(0, 2 * np.pi, 721)
    rim = 0.0155 * np.column_stack((np.zeros(721), np.cos(angle), np.sin(angle)))
    assert np.abs(found.at(rim)).max() == 0


def test_the_solid_is_valid_in_the_second_kernel_and_within_tolerance(carved, solid, read):
    _, deviation, _ = carved
    assert solid.fit.largest_mm < 0.05
    assert "largest distance" in solid.fit.text
    assert read.is_valid
    assert read.is_closed
    assert read.n_solids == 1
    # Added and taken: the integral of the height over the front, in closed form on a fine grid.
    y, z = np.meshgrid(np.linspace(-0.105, 0.105, 1051), np.linspace(-0.08, 0.08, 801))
    points = np.column_stack((0 * y.ravel(), y.ravel(), z.ravel()))
    added = height(points).sum() * 0.0002**2
    plain = 0.06 * 0.21 * 0.16 + np.pi * (0.01 * 0.045**2 + 0.003 * 0.013**2)
    assert read.volume * 1e-9 == pytest.approx(plain + added, abs=0.002 * added)
    assert deviation.clay.volume == pytest.approx(solid.volume_m3, rel=1e-3)
    solid.mesh.require_closed()


def test_each_half_of_each_flat_face_that_moved_is_one_spline_and_the_halves_mirror(
    carved, solid, read
):
    _, deviation, _ = carved
    corners = deviation.nominal.corners
    moved = np.abs(deviation.displacement[deviation.nominal.triangles, 0]).min(axis=1) > 1e-5
    flat = np.ptp(corners[:, :, 0], axis=1) < 1e-7
    planes = np.unique(corners[moved & flat][:, 0, 0].round(6))
    centres = second_kernel.spline_faces(read)
    assert len(centres) == solid.fit.n_faces
    left, right = centres[centres[:, 1] < 0], centres[centres[:, 1] > 0]
    assert len(left) == len(right) == len(planes) == 2
    left, right = left[np.argsort(left[:, 0])], right[np.argsort(right[:, 0])]
    np.testing.assert_allclose(left * (1, -1, 1), right, atol=0.01)


def test_every_place_that_was_carved_lies_on_the_solid(carved, read):
    _, deviation, _ = carved
    moved = np.abs(deviation.displacement[:, 0]) > 1e-4
    places = deviation.clay.vertices[moved][::2000]
    off = second_kernel.distances_to(read, 1e3 * places)
    assert off.max() < 1e3 * LARGEST_M


def test_a_step_that_no_smooth_face_can_follow_is_refused_with_place_and_size(carved):
    _, deviation, _ = carved
    displacement = deviation.displacement.copy()
    displacement[:, 0] = np.where(np.abs(deviation.nominal.vertices[:, 2]) < 0.03, 0.004, 0.0)
    torn = SurfaceDeviation(deviation.nominal, displacement, deviation.height, deviation.seen)
    rule = r"mm off at \(.*\) mm'. Must be within 0.05 mm of smooth faces"
    with pytest.raises(MeshingError, match=rule):
        smooth_height(torn)


def test_what_moved_sideways_is_a_scan(carved):
    _, deviation, _ = carved
    sideways = deviation.displacement.copy()
    sideways[5, 1] = 1e-4
    scan = SurfaceDeviation(deviation.nominal, sideways, deviation.height, deviation.seen)
    assert not moves_along_x(scan)


def test_faces_are_laid_through_the_field_that_was_carved_and_held_against_the_mesh(carved):
    _, deviation, _ = carved
    y, z = np.linspace(-0.106, 0.106, 107), np.linspace(-0.08, 0.08, 81)
    left, up = np.meshgrid(y, z, indexing="ij")
    places = np.column_stack((0 * left.ravel(), left.ravel(), up.ravel()))
    field = HeightField(y, z, height(places).reshape(left.shape))
    kept = replace(deviation, field=field)
    found = smooth_height(kept)
    assert found.worst_m < 2e-5
    between = np.random.default_rng(2).uniform((-0.1, -0.075), (0.1, 0.075), (3000, 2))
    points = np.column_stack((np.zeros(3000), between))
    assert np.abs(found.at(points) - height(points)).max() < 2e-5
    # A mesh that was moved otherwise is told by its distance, and its place.
    other = kept.displacement.copy()
    other[:, 0] *= 1 + 0.03e-3 / other[:, 0].max()
    worst = int(other[:, 0].argmax())
    apart = smooth_height(replace(kept, displacement=other))
    assert apart.worst_m == pytest.approx(0.03e-3, abs=1e-5)
    # on either half: it was carved alike, and which is off more is up to the last bit
    place = deviation.nominal.vertices[worst]
    np.testing.assert_allclose(np.abs(apart.where_m), np.abs(place), atol=0.01)
    other[:, 0] *= 1.1
    with pytest.raises(MeshingError, match=r"Invalid carved surface.*within 0.05 mm"):
        smooth_height(replace(kept, displacement=other))


def test_a_field_travels_with_its_file_and_a_damaged_one_is_told(carved, tmp_path):
    _, deviation, _ = carved
    field = HeightField(np.arange(4.0), np.arange(5.0), np.arange(20.0).reshape(4, 5))
    replace(deviation, field=field).save(tmp_path / "kept.npz")
    read = SurfaceDeviation.load(tmp_path / "kept.npz").field
    np.testing.assert_array_equal(read.height_m, field.height_m)
    np.testing.assert_array_equal(read.z_m, field.z_m)
    turned = HeightField(field.y_m[::-1], field.z_m, field.height_m)
    replace(deviation, field=turned).save(tmp_path / "turned.npz")
    with pytest.raises(StoreError, match=r"Invalid deviation file.*arrays do not fit"):
        SurfaceDeviation.load(tmp_path / "turned.npz")


def test_sections_before_and_after_differ_by_the_height_that_was_carved(solid):
    after = {section.name: section for section in solid.sections}
    assert [section.name for section in solid.before] == list(after)
    for section in solid.before:
        if section.kind == "radial":
            continue
        at = np.array([value for value in range(-60, 61, 5) if abs(value) > 20]) * 1.0
        places = np.zeros((len(at), 3))
        column = 2 if section.kind == "vertical" else 1
        places[:, column], places[:, 3 - column] = 1e-3 * at, 1e-3 * section.station
        found = changes_mm(section.profile, after[section.name].profile, at)
        clear = np.abs(np.hypot(places[:, 1], places[:, 2] - 0.02) - 0.045) > 1e-3  # of the rim
        wanted = 1e3 * height(places)
        np.testing.assert_allclose(found[clear], wanted[clear], atol=0.05)
        assert np.abs(wanted[clear]).max() > 1.0


# ------------------------------------------------------------------------ inspection as made


@pytest.fixture(scope="module")
def handed(carved, solid, tmp_path_factory):
    """A hand-off of it, and its nominal surface as a part is inspected against."""
    shape = load_shape(carved[2] / "disc.toml")
    datum = datum_of(shape, {}, 60.0)
    rows = measured_dimensions(solid, source_motions(shape, {})).rows
    folder = tmp_path_factory.mktemp("handed") / "handed"
    further = {"geometry": "disc.toml", "symbols": symbols_of(rows)}
    return write_handed(folder, datum, {}, {}, "not computed", **further), datum


def test_a_part_is_inspected_against_the_carved_surface(carved, handed):
    _, datum = handed
    assert datum.keys == ()  # no dimension makes a carved front
    lens = datum.nominal.vertices[
        np.unique(datum.nominal.triangles[datum.nominal.surface == "lens"])
    ]
    on_front = np.abs(lens[:, 0] - height(lens)) < 1e-4
    assert (on_front & (np.abs(height(lens)) > 1e-3)).sum() > 50


def inspected(handed, folder, monkeypatch, dent):
    """Inspect a scan that is invented: the surface itself, a dent in it, a scanner's noise."""
    for name in ("deviation_picture", "regions_picture"):
        monkeypatch.setattr(scanned, name, lambda *_: b"")
    faults = Faults(halvings=2, dent=dent, noise_mm=0.03, pose=False, without=("dome",))
    path = make_scan(handed[1].nominal, faults).write(folder / "part.ply")
    return inspect_scan(ScanRequest(folder=handed[0], scan=path, out=folder / "out"))


def test_a_good_carved_part_passes(handed, tmp_path, monkeypatch):
    """What the flat triangles of the datum are off by on a carved hill is no fault of a part."""
    found = inspected(handed, tmp_path, monkeypatch, None)
    assert found.verdict == "pass"
    assert not found.places
    assert found.explanation.rest_m < 3e-5


def test_a_dent_in_a_carved_part_is_named_where_it_is(handed, tmp_path, monkeypatch):
    """Invented: 1.2 mm pressed in, in a Gaussian of 14 mm, beside the hills that were carved."""
    found = inspected(handed, tmp_path, monkeypatch, ((0.0, -70.0, 0.0), 1.2, 14.0))
    assert found.verdict == "rework"
    (reason,) = found.reasons
    assert reason.startswith("fill the dent of -1.")
    (deepest,) = found.places
    np.testing.assert_allclose(deepest.centre, (0.0, -0.07, 0.0), atol=0.01)
    assert deepest.height_m == pytest.approx(-1.2e-3, rel=0.1)


def test_readings_of_a_carved_part_are_judged_by_the_symbols_of_its_drawing(handed, tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text("parameter,reading\nW,210.2\nH,161.4\n")
    width, tall = inspect_readings(handed[0], path)
    assert (width.verdict, tall.verdict) == ("pass", "re-simulate")
    assert tall.text.startswith("re-simulate with the reading")
    assert "overall height" in tall.text
    assert tall.off == pytest.approx(1.4, abs=0.05)
