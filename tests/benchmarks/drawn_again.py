# SPDX-License-Identifier: GPL-3.0-or-later
"""Every shipped lens, made anew in another kernel from the table of its drawing alone.

The table is that of the form in the hand-off, rounded as on the sheet. Prints, over the lens, the
largest distance of the STEP file's faces from what was made, and of what was made from the STEP
file (read again by the other kernel), in mm.

    python tests/benchmarks/drawn_again.py [shapes]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path += [str(ROOT / "tests" / "references")]

from from_drawing import made_from, table_of  # noqa: E402
from second_kernel import distances_to, points_on, read_step, solid_of  # noqa: E402

from bafflelens.handoff.calipers import form_csv  # noqa: E402
from bafflelens.handoff.part_dimensions import dimensions_of  # noqa: E402
from bafflelens.handoff.solid import export_solid  # noqa: E402
from bafflelens.shapes.meshing.loading import load_shape  # noqa: E402
from bafflelens.shapes.meshing.moving_parts import source_motions  # noqa: E402

LENSES = (
    "arc_lens",
    "conic_lens",
    "exponential_lens",
    "spline_lens",
    "vertical_lens",
    "waveguide",
)
POINTS = 200


def main() -> None:
    """Make each lens anew and compare."""
    print(f"{'shape':<20}{'rows':>5}{'STEP from made':>16}{'made from STEP':>16}")
    for name in sys.argv[1:] or LENSES:
        shape = load_shape(ROOT / "geometries" / f"{name}.py")
        solid = export_solid(
            shape, shape.defaults, name=name, stamp="2026-01-01T00:00:00", chord_mm=0.05,
            spacing_mm=400.0, fan_step_deg=90.0, time_limit_s=300.0,
        )  # fmt: skip
        rows = dimensions_of(solid, source_motions(shape, shape.defaults)).rows
        there, back = compared(solid, rows)
        print(f"{name:<20}{len(rows):>5}{there:>16.3f}{back:>16.3f}", flush=True)


def compared(solid, rows, count: int = POINTS) -> tuple[float, float]:
    """Return the largest distances over the lens, from the STEP file and from what was made."""
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


if __name__ == "__main__":
    main()
