# SPDX-License-Identifier: GPL-3.0-or-later
"""The same cabinet built two ways, as a mirrored half and as a whole: do the far fields agree?

    python tests/benchmarks/two_ways.py [quality] [Hz ...]

Compares ``shaped_cabinet.py`` (the half at y >= 0) with ``offset_cabinet.py`` at no offset (all of
it, a mesh of its own that is not symmetric): a leaning front, a tapered head and growing edges.
Both orbits within 60 degrees, levels above -20 dB re maximum; largest and rms difference in dB.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from shapes import front_directions, meshes, radiation, shipped

from bafflelens.base.conventions import FloatArray
from bafflelens.base.medium import Air
from bafflelens.bem.engines import solve
from bafflelens.mesh.quality import mesh_size

FREQUENCIES_HZ = (1000.0, 2500.0, 5000.0, 10_000.0)
VALUES = {
    "cabinet.slant_deg": 5.0,
    "head.height_mm": 160.0,
    "head.top_width_mm": 150.0,
    "edges.top_radius_mm": 25.0,
}
HALF = {**VALUES, "edges.side_growth_mm": 10.0}
WHOLE = {
    **VALUES,
    "edges.left_growth_mm": 10.0,
    "edges.right_growth_mm": 10.0,
    "cabinet.tweeter_offset_mm": 0.0,
}


def main(quality: str = "standard", frequencies_hz: tuple[float, ...] = FREQUENCIES_HZ) -> None:
    """Print the difference at each frequency."""
    for frequency in frequencies_hz:
        begin = time.perf_counter()
        half, half_triangles = levels("shaped_cabinet", HALF, quality, frequency)
        whole, whole_triangles = levels("offset_cabinet", WHOLE, quality, frequency)
        heard = np.maximum(half, whole) > max(half.max(), whole.max()) - 20
        off = (half - whole)[heard]
        print(
            f"{frequency:6.0f} Hz {quality}: {half_triangles} and {whole_triangles} triangles, "
            f"largest {np.abs(off).max():.3f} dB, rms {np.sqrt((off**2).mean()):.3f} dB "
            f"({time.perf_counter() - begin:.0f} s)",
            flush=True,
        )


def levels(
    name: str, values: dict[str, float], quality: str, frequency_hz: float
) -> tuple[FloatArray, int]:
    """Return the far-field levels of a shape in dB, (n_directions,), and its triangles."""
    air = Air()
    shape, motions = shipped(name)
    (mesh,) = meshes(shape, [mesh_size(quality, frequency_hz, air)], values)
    problem = radiation(shape, motions, mesh, frequency_hz, air)
    far = solve(problem).far_field(front_directions())[0]
    return np.asarray(20 * np.log10(np.abs(far))), mesh.n_triangles


if __name__ == "__main__":
    words = sys.argv[1:]
    main(*words[:1], *([tuple(float(word) for word in words[1:])] if words[1:] else []))
