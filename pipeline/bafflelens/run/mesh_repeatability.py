# SPDX-License-Identifier: GPL-3.0-or-later
"""The smallest score difference that means anything: the best shape, meshed several ways."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from bafflelens.base.status import Status
from bafflelens.job.cost_estimate import band_mesh_sizes
from bafflelens.mesh.quality import MeshSize
from bafflelens.run.judging import score_of
from bafflelens.run.solving import solve_aside
from bafflelens.run.state import Run
from bafflelens.scoring.ranking import RankedRow, Remeshing

SIZE_STEP: Final = 0.04
"""Meshes differ in their edge lengths by this share: another mesh, but no finer or coarser one."""


def mesh_best_again(run: Run, rows: Sequence[RankedRow]) -> None:
    """Mesh and solve the best candidate again, and note how far its scores are apart.

    Parameters
    ----------
    run : Run
        The run; its job says how often.
    rows : sequence of RankedRow
        Its ranking.
    """
    count = run.loaded.job.solve.remeshes
    ranked = [row.candidate for row in rows if row.status == Status.RANKED]
    best = next((candidate for candidate in ranked if not candidate.is_baseline), None)
    if not count or best is None or best.score is None:
        return
    run.progress.say(f"meshing {best.id} {count} more ways: which differences mean anything?")
    sizes = band_mesh_sizes(run.loaded, run.plan.bands)
    variants = [
        (replace(best, id=f"{best.id}.mesh{number}"), scaled(sizes, size_factor(number)))
        for number in range(1, count + 1)
    ]
    scores = [score_of(run, dataset) for dataset in solve_aside(run, variants).values()]
    found = Remeshing(
        candidate=best.id,
        scores_db=(best.score.total_db, *(s.total_db for s in scores if s.is_complete)),
    )
    run.journal.set_remeshing(found)
    run.progress.say(found.text)


def size_factor(number: int) -> float:
    """Return the factor on all edge lengths of a further mesh: 1.04, 0.96, 1.08, 0.92 ..."""
    share = SIZE_STEP * ((number + 1) // 2)
    return 1 + share if number % 2 else 1 - share


def scaled(sizes: Sequence[MeshSize], factor: float) -> tuple[MeshSize, ...]:
    """Return mesh rules with all edge lengths multiplied."""
    return tuple(
        replace(size, source_size_m=factor * size.source_size_m, largest_m=factor * size.largest_m)
        for size in sizes
    )
