# SPDX-License-Identifier: GPL-3.0-or-later
"""The closest point of a surface: exact by a tree of boxes, against a few nearest triangles.

The alternative looks at the twelve triangles whose middles are nearest, in numpy, on the surface
divided into triangles of 6 mm as that needs. Prints times and how far off the alternative is.

    python tests/benchmarks/closest.py
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import trimesh
from scipy.spatial import cKDTree

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "references"))

from bafflelens.base.closest_point import closest, searchable  # noqa: E402
from bafflelens.mesh.quality import MeshSize  # noqa: E402
from bafflelens.shapes.meshing.geometry import mesh_shape  # noqa: E402
from bafflelens.shapes.meshing.loading import load_shape  # noqa: E402

SIZE = MeshSize(
    source_size_m=0.002, growth=20.0, growth_distance_m=0.2, largest_m=0.04, curvature_elements=24
)
N_POINTS = 20_000


def main() -> None:
    """Look up points around a lens whose mesh grows from 2 to 40 mm."""
    shape = load_shape(ROOT / "geometries" / "vertical_lens.py")
    (mesh,) = mesh_shape(shape, {}, [SIZE], 120.0)
    mesh = mesh.mirrored("y")
    rng = np.random.default_rng(1)
    chosen = rng.choice(mesh.n_triangles, N_POINTS, p=mesh.areas / mesh.areas.sum())
    points = mesh.centroids[chosen] + rng.normal(0, 0.003, (N_POINTS, 3))
    closest(searchable(mesh.vertices, mesh.triangles), points[:10])  # compiles
    start = time.perf_counter()
    surface = searchable(mesh.vertices, mesh.triangles)
    built = time.perf_counter()
    feet = closest(surface, points)
    exact_s = time.perf_counter() - built
    start_s = built - start
    for largest_m in (0.006, 0.02):
        start = time.perf_counter()
        distance = by_middles(mesh, points, largest_m)
        seconds = time.perf_counter() - start
        off = distance - feet.distance
        print(
            f"nearest middles, {largest_m * 1e3:g} mm: {seconds:.2f} s, "
            f"{seconds / (exact_s + start_s):.1f} times as long; off by up to "
            f"{off.max() * 1e3:.3f} mm, {np.mean(off > 1e-9):.2%} wrong"
        )
    print(
        f"tree of boxes: {start_s:.3f} s to build from {mesh.n_triangles} triangles, "
        f"{exact_s / N_POINTS * 1e6:.1f} microseconds a point"
    )


def by_middles(mesh, points, largest_m):
    """Return the distance to the closest of twelve pieces with the nearest middles."""
    vertices, faces = trimesh.remesh.subdivide_to_size(
        mesh.vertices, mesh.triangles, largest_m, max_iter=20
    )
    corners = vertices[faces]
    _, near = cKDTree(corners.mean(axis=1)).query(points, k=12)
    found = np.full(len(points), np.inf)
    for column in near.T:
        foot = trimesh.triangles.closest_point(corners[column], points)
        found = np.minimum(found, np.linalg.norm(foot - points, axis=1))
    return found


if __name__ == "__main__":
    main()
