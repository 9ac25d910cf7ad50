# SPDX-License-Identifier: GPL-3.0-or-later
"""What carving makes small, softened, and its slope with respect to everything that is solved."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from bafflelens.base.conventions import ComplexArray
from bafflelens.directivity.dome_mixtures import as_sources, has_profiles, mixed_by
from bafflelens.directivity.interpolated import shown, weights_where_solved
from bafflelens.run.state import Run
from bafflelens.scoring.dome_slope import followed_value, of_profiles
from bafflelens.scoring.loudspeaker_slope import played_score_slope, shown_score_slope
from bafflelens.store.system_response import member_mixings, plates_of


def softened_slope(
    run: Run, dataset: xr.Dataset, baseline: xr.Dataset | None, softness_db: float
) -> tuple[float, ComplexArray]:
    """Return what the run's job follows of a dataset, softened, with its slope.

    Parameters
    ----------
    run : Run
        The run; if its job follows a family of dome motions, each member is compared with the
        baseline that has the same motion.
    dataset : xarray.Dataset
        As solved, with the profiles of the family if the job follows one.
    baseline : xarray.Dataset or None
        What a rigid dome is compared with, as it plays.
    softness_db : float
        As in `bafflelens.scoring.score_slope.score_slope`.

    Returns
    -------
    value_db : float
        In dB.
    weights : (n_sources, n_frequencies, n_directions) complex array
        The slope with respect to the far field of each source and, after these, each profile.
    """
    loaded, job = run.loaded, run.loaded.job
    given: tuple[Any, ...] = (
        loaded.loudspeaker,
        plates_of(run.folder, loaded),
        job.target.target(job.room.room),
        job.score.settings,
    )
    if job.score.domes == "rigid" or not has_profiles(dataset):
        alone = played_score_slope(dataset, *given, baseline, softness_db=softness_db)
        return alone.values_db["score"], alone.weights["score"]
    everything = as_sources(dataset)
    between = shown(everything)
    mixings = list(member_mixings(loaded, dataset, between))
    baselines = run.baseline_members or [None] * len(mixings)
    values, weights = [], []
    for mixing, other in zip(mixings, baselines, strict=True):
        member = mixed_by(between, mixing)
        found = shown_score_slope(member, *given, other, softness_db=softness_db)
        values.append(found.values_db["score"])
        weights.append(found.weights["score"])
    value_db, shares = followed_value(values, job.score.domes)
    of_all = of_profiles(shares, mixings, weights)
    return value_db, weights_where_solved(everything, of_all[np.newaxis])[0]
