# SPDX-License-Identifier: GPL-3.0-or-later
"""Compile the kernels before the first solve, and say so."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from bafflelens.base.medium import Air
from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.clusters import LEAF
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.bem.system_matrix import Storage
from bafflelens.mesh.intersections import crossing_triangles
from bafflelens.mesh.mesh import Mesh


def warm_up(report: Callable[[str], None]) -> float:
    """Solve a few tetrahedra, so that every kernel is compiled or read from the disk cache.

    Parameters
    ----------
    report : callable
        Receives one line before and one after.

    Returns
    -------
    float
        Seconds it took: under two with the cache on disk, one to two minutes the first time.
    """
    started = time.perf_counter()
    report("preparing the solver (the first time on a machine it is compiled: one to two minutes)")
    mesh = row_of_tetrahedra(2 * LEAF)
    velocity = np.zeros((1, mesh.n_triangles), dtype=complex)
    velocity[0, 0] = 1.0
    problem = HelmholtzProblem(mesh=mesh, frequency_hz=1000.0, air=Air(), normal_velocity=velocity)
    # Full storage is for rare direct solves, and compiled when one is needed.
    for storage in (Storage.PACKED, Storage.LOW_RANK):
        solution = solve_burton_miller(problem, settings=EngineSettings(storage=storage))
    solution.far_field(np.eye(3))
    crossing_triangles(mesh)
    seconds = time.perf_counter() - started
    report(f"solver ready after {seconds:.1f} s")
    return seconds


def row_of_tetrahedra(number: int) -> Mesh:
    """Return so many small bodies in a row: enough that some see others from afar."""
    vertices = 0.01 * np.array([[1.0, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]])
    triangles = np.array([[0, 1, 2], [0, 3, 1], [0, 2, 3], [1, 3, 2]])
    places = np.arange(number)[:, None, None]
    return Mesh(
        (vertices + 0.03 * places * [1.0, 0.0, 0.0]).reshape(-1, 3),
        (triangles + 4 * places).reshape(-1, 3),
        np.full(4 * number, "dome"),
    )
