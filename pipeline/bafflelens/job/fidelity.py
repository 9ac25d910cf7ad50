# SPDX-License-Identifier: GPL-3.0-or-later
"""Stages of fidelity: which jobs they are, and the rule that promotes from one to the next."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from bafflelens.job.job_file import LoadedJob

LOOK_QUALITY: Final = "draft"


def look_job(loaded: LoadedJob) -> LoadedJob:
    """Return the job of a first look: a draft of the band that is scored, few frequencies."""
    job = loaded.job
    if job.first_look is None:
        return loaded
    frequencies = job.frequencies.model_copy(
        update={
            "from_hz": max(job.frequencies.from_hz, job.score.from_hz),
            "to_hz": min(job.frequencies.to_hz, job.score.to_hz),
            "per_octave": job.first_look.per_octave,
        }
    )
    solve = job.solve.model_copy(update={"quality": LOOK_QUALITY, "keep_surface": False})
    return replace(loaded, job=job.model_copy(update={"frequencies": frequencies, "solve": solve}))


def finals_job(loaded: LoadedJob) -> LoadedJob:
    """Return the job that finalists are solved by: all of it, at a better quality."""
    solve = loaded.job.solve.model_copy(
        update={"quality": loaded.job.finalists.better_quality, "keep_surface": False}
    )
    return replace(loaded, job=loaded.job.model_copy(update={"solve": solve}))


def promoted(scores_db: Mapping[str, float], keep_pct: float, margin_db: float) -> tuple[str, ...]:
    """Return which candidates go on, the best first.

    The best share of them, at least one, and with these all that are within a margin of the last
    one kept. What has no score stays behind.

    Parameters
    ----------
    scores_db : mapping of str to float
        Score of each in dB, lower is better.
    keep_pct : float
        The share, in per cent.
    margin_db : float
        The margin, in dB.

    Examples
    --------
    >>> promoted({"a": 3.0, "b": 2.0, "c": 3.2, "d": 9.0}, 50, 0.3)
    ('b', 'a', 'c')
    """
    finite = {name: value for name, value in scores_db.items() if math.isfinite(value)}
    ordered = sorted(finite, key=lambda name: (finite[name], name))
    if not ordered:
        return ()
    last_db = finite[ordered[math.ceil(keep_pct / 100 * len(ordered)) - 1]]
    return tuple(name for name in ordered if finite[name] <= last_db + margin_db)
