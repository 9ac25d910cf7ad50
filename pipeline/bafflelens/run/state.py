# SPDX-License-Identifier: GPL-3.0-or-later
"""A run that is going on, and the names under which its candidates are solved."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import xarray as xr

from bafflelens.base.progress import Progress
from bafflelens.job.cost_estimate import Plan
from bafflelens.job.job_file import LoadedJob
from bafflelens.run.deadline import Clock
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.shapes.meshing.parameters import Shape
from bafflelens.store import RunFolder
from bafflelens.store.run_record import Journal
from bafflelens.workers.caching.cached_pool import RememberingPool
from bafflelens.workers.work_units import Methods

LOOK_SUFFIX: Final = ".look"
FINAL_SUFFIX: Final = ".final"
"""Under its id with these is kept what a candidate gave at another stage."""


@dataclass(frozen=True, kw_only=True)
class Run:
    """A run that is going on: what its steps need.

    Attributes
    ----------
    folder : RunFolder
        Where everything is kept.
    loaded : LoadedJob
        The job, with the geometry scripts as they are in the folder.
    plan : Plan
        What the work is expected to cost.
    pool : RememberingPool
        Who does it.
    journal : Journal
        What was done.
    progress : Progress
        Who is told.
    methods : Methods
        How a candidate is meshed and a band solved.
    clock : Clock
        When it must be ready.
    played : dict of str to xarray.Dataset
        What every score is compared with, kept as it plays: the baseline.
    baseline_members : list of xarray.Dataset
        The same with each plausible motion of its domes.
    """

    folder: RunFolder
    loaded: LoadedJob
    plan: Plan
    pool: RememberingPool
    journal: Journal
    progress: Progress
    methods: Methods
    clock: Clock
    played: dict[str, xr.Dataset] = field(default_factory=dict)
    baseline_members: list[xr.Dataset] = field(default_factory=list)

    def shape_of(self, candidate: CandidateResult) -> Shape:
        """Return the shape that a candidate is one of."""
        return self.loaded.shape_of(shape_id_of(candidate.id))


def shape_id_of(name: str) -> str:
    """Return which candidate, or baseline, is solved under a name at one stage or another."""
    return name.removesuffix(LOOK_SUFFIX).removesuffix(FINAL_SUFFIX)
