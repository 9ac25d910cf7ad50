# SPDX-License-Identifier: GPL-3.0-or-later
"""What carving makes small, softened, and its slope with respect to everything that is solved."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import xarray as xr

from bafflelens.base.conventions import ComplexArray
from bafflelens.directivity.dome_mixtures import as_sources, has_profiles, mixed_by
from bafflelens.directivity.interpolated import shown, weights_where_solved
from bafflelens.directivity.loudspeaker import DrivenLoudspeaker
from bafflelens.run.state import Run
from bafflelens.scoring.dome_slope import followed_value, of_profiles
from bafflelens.scoring.loudspeaker_slope import played_score_slope, shown_score_slope
from bafflelens.scoring.quieter import Quieter
from bafflelens.scoring.score import ScoreSettings
from bafflelens.scoring.score_slope import FOLLOWED, ScoreSlope
from bafflelens.scoring.target import Target
from bafflelens.store.system_response import member_mixings, plates_of


def softened_slope(
    run: Run,
    dataset: xr.Dataset,
    baseline: xr.Dataset | None,
    quieter: Quieter | None,
    softness_db: float,
) -> tuple[float, float, ComplexArray]:
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
    quieter : Quieter or None
        What floor and ceiling are to get at the most; of a family the mean over its members.
    softness_db : float
        As in `bafflelens.scoring.score_slope.score_slope`.

    Returns
    -------
    softened_db, louder_db : float
        The score, and what being too loud towards floor and ceiling adds, in dB.
    weights : (n_sources, n_frequencies, n_directions) complex array
        The slope with respect to the far field of each source and, after these, each profile.
    """
    loaded, job = run.loaded, run.loaded.job
    given: tuple[DrivenLoudspeaker, dict[str, xr.Dataset], Target, ScoreSettings] = (
        loaded.loudspeaker,
        plates_of(run.folder, loaded),
        job.target.target(job.room.room),
        job.score.settings,
    )
    if job.score.domes == "rigid" or not has_profiles(dataset):
        alone = played_score_slope(
            dataset,
            *given,
            baseline,
            softness_db=softness_db,
            quieter=quieter,
            with_parts=False,
        )
        softened_db, louder_db, weight, more = _parts(alone)
        return softened_db, louder_db, weight + more
    everything = as_sources(dataset)
    between = shown(everything)
    mixings = list(member_mixings(loaded, dataset, between))
    baselines: Sequence[xr.Dataset | None] = run.baseline_members or [None] * len(mixings)
    found = [
        _parts(
            shown_score_slope(
                mixed_by(between, mixing),
                *given,
                other,
                softness_db=softness_db,
                quieter=quieter,
                with_parts=False,
            )
        )
        for mixing, other in zip(mixings, baselines, strict=True)
    ]
    softened_db, shares = followed_value([one[0] for one in found], job.score.domes)
    alike = np.full(len(found), 1 / len(found))
    of_all = of_profiles(shares, mixings, [one[2] for one in found])
    of_all = of_all + of_profiles(alike, mixings, [one[3] for one in found])
    louder_db = float(np.mean([one[1] for one in found]))
    return softened_db, louder_db, weights_where_solved(everything, of_all[np.newaxis])[0]


def _parts(found: ScoreSlope) -> tuple[float, float, ComplexArray, ComplexArray]:
    """Return the score, what is added for being loud, and the slopes of both."""
    value, weight = found.values_db["score"], found.weights["score"]
    if FOLLOWED not in found.values_db:
        return value, 0.0, weight, np.zeros_like(weight)
    return value, found.values_db[FOLLOWED] - value, weight, found.weights[FOLLOWED] - weight
