# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes and fields through meshio: round trips, viewers' files, what cannot be read.

That a mesh written by gmsh itself and one by this program radiate alike is in
`tests/physics/test_files_radiate_alike.py`.
"""

import meshio
import numpy as np
import pytest
from bodies import capped_sphere

from bafflelens import store
from bafflelens.base.errors import InputError, StoreError
from bafflelens.bem.surface_pressure import SurfacePressure
from bafflelens.cli import main
from bafflelens.mesh.files import level_and_phase, read_mesh, write_mesh

BALL = capped_sphere(0.3, np.radians(30))


@pytest.mark.parametrize("ending", [".vtu", ".msh", ".xdmf"])
def test_a_mesh_comes_back_with_its_surfaces(tmp_path, ending):
    path = tmp_path / f"ball{ending}"
    write_mesh(path, BALL)
    found = read_mesh(path)
    assert found.volume == pytest.approx(BALL.volume, rel=1e-12)
    assert sorted(found.surface) == sorted(BALL.surface)
    for name in np.unique(BALL.surface):
        area = found.areas[found.surface == name].sum()
        assert area == pytest.approx(BALL.areas[BALL.surface == name].sum(), rel=1e-12)
    found.require_closed(())


@pytest.mark.parametrize("ending", [".stl", ".ply"])
def test_plain_triangles_come_back_closed(tmp_path, ending):
    """STL keeps three vertices of its own a triangle, in single precision."""
    write_mesh(tmp_path / f"ball{ending}", BALL)
    found = read_mesh(tmp_path / f"ball{ending}")
    found.require_closed(())
    assert found.volume == pytest.approx(BALL.volume, rel=1e-6)
    assert set(found.surface) == {"1"}


def test_fields_can_be_coloured(tmp_path):
    pressure = np.exp(1j * np.linspace(0, 1, BALL.n_triangles)) * 0.02
    write_mesh(tmp_path / "ball.vtu", BALL, level_and_phase("tweeter 1000 Hz pressure", pressure))
    data = meshio.read(tmp_path / "ball.vtu").cell_data
    assert all(np.isrealobj(blocks[0]) for blocks in data.values())
    level = data["tweeter 1000 Hz pressure level dB re 20 uPa"][0]
    np.testing.assert_allclose(level, 60.0, atol=1e-9)
    phase = data["tweeter 1000 Hz pressure phase deg"][0]
    np.testing.assert_allclose(phase, np.degrees(np.linspace(0, 1, BALL.n_triangles)), atol=1e-9)


def test_nothing_is_overwritten_and_no_ending_guessed(tmp_path):
    path = tmp_path / "ball.vtu"
    write_mesh(path, BALL)
    with pytest.raises(StoreError, match=r"Invalid file '.*ball\.vtu'. Must be a new name"):
        write_mesh(path, BALL)
    with pytest.raises(InputError, match=r"Invalid ending of the file's name '\.docx'. Must be"):
        write_mesh(tmp_path / "ball.docx", BALL)
    with pytest.raises(InputError, match=r"Invalid ending of the file's name '\.stl'. Must be"):
        write_mesh(tmp_path / "ball.stl", BALL, {"level dB": np.zeros(BALL.n_triangles)})
    assert [found.name for found in tmp_path.iterdir()] == ["ball.vtu"]


def test_what_is_no_triangle_mesh_is_one_clear_error(tmp_path):
    with pytest.raises(InputError, match=r"Invalid mesh file '.*none\.vtu'. Must be an existing"):
        read_mesh(tmp_path / "none.vtu")
    broken = tmp_path / "broken.vtu"
    broken.write_text("<VTKFile>")
    with pytest.raises(InputError, match=r"Invalid mesh file '.*broken\.vtu'. Must be a triangle"):
        read_mesh(broken)
    quads = tmp_path / "quads.vtu"
    points = [[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]]
    meshio.Mesh(points, [("quad", [[0, 1, 2, 3]])]).write(quads)
    with pytest.raises(InputError, match=r"its cells are: quad"):
        read_mesh(quads)
    lines = tmp_path / "lines.vtu"
    meshio.Mesh(points, [("line", [[0, 1]])]).write(lines)
    with pytest.raises(InputError, match=r"its cells are: none"):
        read_mesh(lines)


@pytest.fixture
def kept(finished_run):
    """Return a run with a surface pressure kept of its first candidate, in two bands."""
    folder = store.open_run(finished_run)
    mesh = folder.load_mesh("c001")
    for number, frequencies in enumerate(([2000.0, 2500.0], [3000.0, 4000.0])):
        shape = (1, len(frequencies), mesh.n_triangles)
        pressure = np.ones(shape, dtype=np.complex64) * np.array(frequencies)[:, np.newaxis] * 1e-3
        folder.save_surface(
            "c001",
            number,
            SurfacePressure(
                mesh=mesh,
                symmetry=("y",),
                sound_speed=343.0,
                frequencies_hz=np.array(frequencies),
                pressure=pressure.astype(np.complex64),
                gradient=np.ones(shape, dtype=np.complex64),
            ),
        )
    return folder


def test_a_candidate_is_exported_whole_with_its_pressure(kept, tmp_path, capsys):
    half = kept.load_mesh("c001").n_triangles
    out = tmp_path / "shape.vtu"
    assert main(["export", str(kept.path), "c001", "--mesh", str(out), "--hz", "2400"]) == 0
    assert f"exported: {out}" in capsys.readouterr().out
    data = meshio.read(out)
    assert sum(len(block.data) for block in data.cells) == 2 * half
    np.testing.assert_allclose(
        data.cell_data["tweeter 2500 Hz pressure real Pa"][0], 2.5, rtol=1e-3
    )
    # dp/dn = i omega rho v: 1 Pa/m is a velocity a quarter of a period behind
    velocity = data.cell_data["tweeter 2500 Hz velocity imaginary m/s"][0]
    density = kept.load_job().job.air.medium.density
    np.testing.assert_allclose(velocity, -1 / (2 * np.pi * 2500 * density), rtol=1e-3)


def test_frequencies_of_two_meshes_go_to_two_files(kept, tmp_path):
    asked = ["--hz", "2000", "--hz", "2500", "--hz", "9000"]
    out = str(tmp_path / "shape.vtu")
    assert main(["export", str(kept.path), "c001", "--mesh", out, *asked]) == 0
    names = sorted(path.name for path in tmp_path.glob("*.vtu"))
    assert names == ["shape_2500hz.vtu", "shape_4000hz.vtu"]
    first = meshio.read(tmp_path / "shape_2500hz.vtu").cell_data
    assert {name.split(" Hz")[0] for name in first if " Hz" in name} == {
        "tweeter 2000",
        "tweeter 2500",
    }


def test_faults_of_an_export_are_one_line(kept, tmp_path, capsys):
    def fault(*words):
        assert main(["export", str(kept.path), *words]) == 2
        return capsys.readouterr().err

    mesh = str(tmp_path / "a.vtu")
    assert "Invalid candidate 'c900'. Must be one that the run" in fault("c900", "--mesh", mesh)
    assert "Must be one of '--out' (directivities) and" in fault("c001")
    assert "Must be given with '--mesh'" in fault("c001", "--out", "x", "--hz", "100")
    assert "Must be one, with '--mesh'" in fault("all", "--mesh", mesh)
    assert "Must be over 0 Hz" in fault("c001", "--mesh", mesh, "--hz", "-5")
    assert "surface pressure was kept" in fault("c002", "--mesh", mesh, "--hz", "2000")
    assert not list(tmp_path.glob("*.vtu"))
