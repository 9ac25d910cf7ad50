# SPDX-License-Identifier: GPL-3.0-or-later
"""Every script in geometries/ keeps the contract of geometries/README.md."""

import inspect
import subprocess
import sys

import numpy as np
import pytest

from bafflelens.geometry import (
    SURFACE_NAMES,
    check_parameters,
    load_script,
    load_shape,
    mesh_shape,
    source_motions,
)
from bafflelens.medium import Air
from bafflelens.quality import mesh_size
from bafflelens.source import normal_velocity

from .conftest import GEOMETRIES, TIME_LIMIT_S, size

SCRIPTS = sorted(GEOMETRIES.glob("*.py"))

every_shape = pytest.mark.parametrize("script", SCRIPTS, ids=[path.stem for path in SCRIPTS])


def test_the_shipped_shapes_are_found():
    assert {path.stem for path in SCRIPTS} >= {"plain_baffle", "vertical_lens"}


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
        assert part in {"dome", "lens", "cabinet"}
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
    coarse, fine = mesh_shape(shape, {}, [size(40), size(10)], TIME_LIMIT_S)
    assert shape.symmetry == ("y",)
    for mesh in (coarse, fine):
        mesh.require_closed(("y",))
        assert set(mesh.surface) <= set(SURFACE_NAMES)
        assert {"dome", "surround", "baffle", "cabinet"} <= set(mesh.surface)
        low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
        np.testing.assert_allclose(low, (-0.25, 0.0, -0.295), atol=1e-9)
        np.testing.assert_allclose(high[1:], (0.105, 0.105), atol=1e-9)
        assert np.all(mesh.vertices[np.abs(mesh.vertices[:, 1]) < 1e-5, 1] == 0.0)
        few = mesh.smallest_angles_deg < 10
        assert few.sum() <= max(2, 1e-3 * mesh.n_triangles)
    assert 500 < coarse.n_triangles < 2000
    assert coarse.n_triangles < fine.n_triangles


@every_shape
def test_moving_surfaces_are_well_resolved_at_any_frequency(script):
    """Volume velocity within 1 % of the exact cap and tapered ring, even at 1 kHz."""
    shape = load_shape(script)
    (mesh,) = mesh_shape(shape, {}, [mesh_size("draft", 1000.0, Air())], TIME_LIMIT_S)
    motions = source_motions(shape, {})
    velocity = normal_velocity(mesh, motions, 1000.0)[0]
    flow = np.abs(velocity @ mesh.areas) * 2 * (2 * np.pi * 1000.0)  # both halves, for 1 m/s^2
    inner, outer = 0.013, 0.016
    # Projected area of the cap, and the ring weighted with 1 at its inside and 0 at its outside.
    exact = np.pi * (inner**2 + inner * outer + outer**2) / 3
    assert flow == pytest.approx(exact, rel=0.01)
    ring = mesh.surface == "surround"
    radius = np.hypot(mesh.vertices[:, 1], mesh.vertices[:, 2])[mesh.triangles[ring]]
    assert np.any(np.abs(radius - 0.0145) < 0.0008)  # a second row of triangles in between


@every_shape
def test_the_script_runs_by_itself(script):
    done = subprocess.run(
        [sys.executable, str(script), "-nopopup"], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr


def test_copied_helpers_are_the_same_in_all_shapes():
    """Scripts stand alone, so they repeat a few helpers; a mended one must be mended in all."""
    modules = [load_script(script) for script in SCRIPTS]
    for name in ("_outline", "_extruded", "_add_dome"):
        sources = {_source(module, name) for module in modules if hasattr(module, name)}
        assert len(sources) == 1


def _source(module, name):
    lines = (GEOMETRIES / f"{module.__spec__.origin}").read_text().split("\n")
    start = next(n for n, line in enumerate(lines) if line.startswith(f"def {name}("))
    body = []
    for line in lines[start + 1 :]:
        if line and not line.startswith((" ", ")")):
            break
        body.append(line)
    return "\n".join(body).strip()
