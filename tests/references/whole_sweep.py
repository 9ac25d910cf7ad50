# SPDX-License-Identifier: GPL-3.0-or-later
"""A shape meshed and solved in this process, band by band, without a run around it."""

import numpy as np

from bafflelens.bem.sweep import solve_band
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.far_field_data import assemble_dataset
from bafflelens.mesh.quality import bands, mesh_size
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

_MESH_LIMIT_S = 120.0


def solved_bands(shape, values, chosen, quality, air, microphones_m=()):
    """Return the result of each band of a shape."""
    motions = source_motions(shape, values)
    sizes = [mesh_size(quality, band.mesh_frequency_hz, air) for band in chosen]
    return [
        solve_band(
            mesh,
            motions,
            band,
            air=air,
            directions=directions().vectors,
            symmetry=shape.symmetry,
            quality=quality,
            microphones_m=microphones_m,
        )
        for mesh, band in zip(mesh_shape(shape, values, sizes, _MESH_LIMIT_S), chosen, strict=True)
    ]


def solved_shape(shape, values, frequencies_hz, quality, air, microphones_m=()):
    """Return what a shape radiates, as a dataset."""
    motions = source_motions(shape, values)
    chosen = bands(frequencies_hz, quality)
    results = solved_bands(shape, values, chosen, quality, air, microphones_m)
    return assemble_dataset(
        directions(),
        results,
        [motion.name for motion in motions],
        air=air,
        mesh_info={"quality": quality},
        engine="direct",
        versions={},
        microphones_m=microphones_m,
        source_centres=np.array([motion.centre for motion in motions]),
    )
