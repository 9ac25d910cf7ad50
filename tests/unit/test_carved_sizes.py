# SPDX-License-Identifier: GPL-3.0-or-later
"""Carved places are meshed as finely as a lens that has their shape."""

import numpy as np
import pytest

from bafflelens.mesh.quality import MeshSize
from bafflelens.shapes.meshing.carved_sizes import carved_sizes
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.mesh_morph import HeightField, SurfaceDeviation

SIZE = MeshSize(
    source_size_m=0.012,
    growth=2.0,
    growth_distance_m=0.2,
    largest_m=0.04,
    curvature_elements=8,
)
Y = np.linspace(-0.1, 0.1, 201)
Z = np.linspace(-0.12, 0.12, 241)


def sizes(height):
    y, z = np.meshgrid(Y, Z, indexing="ij")
    return carved_sizes(HeightField(Y, Z, height(y, z)), SIZE)


def test_where_nothing_was_carved_edges_are_as_long_as_anywhere():
    assert np.all(sizes(lambda y, z: 0 * y) == SIZE.largest_m)


def test_a_raised_plane_is_meshed_like_a_lens_and_a_slope_finer_by_its_stretch():
    found = sizes(lambda y, z: 0.01 + 0 * y)
    assert found == pytest.approx(SIZE.source_size_m)
    found = sizes(lambda y, z: 0.2 + y)  # 45 degrees
    assert found[100, 120] == pytest.approx(SIZE.source_size_m / np.sqrt(2), rel=1e-3)


def test_a_cylinder_has_as_many_triangles_around_as_other_curved_surfaces():
    radius = 0.009
    found = sizes(lambda y, z: 0.03 + y**2 / (2 * radius))
    expected = 2 * np.pi * radius / SIZE.curvature_elements
    assert found[100, 120] == pytest.approx(expected, rel=0.02)
    # beside its lowest line it is bent less and sloped more: along the surface the same holds
    at = 104
    slope = Y[at] / radius
    assert found[at, 120] == pytest.approx(expected * (1 + slope**2), rel=0.02)


def test_edges_grow_with_the_distance_and_are_never_too_small():
    found = sizes(lambda y, z: np.where(z > 0, 0.01, 0.0))
    assert found[100, 60] == pytest.approx(found[100, 121] + 0.25 * 0.061, abs=3e-4)
    assert found.min() >= 0.003


def test_a_carved_baffle_is_meshed_finer_where_it_was_carved(tmp_path):
    (tmp_path / "plate.py").write_text(
        '"""A plate with a dome."""\n'
        "from dataclasses import dataclass\n\nSYMMETRY = ()\n\n"
        "@dataclass(frozen=True)\nclass Parameters:\n    pass\n\n"
        "def build(model, parameters):\n"
        "    model.occ.addBox(-0.05, -0.1, -0.12, 0.05, 0.2, 0.24)\n"
        "    model.occ.synchronize()\n"
        '    named = {"baffle": [], "dome": [], "cabinet": []}\n'
        "    for _, tag in model.getEntities(2):\n"
        "        is_front = model.getBoundingBox(2, tag)[0] > -1e-5\n"
        '        named["baffle" if is_front else "dome" if tag == 1 else "cabinet"].append(tag)\n'
        "    for name, tags in named.items():\n"
        "        model.addPhysicalGroup(2, tags, name=name)\n\n"
        "def check(parameters):\n    return []\n\n"
        "def sources(parameters):\n"
        '    return [{"name": "tweeter", "axis": (1, 0, 0), "centre": (0, 0, 0),\n'
        '             "inner_radius_m": 0.02, "outer_radius_m": 0.02,\n'
        '             "piston_surfaces": ["dome"], "taper_surfaces": []}]\n'
    )
    shape = load_shape(tmp_path / "plate.py")
    (plain,) = mesh_shape(shape, shape.defaults, [SIZE], 60.0)
    y, z = np.meshgrid(Y, Z, indexing="ij")

    def hill(y, z):
        return 0.02 * np.exp(-((y - 0.03) ** 2 + z**2) / (2 * 0.012**2))

    moved = np.zeros(plain.vertices.shape)
    front = np.unique(plain.triangles[plain.surface == "baffle"])
    moved[front, 0] = hill(*plain.vertices[front, 1:].T)
    n = plain.n_triangles
    field = HeightField(Y, Z, hill(y, z))
    for name, given in (("carved", field), ("scanned", None)):
        deviation = SurfaceDeviation(plain, moved, np.zeros(n), np.ones(n, dtype=bool), given)
        deviation.save(tmp_path / f"{name}.npz")
        (tmp_path / f"{name}.toml").write_text(
            f'title = "x"\nnominal = "plate.py"\ndeviation = "{name}.npz"\nsymmetry = []\n'
        )
    counts = {}
    for name in ("carved", "scanned"):
        found = load_shape(tmp_path / f"{name}.toml")
        (mesh,) = mesh_shape(found, found.defaults, [SIZE], 60.0)
        mesh.require_closed(())
        away = np.hypot(mesh.centroids[:, 1] - 0.03, mesh.centroids[:, 2])
        is_front = mesh.surface == "baffle"
        counts[name] = (is_front & (away < 0.03)).sum(), (is_front & (away > 0.08)).sum()
    # as many equilateral triangles as the sizes ask for
    near = np.hypot(y - 0.03, z) < 0.03
    cell = (Y[1] - Y[0]) * (Z[1] - Z[0])
    expected = np.sum(cell / (np.sqrt(3) / 4 * carved_sizes(field, SIZE)[near] ** 2))
    assert counts["carved"][0] == pytest.approx(expected, rel=0.25)
    assert counts["scanned"][0] < 0.6 * counts["carved"][0]
    assert counts["carved"][1] < 1.5 * counts["scanned"][1]
