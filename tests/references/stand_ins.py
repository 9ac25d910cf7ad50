# SPDX-License-Identifier: GPL-3.0-or-later
"""Stand-ins for mesher and solver that real worker processes can import. No number means anything.

``python -c "import stand_ins; stand_ins.main()" run job.toml ...`` is the command line with them
in place. What they do besides is told by the environment, which worker processes inherit:

STAND_IN_SECONDS
    How long each piece of work takes.
STAND_IN_LOG
    A file to which each piece of work that was done adds a line; meshes say at which sizes.
STAND_IN_STOP
    A file; while it exists, solving never ends.
STAND_IN_FAULT
    A folder; a file ``hang`` in it lets the next mesher hang, ``memory`` lets the next solve ask
    for more memory than there is, ``kill`` lets the system kill the worker of the next solve.
STAND_IN_FORBIDDEN
    A folder of which this process must see nothing: it ends when it opens a file there.
"""

from __future__ import annotations

import os
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from bafflelens import cli, report
from bafflelens.base.child_process import run_module
from bafflelens.base.errors import MeshingError, invalid
from bafflelens.bem.sweep import BandResult, FrequencyOutcome
from bafflelens.commands import options
from bafflelens.directivity.direction_set import directions
from bafflelens.mesh.mesh import Mesh
from bafflelens.report import summary
from bafflelens.report.view import RunView
from bafflelens.workers import dask_pool
from bafflelens.workers.work_units import Methods

SIZE = " at "
"""Stands in the log before each size of a shape's meshes."""


def _end_if_forbidden(event: str, arguments: tuple[Any, ...]) -> None:
    looks = event in ("open", "os.listdir", "os.scandir") and isinstance(arguments[0], str | Path)
    if looks and Path(os.environ["STAND_IN_FORBIDDEN"]) in Path(arguments[0]).absolute().parents:
        os._exit(99)


if "STAND_IN_FORBIDDEN" in os.environ:
    sys.addaudithook(_end_if_forbidden)


def mesh_shape(
    shape: Any, values: Mapping[str, float], sizes: Sequence[Any], time_limit_s: float
) -> tuple[Mesh, ...]:
    """Return half an octahedron as large as the lens is high, once for each size."""
    if _is_told("hang"):
        with tempfile.TemporaryDirectory() as folder:
            ended = run_module("stand_in_hang", Path(folder), 1.0)
        raise MeshingError(invalid("shape", shape.name, f"one that can be meshed ({ended})"))
    _work(f"mesh {shape.name} {sorted(values.items())}{SIZE}{SIZE.join(map(str, sizes))}")
    corners = [[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, 0, 1], [0, 0, -1]]
    points = np.array(corners) * values.get("lens.opening_height_mm", 80.0) * 1e-3
    triangles = np.array([[0, 2, 3], [2, 1, 3], [2, 0, 4], [1, 2, 4]])
    names = np.array(["dome", "cabinet", "baffle", "cabinet"])
    return tuple(Mesh(points, triangles, names) for _ in sizes)


def solve_band(
    mesh: Mesh, motions: Any, band: Any, *, microphones_m: Sequence[float] = (), **_: Any
) -> BandResult:
    """Return a smooth pattern, the narrower the larger the mesh."""
    size = float(mesh.vertices.max())
    while "STAND_IN_STOP" in os.environ and Path(os.environ["STAND_IN_STOP"]).exists():
        time.sleep(0.05)
    if _is_told("memory"):
        resource.setrlimit(resource.RLIMIT_AS, (2**34, resource.RLIM_INFINITY))
        np.ones((2**32,))  # 32 GiB
    if _is_told("kill"):
        os.kill(os.getpid(), signal.SIGKILL)
    _work(f"solve {size:.9f} {band.frequencies_hz}")
    pattern = directions()
    level = np.exp(-10 * size * (1 - pattern.vectors[:, 0]))
    frequency = np.array(band.frequencies_hz)
    strength = 1.0 + np.arange(max(len(motions), 1))
    far_field = np.tile(level, (len(strength), len(frequency), 1)).astype(complex)
    far_field *= strength[:, np.newaxis, np.newaxis]
    power = np.einsum("sfd,tfd,d->fst", far_field, far_field, pattern.weight) / (2 * 413)
    outcomes = tuple(
        FrequencyOutcome(
            frequency_hz=float(f),
            status="solved",
            reason="",
            iterations=5,
            residual=1e-5,
            seconds=0.1,
            unknowns=mesh.n_triangles,
            power_balance=1.0,
        )
        for f in frequency
    )
    return BandResult(
        frequencies_hz=frequency,
        far_field=far_field,
        cross_power=power.astype(complex),
        outcomes=outcomes,
        microphone_pressure=np.full((len(strength), len(frequency), len(microphones_m)), 0.5j),
    )


def warm_up(say: Any) -> None:
    """Compile nothing."""


METHODS = Methods(mesh_shape=mesh_shape, solve_band=solve_band, warm_up=warm_up)


def _is_told(fault: str) -> bool:
    """Tell whether a fault is to happen; the file is gone then, so that it happens once."""
    if "STAND_IN_FAULT" not in os.environ:
        return False
    try:
        Path(os.environ["STAND_IN_FAULT"], fault).unlink()
    except FileNotFoundError:
        return False
    return True


def _work(what: str) -> None:
    time.sleep(float(os.environ.get("STAND_IN_SECONDS", "0")))
    if "STAND_IN_LOG" in os.environ:
        with Path(os.environ["STAND_IN_LOG"]).open("a", encoding="utf-8") as stream:
            stream.write(f"{os.getpid()} {what}\n")


def _one_line(run: RunView, path: Path) -> None:
    path.write_text(run.title, encoding="utf-8")


def put_in_place() -> None:
    """Let the command line work with these, and write a report of one line."""
    real = options.run_options
    options.run_options = lambda *given: replace(real(*given), methods=METHODS)
    report.write_report = _one_line
    summary.leader_pictures = lambda *_: ()  # type: ignore[attr-defined]  # it imports that name
    summary._target_picture = lambda loaded: b""


def main(*, log_plan: bool = True) -> None:
    """Run the command line with the stand-ins; the plan's meshes may be left out of the log."""
    put_in_place()
    if not log_plan:
        log = os.environ.pop("STAND_IN_LOG")
        faults = os.environ.pop("STAND_IN_FAULT")
        real = dask_pool.worker_pool

        @contextmanager
        def worker_pool(**given: Any) -> Iterator[Any]:
            os.environ.update(STAND_IN_LOG=log, STAND_IN_FAULT=faults)  # the workers inherit them
            with real(**given) as pool:
                yield pool

        before = options.run_options
        options.run_options = lambda *g: replace(before(*g), open_pool=worker_pool)
    sys.exit(cli.main())
