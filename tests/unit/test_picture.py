# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures: they show every surface in its colour, with VTK or without it."""

import io
import re

import matplotlib.image
import numpy as np
import pytest

from bafflelens.base import ready_process
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.plane_cuts import cut_by_plane
from bafflelens.report import section_picture, shape_picture


def half_box() -> Mesh:
    """The left half of a 250 x 200 x 400 mm box whose front is a lens around a flat dome."""
    depth = np.array([-0.25, 0.0])
    y = np.array([0.0, 0.02, 0.1])
    z = np.array([-0.2, -0.02, 0.02, 0.2])
    vertices, triangles, surface = [], [], []

    def add(corner, first, second, name):
        start = len(vertices)
        corner, first, second = (np.array(v, dtype=float) for v in (corner, first, second))
        vertices.extend((corner, corner + first, corner + first + second, corner + second))
        triangles.extend(((start, start + 1, start + 2), (start, start + 2, start + 3)))
        surface.extend((name, name))

    for i in range(2):
        for j in range(3):
            name = "dome" if (i, j) == (0, 1) else "lens" if j == 1 else "baffle"
            step_y, step_z = y[i + 1] - y[i], z[j + 1] - z[j]
            add((0, y[i], z[j]), (0, step_y, 0), (0, 0, step_z), name)
            add((depth[0], y[i], z[j]), (0, 0, step_z), (0, step_y, 0), "cabinet")
        add((depth[0], y[i], 0.2), (0.25, 0, 0), (0, y[i + 1] - y[i], 0), "cabinet")
        add((depth[0], y[i], -0.2), (0, y[i + 1] - y[i], 0), (0.25, 0, 0), "cabinet")
    for j in range(3):
        add((depth[0], 0.1, z[j]), (0, 0, z[j + 1] - z[j]), (0.25, 0, 0), "cabinet")
    places, number = np.unique(np.round(vertices, 6), axis=0, return_inverse=True)
    return Mesh(places, number[np.array(triangles)], np.array(surface))


def shares(png: bytes) -> dict[str, float]:
    """Return the share of the picture that has the hue of each coloured surface."""
    image = matplotlib.image.imread(io.BytesIO(png))[..., :3]
    image = image[: int(0.9 * len(image))]  # without the legend
    return {
        "dome": float(((image[..., 0] > 2.5 * image[..., 2]) & (image[..., 0] > 0.2)).mean()),
        "lens": float((image[..., 2] > 1.4 * image[..., 0]).mean()),
        "shape": float((image.min(axis=-1) < 0.98).mean()),
    }


def test_the_box_of_this_test_is_closed():
    half_box().require_closed(("y",))


def assert_shows_the_shape(png: bytes) -> None:
    seen = shares(png)
    assert 0.2 < seen["shape"] < 0.9
    assert 0.001 < seen["dome"] < 0.05
    assert 0.001 < seen["lens"] < 0.1


def test_view_shows_the_surfaces_in_their_colours():
    assert_shows_the_shape(shape_picture.shape_picture(half_box(), ("y",)))


def test_view_without_vtk_falls_back_to_a_plainer_picture(monkeypatch):
    monkeypatch.setattr(ready_process, "run_ready", lambda *_: "signal 11 (Segmentation fault)")
    assert_shows_the_shape(shape_picture.shape_picture(half_box(), ("y",)))


def test_sections_carry_the_main_dimensions():
    svg = section_picture.section_picture(half_box(), ("y",))
    assert svg.lstrip().startswith("<?xml")
    written = set(re.findall(r"<!-- (.*?) -->", svg))  # matplotlib notes each text it draws
    assert {"250", "400", "200"} <= written  # depth, height, width of the box
    assert {"Vertical section, y = 0", "Horizontal section, z = 0"} <= written
    assert {"dome", "lens", "baffle", "cabinet"} <= written


def test_section_follows_the_outline():
    mesh = half_box().mirrored("y")
    segments = cut_by_plane(mesh.corners, across=1)
    length = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1).sum()
    assert length == pytest.approx(2 * (0.25 + 0.4), rel=1e-6)
