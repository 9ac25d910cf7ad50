# SPDX-License-Identifier: GPL-3.0-or-later
"""`bafflelens draw` and `bafflelens shapes`: pictures, facts, page, and what is refused."""

import io
import re
import shutil
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest

from bafflelens.base.errors import GeometryError, InputError
from bafflelens.cli import main
from bafflelens.mesh.mesh import Mesh
from bafflelens.report import drawing, gallery
from bafflelens.report.shape_picture import elements_per_wavelength, mesh_picture

ROOT = Path(__file__).parents[2]
TINY = ROOT / "tests" / "jobs" / "tiny_lens.toml"
PNG = b"\x89PNG\r\n"


def wedge() -> Mesh:
    """A tetrahedron with edges of 0.1 and 0.14 m."""
    corners = np.array(((0, 0, 0), (0.1, 0, 0), (0, 0.1, 0), (0, 0, 0.1)), dtype=float)
    faces = np.array(((1, 2, 3), (0, 2, 1), (0, 1, 3), (0, 3, 2)))
    return Mesh(corners, faces, np.array(("dome", "baffle", "baffle", "cabinet")))


def test_elements_of_a_wavelength_are_counted_by_equilateral_edges():
    """An equilateral triangle of area sqrt(3) / 4 h^2 has the edge h."""
    height = np.sqrt(3) / 2
    mesh = Mesh(
        np.array(((0, 0, 0), (0, 0.01, 0), (0, 0.005, 0.01 * height))),
        np.array(((0, 1, 2),)),
        np.array(("dome",)),
    )
    assert elements_per_wavelength(mesh, 0.06) == pytest.approx([6.0])


def test_fine_triangles_are_drawn_in_another_colour_than_coarse_ones(monkeypatch):
    monkeypatch.setattr(
        "bafflelens.report.shape_picture._drawn_apart", lambda *_, **__: None
    )  # the quick way

    def shades(wavelength: float) -> set[tuple[int, ...]]:
        image = matplotlib.image.imread(io.BytesIO(mesh_picture(wedge(), (), wavelength)))
        middle = image[200:500, 200:700, :3].reshape(-1, 3)
        return {tuple((np.round(pixel * 5)).astype(int)) for pixel in middle}

    assert shades(0.15) != shades(2.0)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("drawn") / "new"
    assert main(["draw", str(TINY), "--candidate", "c002", "--out", str(folder)]) == 0
    return folder


def test_a_candidate_is_drawn_in_space_in_sections_and_as_a_mesh(drawn):
    assert {path.name for path in drawn.iterdir()} == {
        "tiny_lens_c002_space.png",
        "tiny_lens_c002_sections.svg",
        "tiny_lens_c002_mesh.png",
    }
    for ending in ("space", "mesh"):
        assert (drawn / f"tiny_lens_c002_{ending}.png").read_bytes().startswith(PNG)
    written = re.findall(r"<!-- (.*?) -->", (drawn / "tiny_lens_c002_sections.svg").read_text())
    # Depth and height of the cabinet, tweeter below the top, diameter of the dome.
    assert {"250", "400", "105", "26"} <= set(written)


def test_what_is_drawn_is_described(tmp_path, capsys, monkeypatch):
    for name in ("shape_picture", "mesh_picture"):  # the pictures are looked at above
        monkeypatch.setattr(drawing, name, lambda *_: PNG)
    assert main(["draw", str(TINY), "--candidate", "baseline", "--out", str(tmp_path)]) == 0
    printed = capsys.readouterr()
    volume = float(re.search(r"volume ([\d.]+) l", printed.out)[1])
    # The box of 210 x 400 x 250 mm less its rounded edges: 20.94 l (test_plain_baffle.py).
    assert volume == pytest.approx(20.94, abs=0.02)
    assert "dome 6.4 cm2" in printed.out  # pi (13^2 + 6^2) mm^2
    assert "for 3981 Hz (the kept half)" in printed.out
    assert "100%  mesh drawn, 0 s left" in printed.err


def test_an_unknown_candidate_is_refused(tmp_path, capsys):
    assert main(["draw", str(TINY), "--candidate", "c009", "--out", str(tmp_path)]) == 2
    message = "Invalid option '--candidate' 'c009'. Must be 'baseline', or a candidate of this "
    assert message + "job up to 'c002'." in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_a_folder_that_cannot_be_made_is_refused(tmp_path):
    taken = tmp_path / "taken"
    taken.write_text("a file")
    empty = drawing.Drawing(pictures={"space.png": b""}, solid=None)
    with pytest.raises(
        InputError, match=r"Invalid option '--out' .*taken'. Must be a folder that"
    ):
        drawing.write_drawing(empty, taken, "x")


def test_shapes_are_listed_and_shown_on_a_page(tmp_path, capsys):
    shutil.copy(ROOT / "geometries" / "two_tweeters.py", tmp_path)
    broken = (ROOT / "geometries" / "plain_baffle.py").read_text()
    broken = broken.replace("occ = model.occ", "occ = model.nothing", 1)
    (tmp_path / "broken.py").write_text(broken)
    page = tmp_path / "page.html"
    assert main(["shapes", str(tmp_path), "--page", str(page)]) == 0
    printed = capsys.readouterr().out
    assert re.search(r"^two_tweeters +Two tweeters: two domes, one above the other", printed, re.M)
    text = page.read_text()
    assert text.count("data:image/png;base64,") == 2  # thumbnail and picture
    assert "20.9" in text
    assert "pair.spacing_mm" in text
    assert "Invalid shape &#39;broken&#39;" in text  # told, and the others are shown
    assert not re.search(r"""(src|href)=["'](?!data:|#)""", text)


def test_a_folder_without_scripts_is_refused(tmp_path):
    with pytest.raises(
        InputError, match=r"Invalid folder of shapes .* Must be a folder that holds"
    ):
        gallery.collect_shapes(tmp_path)


def test_a_script_that_does_not_load_is_refused(tmp_path):
    (tmp_path / "bad.py").write_text("x = 1")
    with pytest.raises(GeometryError, match="without 'Parameters"):
        gallery.collect_shapes(tmp_path)
