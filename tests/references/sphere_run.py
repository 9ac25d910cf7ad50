# SPDX-License-Identifier: GPL-3.0-or-later
"""A run whose candidates are one sphere with a moving cap, really solved, pressure kept."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import bodies
import numpy as np
import pytest

from bafflelens import report
from bafflelens.base.medium import Air
from bafflelens.bem.sweep import BandResult, solve_band
from bafflelens.directivity.direction_set import directions
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band
from bafflelens.report import summary
from bafflelens.run.options import RunOptions
from bafflelens.run.pipeline import run_job
from bafflelens.store import RunFolder
from bafflelens.workers.work_units import Methods

RADIUS_M = 0.08


def sphere(*_: Any) -> tuple[Mesh]:
    """Return the half y >= 0 of the sphere, its pole at the origin."""
    mesh = bodies.capped_sphere(0.16, np.radians(20), ("y",))  # type: ignore[no-untyped-call]
    names = np.where(mesh.surface == "cap", "dome", "baffle")
    return (
        Mesh(RADIUS_M * (mesh.vertices - [np.cos(np.radians(20)), 0, 0]), mesh.triangles, names),
    )


@cache
def _solved_band(
    frequencies_hz: Any, mesh_hz: float, keep_surface: bool, motions: Any, air: Air
) -> BandResult:
    """All candidates are the same sphere, which is solved once for all tests."""
    return solve_band(
        sphere()[0],
        motions,
        Band(frequencies_hz=frequencies_hz, mesh_frequency_hz=mesh_hz),
        air=air,
        directions=directions().vectors,
        symmetry=("y",),
        quality="draft",
        keep_surface=keep_surface,
    )


def _solve_sphere(
    mesh: Mesh, motions: Any, band: Band, *, air: Air, keep_surface: bool = False, **_: Any
) -> BandResult:
    return _solved_band(
        band.frequencies_hz, band.mesh_frequency_hz, keep_surface, tuple(motions), air
    )


def run_of_sphere(
    write_job: Callable[..., Path],
    results: Path,
    methods: Methods,
    open_pool: Any,
    patch: pytest.MonkeyPatch,
    *replacements: tuple[str, str],
) -> RunFolder:
    """Return the run of a job with one candidate; pieces of the job can be replaced."""
    patch.setattr(report, "write_report", lambda view, path: path.write_text(view.title))
    patch.setattr(summary, "leader_pictures", lambda *_: ())
    patch.setattr(summary, "_target_picture", lambda loaded: b"")
    really = replace(
        methods,
        mesh_shape=lambda shape, values, sizes, limit: sphere() * len(sizes),
        solve_band=_solve_sphere,
    )
    job = write_job(("candidates = 3", "candidates = 1"), *replacements)
    return run_job(job, RunOptions(results=results, methods=really, open_pool=open_pool)).folder
