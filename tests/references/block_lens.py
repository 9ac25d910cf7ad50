# SPDX-License-Identifier: GPL-3.0-or-later
"""A lens of blocks, made without a mesher: a channel across the front of a box.

Its dimensions move whole faces, so that how they move the surface is known exactly. The box is
neither its own mirror image nor alike turned round.
"""

from __future__ import annotations

import numpy as np
from bodies import blocks

from bafflelens.handoff.datum import Datum
from bafflelens.handoff.regions import regions_of
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion

CELL = 0.01
HALF, DEEP = 0.04, 0.03  # of the channel, in m
MOTION = SourceMotion(
    name="tweeter",
    axis=(1.0, 0.0, 0.0),
    centre=(-DEEP, 0.0, 0.0),
    piston_surfaces=("dome",),
    taper_surfaces=(),
    inner_radius_m=0.013,
    outer_radius_m=0.016,
)
VALUES = {"lens.opening_mm": 80.0, "lens.depth_mm": 30.0, "cabinet.width_mm": 180.0}
UNITS = dict.fromkeys(VALUES, "mm")
TOLERANCES = {"lens.opening_mm": 0.5, "lens.depth_mm": 0.4}


def block_lens():
    """Return the mesh: surfaces ``lens``, ``dome``, ``baffle`` and ``cabinet``."""
    filled = np.ones((10, 18, 20), dtype=bool)
    filled[7:, :, 8:16] = False
    filled[7:, 14:, :4] = False  # so that no mirror image fits
    x = np.arange(11) * CELL - 0.1
    mesh = blocks(x, np.arange(19) * CELL - 0.1, np.arange(21) * CELL - 0.12, filled)
    middle, normal = mesh.centroids, mesh.normals
    inside = (np.abs(middle[:, 2]) < HALF + 1e-6) & (middle[:, 0] > -DEEP - 1e-6)
    walls = inside & (np.abs(normal[:, 2]) > 0.9)
    floor = inside & (normal[:, 0] > 0.9)
    name = np.where(walls | floor, "lens", "cabinet")
    name = np.where((normal[:, 0] > 0.9) & ~floor, "baffle", name)
    dome = floor & (np.hypot(middle[:, 1], middle[:, 2]) < 0.013)
    return Mesh(mesh.vertices, mesh.triangles, np.where(dome, "dome", name))


def movements(mesh):
    """Return how a millimetre of each dimension moves the vertices, {key: (n_vertices, 3)}."""
    x, y, z = mesh.vertices.T
    wall = (np.abs(np.abs(z) - HALF) < 1e-6) & (x > -DEEP - 1e-6)
    floor = (np.abs(z) < HALF + 1e-6) & (np.abs(x + DEEP) < 1e-6)
    side = (y < -0.1 + 1e-6) | (y > 0.08 - 1e-6)
    zero = np.zeros_like(x)
    return {
        "lens.opening_mm": np.stack((zero, zero, 5e-4 * wall * np.sign(z)), axis=1),
        "lens.depth_mm": np.stack((-1e-3 * floor, zero, zero), axis=1),
        "cabinet.width_mm": np.stack((zero, 5e-4 * side * np.sign(y), zero), axis=1),
    }


def datum():
    """Return the nominal surface with its regions and movements."""
    mesh = block_lens()
    moves = movements(mesh)
    rows = [
        (move[mesh.triangles].mean(axis=1) * mesh.normals).sum(axis=1) for move in moves.values()
    ]
    region = regions_of(mesh, [MOTION])
    return Datum(mesh, region, tuple(moves), np.array(rows), np.zeros(mesh.n_triangles))


def made(proud=None, **dimensions_mm):
    """Return the part with dimensions off, and one wall proud: ``proud`` is a height in mm."""
    mesh = block_lens()
    vertices = mesh.vertices.copy()
    for key, move in movements(mesh).items():
        vertices += dimensions_mm.get(key.split(".")[1], 0.0) * move
    if proud:
        x, _, z = mesh.vertices.T
        upper = (np.abs(z - HALF) < 1e-6) & (x > -DEEP - 1e-6)
        vertices[upper, 2] -= proud * 1e-3
    return Mesh(vertices, mesh.triangles, mesh.surface)
