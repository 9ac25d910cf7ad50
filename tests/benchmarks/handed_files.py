# SPDX-License-Identifier: GPL-3.0-or-later
"""The files that the shop gets of every shipped shape, read again by other programs.

STEP by another release of the kernel (`second_kernel.py`) and by its text alone, DXF by its group
codes, STL by trimesh. Prints volumes against the exporter's, whether the solid is valid, closed
and one, and the largest distance of a template's outline from the section of the STEP file; under
"cabinet", how far width and height measured in it are from the parameters.

    python tests/benchmarks/handed_files.py [shapes]
"""

from __future__ import annotations

import io
import sys
import time
from pathlib import Path

import numpy as np
import trimesh

ROOT = Path(__file__).parents[2]
sys.path += [str(ROOT / "tests" / "references"), str(ROOT / "tests" / "unit")]

from second_kernel import distances_to, read_step, shell_edges  # noqa: E402
from test_handoff import outline_of  # noqa: E402

from bafflelens.handoff.printing import stl_bytes  # noqa: E402
from bafflelens.handoff.solid_export import export_solid  # noqa: E402
from bafflelens.handoff.template_dxf import dxf_bytes  # noqa: E402
from bafflelens.handoff.templates import templates_of  # noqa: E402
from bafflelens.shapes.meshing.loading import load_shape  # noqa: E402
from bafflelens.shapes.meshing.moving_parts import source_motions  # noqa: E402

POINTS = 150  # of each template, on the second kernel's surface


def main() -> None:
    """Export every shape and read it again."""
    names = sys.argv[1:] or [path.stem for path in sorted((ROOT / "geometries").glob("*.py"))]
    print(
        f"{'shape':<20}{'s':>5}{'solid':>14}{'volume':>11}{'STL':>10}{'cabinet':>9}{'DXF mm':>9}"
    )
    for name in names:
        shape = load_shape(ROOT / "geometries" / f"{name}.py")
        start = time.perf_counter()
        solid = export_solid(
            shape,
            shape.defaults,
            name=name,
            stamp="2026-01-01T00:00:00",
            chord_mm=0.05,
            spacing_mm=40.0,
            fan_step_deg=45.0,
            time_limit_s=300.0,
        )
        seconds = time.perf_counter() - start
        again = read_step(solid.step)
        uses = shell_edges(solid.step)
        closes = set(uses.values()) == {1} and all((edge, not way) in uses for edge, way in uses)
        sound = again.is_valid and again.is_closed and again.n_solids == 1 and closes
        printed = trimesh.load(io.BytesIO(stl_bytes(solid.mesh)), file_type="stl")
        largest = max(overlay(solid, again, template) for template in flat_templates(shape, solid))
        sides = np.ptp(again.box, axis=0)
        wanted = [shape.defaults[f"cabinet.{side}_mm"] for side in ("width", "height")]
        box = np.abs(sides[1:] - wanted).max()
        print(
            f"{name:<20}{seconds:>5.0f}{'valid, closed' if sound else 'FAULTY':>14}"
            f"{again.volume / solid.volume_m3 * 1e-9 - 1:>+11.1e}"
            f"{printed.volume / again.volume - 1:>+10.1e}{box:>9.4f}{largest:>9.4f}",
            flush=True,
        )


def flat_templates(shape, solid):
    """Yield the profiles of vertical and horizontal stations."""
    motion = source_motions(shape, shape.defaults)[0]
    centre = [1e3 * value for value in motion.centre]
    for template in templates_of(solid.sections, name_of(shape), centre, 16.0):
        if template.name.startswith(("vertical", "horizontal")) and "profile" in template.name:
            yield template


def name_of(shape) -> str:
    """Return what is written on its templates."""
    return shape.script.stem


def overlay(solid, again, template) -> float:
    """Return how far a template's outline is from the surface of the file read again, in mm."""
    _, loops = outline_of(dxf_bytes(template))
    station = float(template.name.split("_")[1][1:])
    points = np.concatenate(loops)
    points = points[points[:, 0] > points[:, 0].min() + 0.01]
    points = points[:: max(1, len(points) // POINTS)]
    level = np.full(len(points), station)
    vertical = template.name.startswith("vertical")
    columns = (points[:, 0], level, points[:, 1]) if vertical else (*points.T, level)
    return float(distances_to(again, np.column_stack(columns)).max())


if __name__ == "__main__":
    main()
