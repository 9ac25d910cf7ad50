# SPDX-License-Identifier: GPL-3.0-or-later
"""A box with a piston in its front, and a bump of the front beside it."""

from __future__ import annotations

from dataclasses import replace

import bodies
import numpy as np
import radiating
from arriving_waves import TOLERANCE

from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.engine_settings import EngineSettings


def piston_box(symmetry=(), felt=False, fine=1, wavenumber=12.0):
    """A box with a piston in its front, at x = 0.15 m; all of it, or its half at y > 0."""
    mesh = bodies.box((0.3, 0.4, 0.4), (6 * fine, 8 * fine, 8 * fine), symmetry)
    x, y, z = mesh.centroids.T
    piston = (x > 0.1499) & (np.abs(y) < 0.05) & (np.abs(z) < 0.05)
    problem = radiating.problem(mesh, piston, wavenumber, symmetry)
    if felt:
        ring = (x > 0.1499) & ~piston
        problem = replace(problem, admittance=np.where(ring, 0.3 - 0.2j, 0))
    return problem


def bump(mesh, z=0.12, y=0.0):
    """A smooth bump on the front, 1 m high at its top: how far each vertex moves along x."""
    away = np.minimum(
        *(np.hypot(mesh.vertices[:, 1] - s, mesh.vertices[:, 2] - z) for s in (y, -y))
    )
    height = np.cos(np.pi / 2 * np.minimum(away / 0.075, 1)) ** 2
    return np.where(mesh.vertices[:, 0] > 0.1499, height, 0)


def displacement(mesh, along_x):
    """How far the triangles move outwards."""
    return along_x[mesh.triangles].mean(axis=1) * mesh.normals[:, 0]


def solved(problem, along_x=0.0):
    vertices = problem.mesh.vertices + np.outer(along_x, [1, 0, 0]) if np.ndim(along_x) else None
    if vertices is not None:
        problem = replace(problem, mesh=replace(problem.mesh, vertices=vertices))
    return solve_burton_miller(problem, settings=EngineSettings(tolerance=TOLERANCE))
