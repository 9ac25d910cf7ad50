# SPDX-License-Identifier: GPL-3.0-or-later
"""Geometry scripts: loading, checking and meshing, and what is said when it goes wrong."""

import os
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from bafflelens.base.errors import GeometryError, MeshingError
from bafflelens.mesh.quality import MeshSize
from bafflelens.shapes.meshing.geometry import mesh_shape, require_gmsh
from bafflelens.shapes.meshing.loading import check_parameters, load_script, load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

COARSE = MeshSize(
    source_size_m=0.03, growth=2.0, growth_distance_m=0.2, largest_m=0.04, curvature_elements=16
)
FINE = MeshSize(
    source_size_m=0.01, growth=2.0, growth_distance_m=0.2, largest_m=0.04, curvature_elements=16
)
TIME_LIMIT_S = 60.0

BALL = '''
"""Ball: an eighth of a sphere that breathes."""
import math
from dataclasses import dataclass, field

SYMMETRY = ("x", "y", "z")


@dataclass(frozen=True)
class Ball:
    radius_mm: float = field(
        default=100.0, metadata={"unit": "mm", "range": (20.0, 200.0), "help": "radius"}
    )
    loudness_mm: float = field(
        default=1.0, metadata={"unit": "mm", "range": (0.0, 200.0), "help": "stroke"}
    )


@dataclass(frozen=True)
class Parameters:
    ball: Ball = field(default_factory=Ball)


def check(parameters):
    radius, stroke = parameters.ball.radius_mm, parameters.ball.loudness_mm
    if stroke > radius:
        return [f"Invalid stroke '{stroke:g} mm'. Must be at most the radius, {radius:g} mm."]
    return []


def build(model, parameters):
    radius = parameters.ball.radius_mm / 1000
    model.occ.addSphere(0, 0, 0, radius, angle1=0, angle3=math.pi / 2)
    model.occ.synchronize()
    faces = [f for _, f in model.getEntities(2) if model.getType(2, f) == "Sphere"]
    model.addPhysicalGroup(2, faces, name="dome")


def sources(parameters):
    return [
        {
            "name": "ball",
            "axis": (1, 0, 0),
            "centre": (0, 0, 0),
            "piston_surfaces": ["dome"],
            "taper_surfaces": [],
            "inner_radius_m": 1,
            "outer_radius_m": 1,
        }
    ]
'''


@pytest.fixture
def script(tmp_path):
    """Return a function that writes the ball's script, with some text replaced."""

    def write(old: str = "", new: str = "", name: str = "ball.py") -> Path:
        assert old in BALL
        path = tmp_path / name
        path.write_text(BALL.replace(old, new) if old else BALL)
        return path

    return write


def test_a_shape_lists_its_parameters(script):
    shape = load_shape(script())
    assert (shape.name, shape.summary) == ("ball", "Ball: an eighth of a sphere that breathes.")
    assert shape.symmetry == ("x", "y", "z")
    assert shape.defaults == {"ball.radius_mm": 100.0, "ball.loudness_mm": 1.0}
    radius = shape.parameters[0]
    assert (radius.unit, radius.low, radius.high, radius.help) == ("mm", 20.0, 200.0, "radius")


def test_loading_leaves_nothing_behind(script, tmp_path):
    before = set(sys.modules)
    load_shape(script())
    assert {name for name in set(sys.modules) - before if "script" in name} == set()
    assert [path.name for path in tmp_path.iterdir()] == ["ball.py"]


def test_an_edited_script_is_read_anew(script):
    path = script()
    assert load_shape(path).defaults["ball.radius_mm"] == 100.0
    changed = script("default=100.0", "default=120.0")  # same length, perhaps the same second
    assert load_shape(changed).defaults["ball.radius_mm"] == 120.0


def test_a_script_is_executed_once_for_all_candidates(script):
    path = script()
    first = load_script(path)
    assert load_script(path) is first
    assert load_script(script("default=100.0", "default=120.0")) is not first


def test_values_in_range_have_no_faults(script):
    shape = load_shape(script())
    assert check_parameters(shape, {}) == []
    assert check_parameters(shape, {"ball.radius_mm": 20, "ball.loudness_mm": 2.5}) == []


def test_all_faults_are_listed_together(script):
    faults = check_parameters(
        load_shape(script()),
        {"ball.raduis_mm": 1.0, "ball.radius_mm": 300.0, "ball.loudness_mm": "loud"},
    )
    assert faults == [
        "Invalid parameter 'ball.raduis_mm'. Must be a parameter of ball: "
        "perhaps 'ball.radius_mm'.",
        "Invalid parameter 'ball.radius_mm' '300 mm'. Must be from 20 to 200 mm.",
        "Invalid parameter 'ball.loudness_mm' 'loud'. Must be a number from 0 to 200 mm.",
    ]


@pytest.mark.parametrize("value", [True, None, float("nan"), float("inf"), [1.0]])
def test_a_value_that_is_no_finite_number_is_refused(script, value):
    faults = check_parameters(load_shape(script()), {"ball.radius_mm": value})
    assert len(faults) == 1
    assert "from 20 to 200 mm" in faults[0]


def test_a_key_unlike_any_other_gets_the_whole_list(script):
    faults = check_parameters(load_shape(script()), {"zzz": 1.0})
    assert faults == [
        "Invalid parameter 'zzz'. Must be a parameter of ball: "
        "one of ball.radius_mm, ball.loudness_mm."
    ]


def test_the_rules_of_the_script_are_checked(script):
    faults = check_parameters(load_shape(script()), {"ball.loudness_mm": 150.0})
    assert faults == ["Invalid stroke '150 mm'. Must be at most the radius, 100 mm."]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("SYMMETRY = (", "SYMMETRY = ((", r"ball\.py, line \d+: Invalid geometry script 'Syntax"),
        ("import math", "import maths", r"ball\.py, line 3: .*'ModuleNotFoundError: No module"),
        ("import math", "1 / 0", r"ball\.py, line 3: .*'ZeroDivisionError: division by zero'"),
        ("import math", "raise SystemExit", r"ball\.py, line 3: .*'SystemExit:'"),
        ("def sources", "def noises", r"'.*ball\.py' without 'sources'\. Must be a script that"),
        ('SYMMETRY = ("x", "y", "z")', 'SYMMETRY = "y"', r"SYMMETRY 'y'\. Must be a tuple of"),
        ('("x", "y", "z")', '("w",)', r"Invalid SYMMETRY '\('w',\)'\. Must be a tuple of"),
        (
            '"""Ball: an eighth of a sphere that breathes."""',
            "",
            r"Invalid docstring ''\. Must be a line that says what the shape is",
        ),
        ('"help": "radius"', "", r"parameter 'ball\.radius_mm'\. Must be a number with metadata"),
        ("default=100.0", "default=10.0", r"default of 'ball\.radius_mm' '10'\. Must be in its"),
        ("default=100.0", "default='big'", r"Invalid parameter 'ball\.radius_mm'\. Must be a num"),
        (
            "ball: Ball = field(default_factory=Ball)",
            "ball: Ball",
            r"ball\.py: Invalid geometry script 'TypeError: .*missing 1 required",
        ),
    ],
)
def test_a_broken_script_is_one_clear_line(script, old, new, message):
    with pytest.raises(GeometryError, match=message) as caught:
        load_shape(script(old, new))
    assert len(caught.value.faults) == 1
    assert "\n" not in str(caught.value)


def test_a_missing_script_is_one_clear_line(tmp_path):
    with pytest.raises(GeometryError, match=r"'.*none\.py'\. Must be an existing Python file"):
        load_shape(tmp_path / "none.py")


def test_a_rule_that_fails_itself_is_named_by_its_line(script):
    shape = load_shape(script("if stroke > radius", "if stroke > raduis"))
    with pytest.raises(GeometryError, match=r"ball\.py, line 26: .*NameError: name 'raduis'"):
        check_parameters(shape, {})


def test_motions_are_read(script):
    (motion,) = source_motions(load_shape(script()), {})
    assert (motion.name, motion.axis, motion.piston_surfaces) == ("ball", (1, 0, 0), ("dome",))


@pytest.mark.parametrize(
    ("old", "new"), [('"axis": (1, 0, 0),', ""), ('"axis": (1, 0, 0)', '"axis": (1, 0)')]
)
def test_incomplete_motions_are_one_clear_line(script, old, new):
    with pytest.raises(GeometryError, match=r"ball\.py: Invalid result of sources\(\) '"):
        source_motions(load_shape(script(old, new)), {})


def test_an_octant_of_a_sphere_is_meshed_at_two_sizes(script):
    coarse, fine = mesh_shape(
        load_shape(script()), {"ball.radius_mm": 90.0}, [COARSE, FINE], TIME_LIMIT_S
    )
    exact = 4 / 3 * np.pi * 0.09**3 / 8
    assert coarse.n_triangles < fine.n_triangles
    for mesh, error in ((coarse, 0.06), (fine, 0.01)):
        assert exact * (1 - error) < mesh.volume < exact  # inscribed
        assert set(mesh.surface) == {"dome"}
        np.testing.assert_allclose(np.linalg.norm(mesh.vertices, axis=1), 0.09, rtol=1e-6)
        assert (mesh.normals * mesh.centroids).sum(axis=1).min() > 0
        for axis in range(3):
            small = np.abs(mesh.vertices[:, axis]) < 1e-4
            assert small.any()
            assert np.all(mesh.vertices[small, axis] == 0.0)


def test_edges_have_the_size_that_is_asked_for(script):
    (mesh,) = mesh_shape(load_shape(script()), {}, [FINE], TIME_LIMIT_S)
    assert np.median(mesh.longest_edges) == pytest.approx(FINE.source_size_m, rel=0.2)


def test_values_that_break_a_rule_are_not_meshed(script):
    with pytest.raises(GeometryError, match="Must be at most the radius, 100 mm"):
        mesh_shape(load_shape(script()), {"ball.loudness_mm": 150.0}, [COARSE], TIME_LIMIT_S)


BUILD = "    radius = parameters.ball.radius_mm / 1000\n"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            BUILD,
            "    raise RuntimeError('no such shape')\n",
            r"ball\.py, line 32: Invalid shape 'ball'.*it says: no such shape\.$",
        ),
        (BUILD, "    radius = -1.0\n", r"shape 'ball'\. Must be one that gmsh can build and mesh"),
        (
            BUILD,
            BUILD + "    model.occ.fillet([99], [1], [1])\n",
            "says: Unknown .* curve with tag 1",
        ),
        (
            '== "Sphere"',
            '!= "Sphere"',
            "gmsh can build and mesh; it says: Invalid mesh: .* edges",
        ),
        ('faces, name="dome"', "faces", r"result of build\(\) 'no names'\. Must be named"),
        ('name="dome"', 'name="skin"', r"source surface 'dome'\. Must be .*build\(\) names"),
        (BUILD, "    import os; os.abort()\n", r"the mesher ended with signal 6 \(Aborted\)"),
        (BUILD, "    raise SystemExit('enough')\n", "ended with exit code 1, last words: enough"),
    ],
)
def test_a_shape_that_cannot_be_meshed_is_one_clear_line(script, old, new, message):
    with pytest.raises(MeshingError, match=message) as caught:
        mesh_shape(load_shape(script(old, new)), {}, [COARSE], TIME_LIMIT_S)
    assert "\n" not in str(caught.value)


def test_a_surface_that_crosses_itself_is_refused(script):
    """Two balls that overlap without being made one: each is closed and faces outwards."""
    octant = "    model.occ.addSphere(0, 0, 0, radius, angle1=0, angle3=math.pi / 2)\n"
    path = script(
        octant,
        "    for x in (0, 0.08):\n        model.occ.addSphere(x, x / 4, 0, radius)\n",
    )
    path.write_text(path.read_text().replace('("x", "y", "z")', "()"))
    message = (
        r"Invalid mesh '\d+ pairs of triangles that cross, the first at .* mm'. Must be a surf"
    )
    with pytest.raises(MeshingError, match=message):
        mesh_shape(load_shape(path), {}, [COARSE], TIME_LIMIT_S)


def test_a_surface_with_a_strange_name_is_refused(script):
    path = script('name="dome"', 'name="skin"')
    path.write_text(path.read_text().replace('["dome"]', '["skin"]'))
    with pytest.raises(MeshingError, match=r"Invalid surface 'skin'\. Must be one of dome, surr"):
        mesh_shape(load_shape(path), {}, [COARSE], TIME_LIMIT_S)


def test_a_script_that_hangs_is_killed(script, tmp_path):
    note = tmp_path / "pid"
    code = (
        f"    import os, pathlib; pathlib.Path({str(note)!r}).write_text(str(os.getpid()))\n"
        "    import time; time.sleep(60)\n"
    )
    shape = load_shape(script(BUILD, code))
    start = time.monotonic()
    with pytest.raises(MeshingError, match=r"mesher ended with the time limit of 4 s"):
        mesh_shape(shape, {}, [COARSE], 4.0)
    assert time.monotonic() - start < 20
    with pytest.raises(ProcessLookupError):
        os.kill(int(note.read_text()), 0)


@pytest.fixture
def gmsh_without_libraries(tmp_path, monkeypatch):
    folder = tmp_path / "broken_gmsh"
    folder.mkdir()
    (folder / "gmsh.py").write_text(
        "raise OSError('libGLU.so.1: cannot open shared object file: No such file')"
    )
    monkeypatch.setenv("PYTHONPATH", str(folder))
    monkeypatch.syspath_prepend(folder)
    monkeypatch.delitem(sys.modules, "gmsh", raising=False)


MISSING = r"Invalid installation 'gmsh'\. .*libGLU\.so\.1.*apt-get install .*libglu1-mesa"


@pytest.mark.usefixtures("gmsh_without_libraries")
def test_missing_system_libraries_come_with_the_command_that_installs_them(script):
    with pytest.raises(MeshingError, match=MISSING):
        require_gmsh()
    with pytest.raises(MeshingError, match=MISSING):
        mesh_shape(load_shape(script()), {}, [COARSE], TIME_LIMIT_S)
    with pytest.raises(MeshingError, match=MISSING):
        load_shape(script("import math", "import math, gmsh"))


def test_gmsh_is_complete_here():
    require_gmsh()
