# SPDX-License-Identifier: GPL-3.0-or-later
"""Shipped shapes as solids, once a process, and how far one is from what its table gives."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from from_drawing import made_from, table_of
from second_kernel import distances_to, points_on, read_step, solid_of

from bafflelens.handoff.calipers import form_csv
from bafflelens.handoff.dimension import SheetDimension
from bafflelens.handoff.solid import Solid
from bafflelens.handoff.solid_export import export_solid
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.parameters import Shape

GEOMETRIES = Path(__file__).parents[2] / "geometries"
LENSES = (
    "arc_lens",
    "conic_lens",
    "exponential_lens",
    "spline_lens",
    "vertical_lens",
    "waveguide",
)
"""Shipped lenses; the other shapes have none around their tweeter."""


@functools.cache
def exported(name: str, chord_mm: float = 0.5) -> tuple[Shape, Solid]:
    """Return a shipped shape and its solid, with few stations."""
    shape = load_shape(GEOMETRIES / f"{name}.py")
    return shape, export_solid(
        shape, shape.defaults, name=name, stamp="2026-01-01T00:00:00", chord_mm=chord_mm,
        spacing_mm=400.0, fan_step_deg=90.0, time_limit_s=300.0,
    )  # fmt: skip


def compared(solid: Solid, rows: Sequence[SheetDimension], count: int) -> tuple[float, float]:
    """Return the largest distances over the lens in mm: of the STEP file's faces from what the
    table gives, and the other way round, at about so many places each.
    """
    table = table_of(form_csv(rows, {"values": {}, "units": {}}, ()))
    made = solid_of(made_from(table))
    lens = np.isin(solid.mesh.surface, ("lens", "waveguide"))
    corners = solid.mesh.vertices[np.unique(solid.mesh.triangles[lens])] * 1e3
    there = distances_to(made, corners[:: max(1, len(corners) // count)]).max()
    low, high = corners.min(axis=0) - 0.5, corners.max(axis=0) + 0.5
    driver = table["G"][0] / 2 + 0.5
    points = points_on(made, 0.02)
    inside = ((points > low) & (points < high)).all(axis=1) & (points[:, 0] < -0.05)
    points = points[inside & (np.hypot(points[:, 1], points[:, 2]) > driver)]
    again = read_step(solid.step)
    return float(there), float(distances_to(again, points[:: max(1, len(points) // count)]).max())
