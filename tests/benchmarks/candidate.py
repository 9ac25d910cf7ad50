# SPDX-License-Identifier: GPL-3.0-or-later
"""A whole candidate: the vertical lens, 500 Hz to 20 kHz, meshed, solved, with both orbits."""

from __future__ import annotations

from functools import cache

from bafflelens.medium import Air
from bafflelens.mesh import Mesh
from bafflelens.quality import Band, bands, mesh_size
from bafflelens.source import SourceMotion

AIR = Air()
STEP_HZ = 350.0
PER_OCTAVE = 6


def candidate_bands(quality: str = "standard") -> tuple[Band, ...]:
    """Return the bands: six an octave below, every 350 Hz above."""
    frequencies = [500.0]
    while frequencies[-1] < 20_000:
        step = min(frequencies[-1] * (2 ** (1 / PER_OCTAVE) - 1), STEP_HZ)
        frequencies.append(min(20_000.0, frequencies[-1] + step))
    return bands(frequencies, quality)


def candidate_meshes(quality: str = "standard") -> tuple[Mesh, ...]:
    """Mesh the vertical lens for every band."""
    from shapes import meshes, shipped

    shape, _ = shipped("vertical_lens")
    rules = [mesh_size(quality, band.mesh_frequency_hz, AIR) for band in candidate_bands(quality)]
    return meshes(shape, rules, {})


@cache
def candidate_motions() -> tuple[tuple[SourceMotion, ...], tuple[str, ...]]:
    """Return the motions and mirror planes of the vertical lens."""
    from shapes import shipped

    shape, motions = shipped("vertical_lens")
    return motions, shape.symmetry
