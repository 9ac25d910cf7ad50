# SPDX-License-Identifier: GPL-3.0-or-later
"""Scanner's files: what is read, what is mended and counted, what is refused."""

import numpy as np
import pytest
from bodies import icosphere
from scans import Faults, make_scan

from bafflelens.base.errors import GeometryError
from bafflelens.mockup.scan.repair import Scan, read_scan, repair

SPHERE = icosphere(12)  # of 1 m, 2880 triangles of about 9 cm


@pytest.fixture
def taken(tmp_path):
    """Return a function that makes a scan of the sphere with faults, reads and repairs it."""

    def take(ending=".stl", **faults):
        path = make_scan(SPHERE, Faults(pose=False, **faults)).write(tmp_path / f"ball{ending}")
        return repair(path, read_scan(path, 1e-3))

    return take


@pytest.mark.parametrize("ending", [".stl", ".ply", ".obj"])
def test_a_sound_file_comes_through_in_metres(taken, ending):
    scan, repairs = taken(ending)
    assert len(scan.triangles) == SPHERE.n_triangles
    np.testing.assert_allclose(np.linalg.norm(scan.vertices, axis=1), 1.0, atol=0.02)
    assert (repairs.spikes, repairs.islands, repairs.turned, repairs.holes) == (0, 0, 0, ())
    assert repairs.closed
    assert (repairs.merged > 0) == (ending == ".stl")  # only STL repeats its vertices
    assert (scan.vertex_normals * scan.vertices).sum(axis=1).min() > 0.98
    assert scan.vertex_areas.sum() == pytest.approx(SPHERE.areas.sum(), rel=1e-6)


def test_a_library_s_traceback_is_not_the_user_s(tmp_path, caplog):
    """Normals that are no numbers: the triangles are there all the same."""
    path = tmp_path / "ball.stl"
    corners = "".join(f"vertex {point}\n" for point in ("0 0 0", "9 0 0", "0 9 0"))
    facet = f"facet normal 0 zz 0\nouter loop\n{corners}endloop\nendfacet\n"
    path.write_text(f"solid ball\n{facet}endsolid ball\n")
    assert len(read_scan(path, 1e-3).triangles) == 1
    assert not caplog.records


def test_a_scan_that_is_too_large_is_refused(tmp_path, monkeypatch):
    path = tmp_path / "ball.stl"
    path.write_bytes(b"solid" * 30)
    monkeypatch.setattr("bafflelens.mockup.scan.repair.LARGEST_FILE", 100)
    with pytest.raises(GeometryError, match=r"Invalid scan '.*ball.stl'. Must be no larger than"):
        read_scan(path, 1e-3)


def test_an_inside_out_scan_is_turned(taken):
    scan, repairs = taken(inside_out=True)
    assert repairs.turned == SPHERE.n_triangles
    assert (scan.vertex_normals * scan.vertices).sum(axis=1).min() > 0.98


def test_spikes_and_loose_pieces_are_removed_and_counted(taken):
    made = make_scan(SPHERE, Faults(pose=False))
    vertices = made.vertices.copy() / 1000
    chosen = [5, 100, 400, 900]
    vertices[chosen] *= 1.4
    far = np.array([[3.0, 0, 0], [3.1, 0, 0], [3.0, 0.1, 0]])
    triangles = np.concatenate((made.triangles, [np.arange(3) + len(vertices)]))
    scan, repairs = repair("x.stl", Scan(np.concatenate((vertices, far)), triangles))
    assert (repairs.spikes, repairs.islands) == (4, 1)
    assert np.linalg.norm(scan.vertices, axis=1).max() < 1.05
    assert len(repairs.holes) == 4


def test_holes_are_listed_the_largest_first(taken):
    _, repairs = taken(holes=(((1000, 0, 0), 300), ((0, 1000, 0), 500)))
    assert not repairs.closed
    large, small = repairs.holes
    assert large.width_m > small.width_m
    np.testing.assert_allclose(large.centre / np.linalg.norm(large.centre), (0, 1, 0), atol=0.06)


def test_bad_triangles_and_vertices_are_dropped_and_counted():
    made = make_scan(SPHERE, Faults(pose=False))
    vertices = np.concatenate((made.vertices, [[np.nan, 0, 0]]))
    bad = [[0, 0, 1], [0, 1, len(vertices) - 1], made.triangles[7], made.triangles[9][::-1]]
    scan, repairs = repair("x.stl", Scan(vertices, np.concatenate((made.triangles, bad))))
    assert (repairs.broken, repairs.doubled) == (2, 2)
    assert len(scan.triangles) == SPHERE.n_triangles


def test_single_triangles_that_face_inwards_are_turned():
    made = make_scan(SPHERE, Faults(pose=False))
    triangles = made.triangles.copy()
    triangles[:40] = triangles[:40, ::-1]
    scan, repairs = repair("x.stl", Scan(made.vertices, triangles))
    assert repairs.turned == 40
    assert (scan.vertex_normals * scan.vertices).sum(axis=1).min() > 0


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("clay.stl", b"", "clay.stl'. Must be a file that is not empty"),
        ("clay.step", b"ISO", "Must be one of the formats STL, PLY and OBJ"),
        ("clay.stl", b"these are no triangles, but some words\n" * 20, "readable STL file"),
        ("clay.stl", bytes(range(256)) * 8, "readable STL file"),
        ("clay.ply", b"ply\nformat ascii 1.0\nelement vertex 9\n", "readable PLY file"),
        ("clay.obj", b"\x00\xff\xfe garbage", "scan '.*clay.obj"),
        ("clay.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\n", "scan '.*clay.obj"),
        (
            "clay.ply",
            b"ply\nformat ascii 1.0\nelement vertex 2\nproperty float x\nproperty float y\n"
            b"property float z\nend_header\n0 0 0\n1 1 1\n",
            "with '2 points and no triangles'. Must be a surface of triangles",
        ),
    ],
)
def test_files_that_are_no_surface_are_refused(tmp_path, name, content, message):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(GeometryError, match=message) as caught:
        read_scan(path, 1e-3)
    assert len(caught.value.faults) == 1
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(GeometryError, match=r"readable file \(No such file"):
        read_scan(tmp_path / "none.stl", 1.0)


def test_triangles_without_area_are_no_surface():
    points = np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0]])
    with pytest.raises(GeometryError, match=r"x\.stl' with '1 empty triangles'"):
        repair("x.stl", Scan(points, np.array([[0, 1, 2]])))


def test_flat_parts_that_were_thinned_out_get_points_again():
    from bodies import box

    brick = box((0.2, 0.3, 0.4), (1, 1, 1))
    thin = Scan(brick.vertices, brick.triangles)
    dense = thin.divided(0.02)
    edges = np.linalg.norm(dense.corners - np.roll(dense.corners, -1, axis=1), axis=2)
    assert edges.max() <= 0.02
    assert dense.vertex_areas.sum() == pytest.approx(brick.areas.sum())
    assert len(np.unique(dense.vertices, axis=0)) == len(dense.vertices)
    flat = np.abs(dense.vertices[:, 0]) < 0.099
    flat &= (np.abs(dense.vertices[:, 1]) < 0.149) & (np.abs(dense.vertices[:, 2]) > 0.199)
    along = dense.vertex_normals[flat, 2] * np.sign(dense.vertices[flat, 2])
    np.testing.assert_allclose(along, 1.0)
    assert dense.divided(0.02) is dense
