# SPDX-License-Identifier: GPL-3.0-or-later
"""How many of a shape's sharp inner corners the kernel rounds, over random parameters.

Prints each shape, and the share of shapes whose corners were all rounded: by `rounded_corners`,
and where the kernel counts in metres, as it does elsewhere.

    python tests/benchmarks/rounded_corners.py [shape] [count]
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import fields
from pathlib import Path

import gmsh
import numpy as np

from bafflelens.handoff import rounded_corners
from bafflelens.handoff.exporter import _united
from bafflelens.handoff.face_names import named_points
from bafflelens.shapes.meshing import gmsh_process
from bafflelens.shapes.meshing.loading import load_script, load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions
from bafflelens.shapes.meshing.parameters import fill_parameters
from bafflelens.shapes.meshing.shape_script import built_symmetry

ROOT = Path(__file__).parents[2]
RADIUS_M = 3e-3
GROUPS = {"vertical_lens": "lens", "waveguide": "waveguide"}


def rounds_in_metres(folder, named, drivers) -> bool:
    """Whether the kernel makes sound fillets of all corners where it counts in metres."""
    factor, rounded_corners._MM_PER_M = rounded_corners._MM_PER_M, 1.0
    lengths = {key: getattr(rounded_corners, key) for key in ("_OFF_MM", "_PLUG_MM", "_NEW_MM")}
    for key, value in lengths.items():
        setattr(rounded_corners, key, np.asarray(value) / factor)
    request = {"round_m": RADIUS_M, "drivers": drivers}
    try:
        found = rounded_corners.round_corners(gmsh, folder, named, request)
        return found["rounded"] > 0 and not found["left"]
    finally:
        rounded_corners._MM_PER_M = factor
        for key, value in lengths.items():
            setattr(rounded_corners, key, value)


def main() -> None:
    """Round the corners of random shapes."""
    name = sys.argv[1] if len(sys.argv) > 1 else "vertical_lens"
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 10
    path = ROOT / "geometries" / f"{name}.py"
    script, shape = load_script(path), load_shape(path)
    group = GROUPS.get(name, "lens")
    ranges = {
        f"{group}.{one.name}": one.metadata["range"]
        for one in fields(getattr(script.Parameters(), group))
        if "range" in one.metadata and one.name != "rim_gap_mm"
    }
    random, rows, in_metres = np.random.default_rng(1), [], []
    while len(rows) < count:
        drawn = {key: float(random.uniform(*span)) for key, span in ranges.items()}
        values = shape.defaults | drawn
        parameters = fill_parameters(script, values)
        if script.check(parameters):
            continue
        gmsh_process.start_gmsh(gmsh)
        gmsh.option.setString("Geometry.OCCTargetUnit", "M")
        with tempfile.TemporaryDirectory() as scratch:
            folder = Path(scratch)
            script.build(gmsh.model, parameters)
            named = named_points(gmsh.model, built_symmetry(script))
            _united(gmsh, built_symmetry(script), folder)
            gmsh.write(str(folder / "solid.brep"))
            drivers = [(*one.centre, one.outer_radius_m) for one in source_motions(shape, values)]
            request = {"round_m": RADIUS_M, "drivers": drivers}
            found = rounded_corners.round_corners(gmsh, folder, named, request)
            in_metres.append(rounds_in_metres(folder, named, drivers))
        gmsh.finalize()
        rows.append((found["rounded"], len(found["left"])))
        text = ", ".join(f"{key.split('.')[1]} {value:.1f}" for key, value in drawn.items())
        print(f"{found['rounded']:3} rounded, {len(found['left']):3} left: {text}", flush=True)
    done, left = np.array(rows).T
    print(f"{name}: all rounded in {np.mean(left == 0):.0%} of {count} shapes, "
          f"some in {np.mean((left > 0) & (done > 0)):.0%}; of all corners "
          f"{done.sum() / (done + left).sum():.0%}; counting in metres all in "
          f"{np.mean(in_metres):.0%}")  # fmt: skip


if __name__ == "__main__":
    main()
