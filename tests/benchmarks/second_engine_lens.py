# SPDX-License-Identifier: GPL-3.0-or-later
"""The second engine on the mesh of a real lens: writes what `tests/physics` compares with.

Usage: second_engine_lens.py

Meshes the vertical lens coarsely, solves it with bempp-cl at 1 kHz (most of the time is its
compilation) and writes mesh, both orbits and the power into
tests/references/second_engine_lens.npz; says how far the own engine is from it.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "references"))

import numpy as np
import radiating
import second_engine_lens as lens

from bafflelens.bem.engines import solve
from bafflelens.mesh.quality import MeshSize
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import load_shape

ROOT = Path(__file__).parents[2]
SIZE = MeshSize(
    source_size_m=0.02,
    growth=3.0,
    growth_distance_m=0.2,
    largest_m=0.06,
    curvature_elements=4,
)


def main() -> None:
    """Mesh, solve with both engines, write and say how far apart they are."""
    shape = load_shape(ROOT / "geometries" / "vertical_lens.py")
    values = {parameter.key: parameter.default for parameter in shape.parameters}
    (mesh,) = mesh_shape(shape, values, [SIZE], time_limit_s=60)
    _, directions = lens.orbits()
    problem = lens.problem(mesh)
    second = solve(problem, "bempp")
    np.savez_compressed(
        lens.PATH,
        vertices=mesh.vertices,
        triangles=mesh.triangles.astype(np.int32),
        surface=mesh.surface.astype(str),
        far_field=second.far_field(directions)[0],
        power=second.cross_power()[0, 0].real,
    )
    own = radiating.level(solve(problem, "direct").far_field(directions)[0])
    other = radiating.level(second.far_field(directions)[0])
    print(
        f"{mesh.n_triangles} triangles kept; largest difference {np.abs(own - other).max():.2f} dB"
    )


if __name__ == "__main__":
    main()
