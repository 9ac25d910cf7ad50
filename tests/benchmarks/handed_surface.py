# SPDX-License-Identifier: GPL-3.0-or-later
"""How long it takes to know where the surface of a changed part is, and how well it is known.

Few triangles that follow the curves, against many flat ones whose mesh is checked besides: time
a surface, the ratio, and how far each is off at places that lie on the surface (corners of
another mesh of the same shape). One candidate's hand-off needs as many surfaces as the shape has
dimensions that the shop forms.

    python tests/benchmarks/handed_surface.py [shapes]
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from bafflelens.handoff.curved_surface import CurvedSurface, curved_surface
from bafflelens.handoff.datum import _FINE, _FINER, _kept, shaped_by
from bafflelens.shapes.meshing.loading import load_shape

ROOT = Path(__file__).parents[2]
LIMIT_S = 120.0
REACH_M = 1e-3


def main() -> None:
    """Make the surface of every shape both ways."""
    names = sys.argv[1:] or ["vertical_lens", "conic_lens", "waveguide"]
    print(f"{'shape':<16}{'dimensions':>11}{'flat s':>8}{'curved s':>9}{'ratio':>7}", end="")
    print(f"{'flat off':>10}{'curved off':>11} um")
    for name in names:
        shape = load_shape(ROOT / "geometries" / f"{name}.py")
        values = shape.defaults
        mesh = _kept(shape, values, _FINE, LIMIT_S).whole(shape.symmetry)
        points, normals = mesh.corners.reshape(-1, 3), np.repeat(mesh.normals, 3, axis=0)

        def flat() -> CurvedSurface:
            finer = _kept(shape, values, _FINER, LIMIT_S)  # noqa: B023
            corners = finer.whole(shape.symmetry).corners  # noqa: B023
            return CurvedSurface.of(corners, (corners + np.roll(corners, -1, axis=1)) / 2)

        def curved() -> CurvedSurface:
            return curved_surface(shape, values, LIMIT_S)  # noqa: B023

        curved()  # its process has started and its kernels are compiled
        times, off = [], []
        for make in (flat, curved):
            surface, seconds = timed(make)
            times.append(seconds)
            off.append(1e6 * np.abs(surface.heights(points, normals, REACH_M)).max())
        print(
            f"{name:<16}{len(shaped_by(shape)):>11}{times[0]:>8.2f}{times[1]:>9.2f}"
            f"{times[0] / times[1]:>7.1f}{off[0]:>10.1f}{off[1]:>11.1f}",
            flush=True,
        )


def timed(make: Callable[[], CurvedSurface]) -> tuple[CurvedSurface, float]:
    """Return what it makes, and the seconds that took."""
    start = time.perf_counter()
    return make(), time.perf_counter() - start


if __name__ == "__main__":
    main()
