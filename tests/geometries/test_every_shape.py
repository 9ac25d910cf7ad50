# SPDX-License-Identifier: GPL-3.0-or-later
"""Every script in geometries/ keeps the contract of geometries/README.md."""

import functools
import inspect
import subprocess
import sys

import numpy as np
import pytest

from bafflelens.base.medium import Air
from bafflelens.mesh.quality import mesh_size
from bafflelens.mesh.source_motion import normal_velocity
from bafflelens.mesh.surface_names import surface_kind
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import check_parameters, load_script, load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

from .conftest import GEOMETRIES, TIME_LIMIT_S, size

SCRIPTS = sorted(GEOMETRIES.glob("*.py"))

NEEDING_NOTHING = "plain_baffle", "vertical_lens"
"""Those that stand alone without the blocks of `bafflelens.shapes`."""

every_shape = pytest.mark.parametrize("script", SCRIPTS, ids=[path.stem for path in SCRIPTS])


@functools.cache
def default_meshes(script):
    """Return a mesh as for a draft at 1 kHz, and a fine one."""
    sizes = [mesh_size("draft", 1000.0, Air()), size(10)]
    return mesh_shape(load_shape(script), {}, sizes, TIME_LIMIT_S)


def test_the_shipped_shapes_are_found():
    assert {path.stem for path in SCRIPTS} >= {
        "plain_baffle",
        "vertical_lens",
        "two_way",
        "two_tweeters",
    }


@every_shape
def test_docstring_states_origin_and_axes(script):
    text = inspect.cleandoc(load_script(script).__doc__)
    assert text.split("\n")[0].endswith(".")
    for word in ("Origin", "x forward", "z up", "Side view", "mitred"):
        assert word in text


@every_shape
def test_every_parameter_is_grouped_and_ends_in_its_unit(script):
    for parameter in load_shape(script).parameters:
        part, _, name = parameter.key.partition(".")
        assert part
        assert name.endswith("_" + parameter.unit)
        assert parameter.help


@every_shape
def test_defaults_can_be_built(script):
    shape = load_shape(script)
    assert check_parameters(shape, shape.defaults) == []


@every_shape
def test_default_mesh_is_sound(script):
    """Closed, outward, in metres, named, well shaped, exactly on the mirror plane."""
    shape = load_shape(script)
    coarse, fine = default_meshes(script)
    given = {key: value / 1000 for key, value in shape.defaults.items()}
    top, half_width = given["cabinet.tweeter_below_top_mm"], given["cabinet.width_mm"] / 2
    middle = -given.get("cabinet.tweeter_offset_mm", 0.0)
    assert shape.symmetry in {("y",), ()}
    for mesh in (coarse, fine):
        mesh.require_closed(shape.symmetry)
        assert all(surface_kind(name) for name in mesh.surface)
        assert {"baffle", "cabinet"} <= set(mesh.surface)
        low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
        right = 0.0 if shape.symmetry else middle - half_width
        bottom = top - given["cabinet.height_mm"]
        expected = (-given["cabinet.depth_mm"], right, bottom)
        np.testing.assert_allclose(low, expected, atol=1e-9)
        np.testing.assert_allclose(high[1:], (middle + half_width, top), atol=1e-9)
        if shape.symmetry:
            assert np.all(mesh.vertices[np.abs(mesh.vertices[:, 1]) < 1e-5, 1] == 0.0)
        few = mesh.smallest_angles_deg < 10
        assert few.sum() <= max(2, 1e-3 * mesh.n_triangles)
    assert 500 < coarse.n_triangles < 4000
    assert coarse.n_triangles < fine.n_triangles


@every_shape
def test_moving_surfaces_are_well_resolved_at_any_frequency(script):
    """Volume velocity within 1 % of the exact piston and tapered ring, even at 1 kHz."""
    shape = load_shape(script)
    mesh, _ = default_meshes(script)
    motions = source_motions(shape, {})
    halves = 2 if shape.symmetry else 1
    for motion, velocity in zip(motions, normal_velocity(mesh, motions, 1000.0), strict=True):
        flow = np.abs(velocity @ mesh.areas) * halves * (2 * np.pi * 1000.0)  # for 1 m/s^2
        inner, outer = motion.inner_radius_m, motion.outer_radius_m
        # Projected area of the piston, and the ring weighted with 1 inside and 0 outside.
        exact = np.pi * (inner**2 + inner * outer + outer**2) / 3
        assert flow == pytest.approx(exact, rel=0.01)
        ring = np.isin(mesh.surface, motion.taper_surfaces)
        offset = mesh.vertices - np.asarray(motion.centre)
        radius = np.hypot(offset[:, 1], offset[:, 2])[mesh.triangles[ring]]
        # A second row of triangles in between.
        assert np.any(np.abs(radius - (inner + outer) / 2) < 0.27 * (outer - inner))


@pytest.mark.parametrize("name", ["plain_baffle", "arc_lens"])
def test_a_script_runs_by_itself(name):
    """With and without the blocks of the package; the others do the same, see below."""
    command = [sys.executable, str(GEOMETRIES / f"{name}.py"), "-nopopup"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("is_alone", [True, False])
def test_what_runs_a_script_by_itself_is_the_same_in_all_of_a_kind(is_alone):
    scripts = [path for path in SCRIPTS if (path.stem in NEEDING_NOTHING) == is_alone]
    ends = {path.read_text().partition('if __name__ == "__main__":')[2] for path in scripts}
    assert len(ends) == 1
    assert ("build(gmsh.model" if is_alone else "show(build") in ends.pop()


def test_copied_helpers_are_the_same_in_all_shapes():
    """Scripts stand alone, so they repeat a few helpers; a mended one must be mended in all."""
    modules = [load_script(script) for script in SCRIPTS]
    for name in ("_outline", "_extruded", "_add_dome"):
        with_it = [module for module in modules if hasattr(module, name)]
        assert len({_source(module, name) for module in with_it}) == 1


def _source(module, name):
    lines = (GEOMETRIES / f"{module.__spec__.origin}").read_text().split("\n")
    start = next(n for n, line in enumerate(lines) if line.startswith(f"def {name}("))
    body = []
    for line in lines[start + 1 :]:
        if line and not line.startswith((" ", ")")):
            break
        body.append(line)
    return "\n".join(body).strip()
