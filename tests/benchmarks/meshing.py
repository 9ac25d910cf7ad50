# SPDX-License-Identifier: GPL-3.0-or-later
"""Processor time to build and mesh every shape for 20 kHz, over that of the plain baffle.

    python tests/benchmarks/meshing.py [quality] [Hz]

Each shape with its defaults and with two random draws. The time is that of the mesher's process,
with its start, and does not depend on what else the machine does.
"""

from __future__ import annotations

import random
import resource
import sys
from collections.abc import Mapping
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "geometries"))

from draws import draw_values  # noqa: E402

from bafflelens.base.medium import Air  # noqa: E402
from bafflelens.base.ready_process import close_all  # noqa: E402
from bafflelens.mesh.quality import MeshSize, mesh_size  # noqa: E402
from bafflelens.shapes.meshing.geometry import mesh_shape  # noqa: E402
from bafflelens.shapes.meshing.loading import check_parameters, load_shape  # noqa: E402
from bafflelens.shapes.meshing.parameters import Shape  # noqa: E402

DRAWS = 2
SEED = 11
TIME_LIMIT_S = 120.0


def main(quality: str = "standard", frequency_hz: float = 20_000.0) -> None:
    """Print triangles, seconds and the ratio for every shape."""
    size = mesh_size(quality, frequency_hz, Air())
    plain = load_shape(ROOT / "geometries" / "plain_baffle.py")
    _, reference = measure(plain, {}, size)
    for path in sorted((ROOT / "geometries").glob("*.py")):
        shape, generator = load_shape(path), random.Random(SEED)
        found = [measure(shape, {}, size)]
        found += [measure(shape, sound_draw(shape, generator), size) for _ in range(DRAWS)]
        slowest = max(seconds for _, seconds in found)
        triangles = max(count for count, _ in found)
        print(
            f"{shape.name:18} up to {triangles:6} triangles, {slowest:.2f} s, "
            f"{slowest / reference:.1f} times the plain baffle",
            flush=True,
        )


def sound_draw(shape: Shape, generator: random.Random) -> dict[str, float]:
    """Return the next draw that breaks no rule."""
    while True:
        values = draw_values(shape, generator)
        if not check_parameters(shape, values):
            return values


def measure(shape: Shape, values: Mapping[str, float], size: MeshSize) -> tuple[int, float]:
    """Return the triangles of a mesh and the processor time that it took, in s."""
    before = processor_seconds()
    (mesh,) = mesh_shape(shape, values, [size], TIME_LIMIT_S)
    close_all()
    return mesh.n_triangles, processor_seconds() - before


def processor_seconds() -> float:
    """Return the processor time of all processes that have ended, in s."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    main(*sys.argv[1:2], *(float(word) for word in sys.argv[2:3]))
