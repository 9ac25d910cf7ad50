# SPDX-License-Identifier: GPL-3.0-or-later
"""A finished run with pictures of its best shape, as the first screen of a report shows it."""

import io
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import patterns
from PIL import Image
from small_view import small_view

from bafflelens.mesh.mesh import Mesh
from bafflelens.report import Picture
from bafflelens.report.dimensions import Dimension
from bafflelens.report.section_picture import opening_picture

DIMENSIONS = (
    Dimension(key="depth", word="depth", value=34.0, unit="mm"),
    Dimension(key="lens.opening_height_mm", word="mouth", value=91.0, unit="mm"),
    Dimension(key="lens.wall_half_angle_deg", word="walls", value=40.0, unit="deg"),
    Dimension(key="lens.lip_radius_mm", word="lip", value=39.0, unit="mm"),
)


def run_with_pictures(per_octave=3, more=0):
    """Return a run whose best, c002, is quieter upwards than the plain baffle; pictures drawn."""
    frequencies = patterns.sixth_octaves(per_octave=per_octave)
    datasets = {
        name: patterns.dataset(_falling(up_db), frequencies)
        for name, up_db in (
            ("baseline", 1.5),
            ("c001", 3.0),
            ("c002", 5.0),
            *((f"c{number:03d}", 2.0) for number in range(3, 3 + more)),
        )
    }
    run = small_view(datasets, name="small", title="A lens in a two-way cabinet")
    lips: dict[str, dict[str, float]] = {"baseline": {}, "c001": {"lens.lip_radius_mm": 20.0}}
    rows = tuple(
        replace(
            row,
            candidate=replace(
                row.candidate, values=lips.get(row.candidate.id, {"lens.lip_radius_mm": 39.0})
            ),
        )
        for row in run.rows
    )
    svg, png = opening_picture(_recess(), (), DIMENSIONS)
    pictured: dict[str, Any] = {
        "dimensions": DIMENSIONS,
        "pictures": (Picture(title="In space", small=_box()),),
        "opening": Picture(title="Vertical section", svg=svg, png=png),
    }
    views = tuple(replace(view, **pictured) if view.id == "c002" else view for view in run.views)
    return replace(run, rows=rows, views=views, folder="results/small")


def _falling(up_db):
    return patterns.shaped(
        lambda _, azimuth, elevation: (
            -up_db * (np.sin(np.radians(elevation)) / np.sin(np.radians(45))) ** 2
            - 3.0 * (np.sin(np.radians(azimuth)) / np.sin(np.radians(60))) ** 2
        )
    )


def _recess():
    """Return a strip along the vertical section of a recess: floor, walls, front."""
    outline = [(0, -90), (0, -60), (-34, -17), (-34, 17), (0, 60), (0, 90)]
    names = ["baffle", "lens", "dome", "lens", "baffle"]
    vertices: list[tuple[int, int, int]] = []
    triangles: list[tuple[int, int, int]] = []
    surface: list[str] = []
    for (start, end), name in zip(pairwise(outline), names, strict=True):
        first = len(vertices)
        for x, z in (start, end):
            vertices += [(x, -10, z), (x, 10, z)]
        triangles += [(first, first + 1, first + 2), (first + 1, first + 3, first + 2)]
        surface += [name, name]
    return Mesh(np.array(vertices) * 1e-3, np.array(triangles), np.array(surface))


def _box():
    stream = io.BytesIO()
    Image.new("RGB", (500, 640), (200, 205, 205)).save(stream, format="PNG")
    return stream.getvalue()
