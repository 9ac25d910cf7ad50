# SPDX-License-Identifier: GPL-3.0-or-later
"""Compile the kernels before the first solve, and say so."""

from __future__ import annotations

import os
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import numpy as np

from bafflelens.base import child_process
from bafflelens.base.medium import Air
from bafflelens.base.threads import inner_loop
from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.clusters import LEAF
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.kernels import fill_packed
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.bem.system_matrix import Storage
from bafflelens.mesh.intersections import crossing_triangles
from bafflelens.mesh.mesh import Mesh

_BESIDE: Final = "bafflelens.bem.warm_up_beside"
_LONGEST_S: Final = 600.0


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
    problem = small_problem()
    # Full storage is for rare direct solves, and compiled when one is needed.
    with _others_compiled():
        solve_burton_miller(problem, settings=EngineSettings(storage=Storage.PACKED))
    solution = solve_burton_miller(problem, settings=EngineSettings(storage=Storage.LOW_RANK))
    solution.far_field(np.eye(3))
    crossing_triangles(problem.mesh)
    seconds = time.perf_counter() - started
    report(f"solver ready after {seconds:.1f} s")
    return seconds


@contextmanager
def _others_compiled() -> Iterator[None]:
    """Compile, the first time, what a packed matrix does not need in a process beside this one.

    What it compiles is found on the disk afterwards; if it fails, it is compiled here.
    """
    if _is_kept() or (os.cpu_count() or 1) < 2:
        yield
        return
    with tempfile.TemporaryDirectory(prefix="bafflelens_compiled_") as folder:
        beside = threading.Thread(
            target=child_process.run_module,
            args=(_BESIDE, Path(folder), _LONGEST_S),
            daemon=True,  # who stops the program need not wait for it
        )
        beside.start()
        yield
        beside.join()


def _is_kept() -> bool:
    """Tell whether numba has kept a kernel on the disk, or compiles nothing at all."""
    stats = getattr(inner_loop(fill_packed), "stats", None)
    return stats is None or any(Path(stats.cache_path).glob("kernels.fill_packed*.nbi"))


def small_problem() -> HelmholtzProblem:
    """Return what is solved to compile: a few tetrahedra, of which one triangle moves."""
    mesh = row_of_tetrahedra(2 * LEAF)
    velocity = np.zeros((1, mesh.n_triangles), dtype=complex)
    velocity[0, 0] = 1.0
    return HelmholtzProblem(mesh=mesh, frequency_hz=1000.0, air=Air(), normal_velocity=velocity)


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
