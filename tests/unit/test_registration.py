# SPDX-License-Identifier: GPL-3.0-or-later
"""Poses: found from the shape alone or from marks; mirror images and ambiguity are named."""

import numpy as np
import pytest
from bodies import blocks, box
from scans import Faults, make_scan
from scipy.spatial.transform import Rotation

from bafflelens.base.errors import GeometryError
from bafflelens.mockup.scan.marks import read_marks
from bafflelens.mockup.scan.registration import pose_from_marks, refined, register
from bafflelens.mockup.scan.repair import Scan


def silent(amount, text=""):
    pass


@pytest.fixture(scope="module")
def chair():
    """A chair-like body, left and right not the same: 240 x 320 x 400 mm in cells of 20 mm."""
    filled = np.ones((12, 16, 20), dtype=bool)
    filled[6:, :, 10:] = False
    filled[6:, 12:, 6:] = False
    lines = [np.arange(n + 1) * 0.02 - n * 0.01 for n in filled.shape]
    return blocks(*lines, filled)


def scan_of(mesh, **faults):
    made = make_scan(mesh, Faults(scale=1.0, **faults))
    return Scan(made.vertices, made.triangles), made


def pose_error(mesh, made, pose):
    """Largest error over the body in mm, and error of the angle in degrees."""
    placed = (mesh.vertices - made.shift_m) @ made.rotation @ pose.rotation.T + pose.shift
    turn = Rotation.from_matrix(pose.rotation @ made.rotation.T).magnitude()
    return np.linalg.norm(placed - mesh.vertices, axis=1).max() * 1e3, np.degrees(turn)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_noisy_dented_scan_finds_its_pose(chair, seed):
    dent = ((-120.0, 40.0, 40.0), 3.0, 40.0)
    scan, made = scan_of(chair, seed=seed, halvings=1, noise_mm=0.2, dent=dent)
    error_mm, error_deg = pose_error(chair, made, register(scan, chair, silent))
    assert error_mm < 0.2
    assert error_deg < 0.2


def test_a_scan_of_the_front_alone_finds_its_pose(chair):
    scan, made = scan_of(chair, halvings=1, seed=5, noise_mm=0.2, front_only_mm=50)
    pose = register(scan, chair, silent)
    error_mm, error_deg = pose_error(chair, made, pose)
    assert error_mm < 0.2
    assert error_deg < 0.2
    assert 1e-4 < pose.rms_m < 2e-4  # the noise along the normals, a little trimmed
    assert pose.kept_share > 0.9


def test_a_mirror_image_is_named(chair):
    scan, _ = scan_of(chair, mirrored=True)
    with pytest.raises(GeometryError, match=r"scan 'a mirror image'\. Must be the clay itself"):
        register(scan, chair, silent)


def test_another_shape_is_refused(chair):
    scan, _ = scan_of(box((0.24, 0.32, 0.2), (12, 16, 10)))
    with pytest.raises(GeometryError, match=r"mm off the nominal shape .*Must be within 3 mm"):
        register(scan, chair, silent)


def test_a_shape_that_fits_in_several_poses_needs_marks():
    brick = box((0.2, 0.3, 0.4), (10, 15, 20))
    scan, _ = scan_of(brick)
    with pytest.raises(GeometryError, match=r"'two poses 1[78]\d degrees apart .*three marks"):
        register(scan, brick, silent)


# ------------------------------------------------------------------------------------ marks

PLACES_MM = {"left": (-120, 100, 100), "right": (-120, -90, 80), "foot": (0, 20, -200)}


@pytest.fixture
def write_marks(tmp_path):
    """Return a function that writes marks as they are on a scan, in mm."""

    def write(made, off_mm=0.0, names=tuple(PLACES_MM)):
        lines = []
        for number, name in enumerate(names):
            place = np.array(PLACES_MM[name]) * 1e-3
            found = (place - made.shift_m) @ made.rotation * 1e3
            found[number % 3] += off_mm
            lines.append(
                f'[[marks]]\nname = "{name}"\nscan = {found.tolist()}\n'
                f"nominal_mm = {list(PLACES_MM[name])}\n"
            )
        path = tmp_path / "marks.toml"
        path.write_text("\n".join(lines))
        return path

    return write


def test_three_marks_tell_the_pose(chair, write_marks):
    scan, made = scan_of(chair, seed=7)
    marks = read_marks(write_marks(made), 1e-3)
    pose = pose_from_marks([(m.scan, m.nominal) for m in marks], scan, chair)
    error_mm, error_deg = pose_error(chair, made, pose)
    assert error_mm < 1e-6
    assert error_deg < 1e-6
    assert pose.median_m < 1e-9


def test_sloppy_marks_are_refined_by_the_shape(chair, write_marks):
    scan, made = scan_of(chair, seed=8, noise_mm=0.1, halvings=1)
    marks = read_marks(write_marks(made, off_mm=1.0), 1e-3)
    rough = pose_from_marks([(m.scan, m.nominal) for m in marks], scan, chair)
    assert pose_error(chair, made, rough)[0] > 0.3
    assert pose_error(chair, made, refined(rough, scan, chair))[0] < 0.1


def test_marks_in_the_wrong_unit_are_told_by_their_distances(chair, write_marks):
    _, made = scan_of(chair)
    with pytest.raises(GeometryError, match=r"'left to right, 485\d.* mm on the scan'\. Must"):
        read_marks(write_marks(made), 0.0254)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("", "", r"marks\.toml' with '2'\. Must be at least three marks"),
        ("[[marks]]", "[[points]]", r"Must be tables \[\[marks\]\] and nothing else"),
        ("nominal_mm", "nominal", r"mark '.*'\. Must be name, scan = \[x, y, z\] and nominal_mm"),
        ("[-120, 100, 100]", '["a", 0, 0]', r"Must be name, scan = "),
        ("[-120, 100, 100]", "[0, 0]", r"Must be name, scan = "),
        ("name = ", "name ", r"file of marks '.*'\. Must be valid TOML"),
    ],
)
def test_faults_of_the_marks_are_told(chair, write_marks, old, new, message):
    _, made = scan_of(chair)
    path = write_marks(made, names=("left", "right"))
    path.write_text(path.read_text().replace(old, new) if old else path.read_text())
    with pytest.raises(GeometryError, match=message):
        read_marks(path, 1e-3)


def test_marks_on_a_line_and_missing_files_are_told(chair, tmp_path):
    path = tmp_path / "marks.toml"
    path.write_text(
        "".join(
            f'[[marks]]\nname = "m{n}"\nscan = [{n}, 0, 0]\nnominal_mm = [{n}, 0, 0]\n'
            for n in (0, 50, 100)
        )
    )
    with pytest.raises(GeometryError, match=r"on '0\.0 mm'\. Must be at least 20 mm wide"):
        read_marks(path, 1e-3)
    with pytest.raises(GeometryError, match=r"readable TOML file \(No such file"):
        read_marks(tmp_path / "none.toml", 1e-3)
