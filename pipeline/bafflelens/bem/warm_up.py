# SPDX-License-Identifier: GPL-3.0-or-later
"""Compile the kernels before the first solve, and say so."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from bafflelens.base.medium import Air
from bafflelens.bem.burton_miller import Settings, Storage, solve_burton_miller
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.mesh.mesh import Mesh


def warm_up(report: Callable[[str], None]) -> float:
    """Solve a tetrahedron, so that every kernel is compiled or read from the disk cache.

    Parameters
    ----------
    report : callable
        Receives one line before and one after.

    Returns
    -------
    float
        Seconds it took: under two with the cache on disk, up to half a minute the first time.
    """
    started = time.perf_counter()
    report("preparing the solver (the first time on a machine it is compiled: up to 30 s)")
    vertices = 0.01 * np.array([[1.0, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]])
    triangles = np.array([[0, 1, 2], [0, 3, 1], [0, 2, 3], [1, 3, 2]])
    mesh = Mesh(vertices, triangles, np.full(4, "dome"))
    velocity = np.array([[1.0, 0, 0, 0]], dtype=complex)
    problem = HelmholtzProblem(mesh=mesh, frequency_hz=1000.0, air=Air(), normal_velocity=velocity)
    # Full storage is for rare direct solves, and compiled when one is needed.
    for storage in (Storage.PACKED, Storage.ON_THE_FLY):
        solution = solve_burton_miller(problem, settings=Settings(storage=storage))
    solution.far_field(np.eye(3))
    seconds = time.perf_counter() - started
    report(f"solver ready after {seconds:.1f} s")
    return seconds
