# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether baseline and candidates of a job differ in more than what is searched."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

import numpy as np

from bafflelens.job.job_file import LoadedJob
from bafflelens.job.sampling import Sampling, settings_of
from bafflelens.job.shape_sections import Fixed
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.shapes.meshing.moving_parts import source_motions

_SAME_M: Final = 1e-4


def baseline_differences(loaded: LoadedJob, sampling: Sampling) -> tuple[str, ...]:
    """Return a line for each thing that the baseline has otherwise than the candidates.

    Compared are what moves (drivers, their size and place) and the dimensions that both shapes
    have and the job does not search. A baseline without the midrange that the candidates have,
    for instance, gains or loses by that, and not by the lens.

    Parameters
    ----------
    loaded : LoadedJob
        The job.
    sampling : Sampling
        Its candidates; the first stands for all.
    """
    first, baseline = sampling.candidates[0], sampling.baseline
    theirs = source_motions(loaded.shape, first.values)
    its = source_motions(loaded.baseline_shape, baseline.values)
    settings = settings_of(loaded)
    searched = {
        key.partition(".")[0] for key, one in settings.items() if not isinstance(one, Fixed)
    }
    return (
        *_sources(theirs, its, searched),
        *_dimensions(loaded, first.values, baseline.values),
    )


def _sources(
    theirs: tuple[SourceMotion, ...], its: tuple[SourceMotion, ...], searched: set[str]
) -> Iterator[str]:
    """Yield what moves otherwise; a driver whose own part is searched may lie elsewhere."""
    candidates, baseline = {m.name: m for m in theirs}, {m.name: m for m in its}
    for name in sorted(candidates.keys() - baseline.keys()):
        yield f"the candidates have a {name}, the baseline has none"
    for name in sorted(baseline.keys() - candidates.keys()):
        yield f"the baseline has a {name}, the candidates have none"
    for name in sorted(candidates.keys() & baseline.keys()):
        if any(name.startswith(part.rstrip("s")) for part in searched):
            continue
        one, other = candidates[name], baseline[name]
        for what, here, there in (
            ("radius", one.outer_radius_m, other.outer_radius_m),
            ("height", one.centre[2], other.centre[2]),
            ("place sideways", one.centre[1], other.centre[1]),
        ):
            if not np.isclose(here, there, rtol=0, atol=_SAME_M):
                yield (
                    f"the {name}'s {what} is {1e3 * here:.1f} mm in the candidates and "
                    f"{1e3 * there:.1f} mm in the baseline"
                )


def _dimensions(
    loaded: LoadedJob, candidate: Mapping[str, float], baseline: Mapping[str, float]
) -> Iterator[str]:
    settings = settings_of(loaded)
    units = {parameter.key: parameter for parameter in loaded.shape.parameters}
    for key in (key for key in candidate if key in baseline):
        if isinstance(settings[key], Fixed) and candidate[key] != baseline[key]:
            parameter = units[key]
            yield (
                f"{parameter.help} ({key}) is {candidate[key]:g} {parameter.unit} in the "
                f"candidates and {baseline[key]:g} {parameter.unit} in the baseline"
            )
