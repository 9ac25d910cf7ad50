# SPDX-License-Identifier: GPL-3.0-or-later
"""The smallest score difference that means anything: the best shape, meshed several ways."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Final

import xarray as xr

from bafflelens.base.status import Status
from bafflelens.job.cost_estimate import band_mesh_sizes
from bafflelens.mesh.quality import MeshSize
from bafflelens.run.judging import score_of
from bafflelens.run.solving import Aside
from bafflelens.run.state import Run
from bafflelens.scoring.ranking import RankedRow, Remeshing
from bafflelens.scoring.score import Score

SIZE_STEP: Final = 0.04
"""Meshes differ in their edge lengths by this share: another mesh, but no finer or coarser one."""


def best_meshed_again(run: Run, rows: Sequence[RankedRow]) -> tuple[Aside, ...]:
    """Return the best candidate as it is to be meshed again, and noted how far scores are apart.

    Parameters
    ----------
    run : Run
        The run; its job says how often.
    rows : sequence of RankedRow
        Its ranking.

    Returns
    -------
    tuple of Aside
        What `solve_aside` takes; empty if nothing is to be solved.
    """
    count = run.loaded.job.solve.remeshes
    ranked = [row.candidate for row in rows if row.status == Status.RANKED]
    best = next((candidate for candidate in ranked if not candidate.is_baseline), None)
    if not count or best is None or best.score is None:
        return ()
    run.progress.say(f"meshing {best.id} {count} more ways: which differences mean anything?")
    sizes = band_mesh_sizes(run.loaded, run.plan.bands)
    variants = [
        (replace(best, id=f"{best.id}.mesh{number}"), scaled(sizes, size_factor(number)))
        for number in range(1, count + 1)
    ]
    return (Aside(run=run, shapes=variants, conclude=partial(_note, run, best.id, best.score)),)


def _note(run: Run, best: str, score: Score, datasets: dict[str, xr.Dataset]) -> None:
    """Note how far the scores of the best are apart."""
    scores = [score_of(run, dataset) for dataset in datasets.values()]
    found = Remeshing(
        candidate=best,
        scores_db=(score.total_db, *(s.total_db for s in scores if s.is_complete)),
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
