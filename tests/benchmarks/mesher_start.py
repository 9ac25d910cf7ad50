# SPDX-License-Identifier: GPL-3.0-or-later
"""Drafts of a lens meshed by copies of a process that waits, against one that starts for each.

The meshes of the quick look (a draft at twelve frequencies) of lenses that differ in height, both
ways in one run. Processor time of all processes that took part, the waiting one with its start;
and the shortest time by the clock of one lens. The meshes have to be the same bit for bit.

Usage: mesher_start.py [LENSES]
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from candidate import GUESS_HZ
from shapes import TIME_LIMIT_S, shipped

from bafflelens.base import child_process, ready_process
from bafflelens.base.medium import Air
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import bands, mesh_size
from bafflelens.shapes.meshing.geometry import mesh_shape

Way = Callable[[str, Path, float], str]


def main(lenses: int = 8) -> None:
    """Print both ways and their ratio."""
    ready = ready_process.run_ready
    found = {}
    for name, way in (("one that starts", child_process.run_module), ("a copy that waits", ready)):
        seconds, shortest, meshes = _meshed(way, lenses)
        found[name] = seconds, meshes
        print(
            f"{name}: {lenses} lenses, {seconds / lenses:.2f} s of processor time each, "
            f"shortest {shortest:.2f} s by the clock"
        )
    (alone_s, alone), (ready_s, copies) = found.values()
    for one, other in zip(alone, copies, strict=True):
        np.testing.assert_array_equal(one.vertices, other.vertices)
        np.testing.assert_array_equal(one.triangles, other.triangles)
    print(f"the same {len(alone)} meshes; ratio of processor time {alone_s / ready_s:.2f}")


def _meshed(way: Way, lenses: int) -> tuple[float, float, list[Mesh]]:
    """Return processor time of all processes, the shortest time of a lens, and the meshes."""
    shape, _ = shipped("vertical_lens")
    sizes = [
        mesh_size("draft", band.mesh_frequency_hz, Air()) for band in bands(GUESS_HZ, "draft")
    ]
    ready_process.run_ready = way  # type: ignore[assignment]
    begun, shortest, meshes = _processor_time(), np.inf, []
    for height_mm in np.linspace(110, 130, lenses):
        start = time.perf_counter()
        values = {**shape.defaults, "lens.opening_height_mm": float(height_mm)}
        meshes += mesh_shape(shape, values, sizes, TIME_LIMIT_S)
        shortest = min(shortest, time.perf_counter() - start)
    ready_process.close_all()  # its time is counted once it has ended
    return _processor_time() - begun, float(shortest), meshes


def _processor_time() -> float:
    both = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    return sum(used.ru_utime + used.ru_stime for used in both)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
