# SPDX-License-Identifier: GPL-3.0-or-later
"""Stages of fidelity: which jobs they are, and the rule that promotes from one to the next."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from bafflelens.base.octaves import THIRD_OCTAVE
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.solve_sections import FrequenciesSection

LOOK_QUALITY: Final = "draft"


def look_job(loaded: LoadedJob) -> LoadedJob:
    """Return the job of a first look: a draft of the band that is scored, few frequencies."""
    job = loaded.job
    if job.first_look is None:
        return loaded
    frequencies = judged_frequencies(loaded, job.first_look.per_octave)
    solve = job.solve.model_copy(update={"quality": LOOK_QUALITY, "keep_surface": False})
    return replace(loaded, job=job.model_copy(update={"frequencies": frequencies, "solve": solve}))


def judged_frequencies(loaded: LoadedJob, per_octave: Any) -> FrequenciesSection:
    """Return the frequencies of a job that its score needs, so many an octave.

    Where they are so far apart that none is near an end of the judged band, the next one beyond
    it, if the job has it.
    """
    whole = loaded.job.frequencies.model_copy(update={"per_octave": per_octave})
    score = loaded.job.score
    low, high = max(whole.from_hz, score.from_hz), min(whole.to_hz, score.to_hz)
    inside = whole.model_copy(update={"from_hz": low, "to_hz": high}).frequencies_hz
    half_step = 2 ** (THIRD_OCTAVE / 2)
    if inside and inside[0] > low * half_step:
        low = max((f for f in whole.frequencies_hz if f < inside[0]), default=low)
    if inside and inside[-1] < high / half_step:
        high = min((f for f in whole.frequencies_hz if f > inside[-1]), default=high)
    return whole.model_copy(update={"from_hz": low, "to_hz": high})


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
