# SPDX-License-Identifier: GPL-3.0-or-later
"""The near field of a lens: what compiling it takes, and whether it is to the bit what it was.

    python tests/benchmarks/near_field.py FILE      # keeps what came out, or compares with FILE

Run it with `NUMBA_CACHE_DIR` set to an empty folder, or nothing is compiled; to compare two states
of the program, let `PYTHONPATH` lead to the one and then to the other.
"""

import sys
import time
from pathlib import Path

import numpy as np

from bafflelens.bem import near_field, near_layers
from bafflelens.bem.discretisation import discretise
from bafflelens.mesh.quality import MeshSize
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import load_shape

SCRIPT = Path(__file__).parents[2] / "geometries" / "vertical_lens.py"
SIZE = MeshSize(
    source_size_m=0.006,
    growth=1.3,
    growth_distance_m=0.1,
    largest_m=0.03,
    curvature_elements=12,
)
WAVENUMBER = 2 * np.pi * 5000 / 343


def main() -> None:
    """Print times and whether the results are those in the file."""
    (mesh,) = mesh_shape(load_shape(SCRIPT), {}, [SIZE], 120.0)
    for times in ("first", "again"):
        started = time.process_time()
        found = results(mesh)
        print(f"{times}: {time.process_time() - started:.1f} s of processor time")
    print(f"{mesh.n_triangles} triangles, {found['element'].size} near pairs")
    path = Path(sys.argv[1])
    if not path.exists():
        np.savez(path, **found)
        return
    with np.load(path) as kept:
        for name, values in found.items():
            same = values.tobytes() == kept[name].tobytes()
            print(f"{name}: {'the same to the bit' if same else 'differs'}")


def results(mesh):
    """Return pairs, static integrals and what a frequency adds, of one mirrored mesh."""
    parts = discretise(mesh, ("y",))
    near, size = parts.near, mesh.n_triangles
    layer, dynamic = near_layers.own_element_dynamic(mesh, WAVENUMBER)
    points = near_field.CoupledPoints(mesh.centroids, mesh.normals, np.full(size, 0.3))
    corrections = np.empty(near.element.size, dtype=complex)
    near_layers.near_corrections(points, parts.elements, near, dynamic, WAVENUMBER, corrections)
    moving = mesh.surface == "dome"
    gradient = moving * (1 + 1j) * np.arange(size)[np.newaxis]
    single = np.zeros((1, size), dtype=complex)
    near_layers.add_near_single_layer(
        points, parts.elements, near, moving, layer, WAVENUMBER, gradient, single
    )
    return {
        "start": near.start,
        "element": near.element,
        "double_layer": near.double_layer,
        "hypersingular": near.hypersingular,
        "own": np.concatenate((layer, dynamic)),
        "corrections": corrections,
        "single": single,
    }


if __name__ == "__main__":
    main()
