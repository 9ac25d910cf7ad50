# SPDX-License-Identifier: GPL-3.0-or-later
"""Frequencies that are shown and not judged, solved at a coarser, stated error."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from bafflelens.base.errors import invalid
from bafflelens.job.score_sections import ScoreSection
from bafflelens.job.sections import Job
from bafflelens.job.solve_sections import FrequenciesSection, SolveSection
from bafflelens.mesh.quality import QUALITIES, Band, bands, open_bands, stated_error_db

# Above the band that is judged so much is solved like it: about two steps, which is what the
# interpolation below looks at.
_MARGIN: Final = 2 ** (1 / 6)


def in_full_to_hz(job: Job) -> float:
    """Return up to where solve.quality holds, in Hz; infinite where it holds throughout."""
    if job.frequencies.show_to_quality is None:
        return math.inf
    return job.score.to_hz * _MARGIN


def quality_shown(job: Job) -> str:
    """Return the quality of what is shown and not judged: the coarser of the job's two."""
    chosen = (job.frequencies.show_to_quality or job.solve.quality, job.solve.quality)
    return min(chosen, key=QUALITIES.index)


def quality_of(job: Job, frequency_hz: float) -> str:
    """Return the quality at a frequency, or of the band whose mesh is made for it."""
    is_in_full = frequency_hz <= in_full_to_hz(job) * (1 + 1e-9)
    return job.solve.quality if is_in_full else quality_shown(job)


def split_bands(job: Job, frequencies_hz: list[float], *, may_grow: bool) -> tuple[Band, ...]:
    """Split frequencies into bands, none of two qualities.

    Parameters
    ----------
    job : Job
        The job.
    frequencies_hz : list of float
        What is solved, rising, in Hz.
    may_grow : bool
        Whether frequencies may be added to the bands.
    """
    split = open_bands if may_grow else bands
    limit_hz = in_full_to_hz(job)
    below = [hz for hz in frequencies_hz if hz <= limit_hz]
    above = [hz for hz in frequencies_hz if hz > limit_hz]
    if not above or not below:
        return split(frequencies_hz, quality_of(job, frequencies_hz[-1]))
    lower = split(below, job.solve.quality)
    if may_grow:  # what is added up to the limit belongs there
        lower = (*lower[:-1], replace(lower[-1], mesh_frequency_hz=limit_hz))
    return (*lower, *split(above, quality_shown(job)))


def shown_only_text(job: Job) -> str:
    """Return what is shown only, and how far off it may be; empty if nothing is."""
    limit_hz = in_full_to_hz(job)
    if limit_hz >= job.frequencies.frequencies_hz[-1]:
        return ""
    quality = quality_shown(job)
    return (
        f"above {limit_hz:.0f} Hz, where nothing is judged, {quality} quality: "
        f"{stated_error_db(quality):g} dB instead of {stated_error_db(job.solve.quality):g} dB"
    )


def shown_only_faults(
    frequencies: FrequenciesSection, solve: SolveSection | None, score: ScoreSection | None
) -> Iterator[str]:
    """Yield what is wrong with the quality of what is shown only."""
    chosen = frequencies.show_to_quality
    if chosen is None:
        return
    key = "key 'frequencies.show_to_quality'"
    if solve is not None and QUALITIES.index(chosen) >= QUALITIES.index(solve.quality):
        yield invalid(key, chosen, f"coarser than solve.quality, {solve.quality}")
    highest = frequencies.frequencies_hz[-1]
    if score is not None and score.to_hz * _MARGIN >= highest:
        rule = (
            f"left out unless score.to_hz, {score.to_hz:g} Hz, is more than a sixth of an octave "
            f"below the highest frequency, {highest:.0f} Hz"
        )
        yield invalid(key, chosen, rule)
