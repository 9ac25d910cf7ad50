# SPDX-License-Identifier: GPL-3.0-or-later
"""The dimensions of a job's candidates that a person reads: what is built, as scripts say it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from bafflelens.job.job_file import LoadedJob
from bafflelens.shapes.meshing.loading import dimensions_of_shape


def dimensions_in(loaded: LoadedJob) -> Callable[[str, Mapping[str, float]], dict[str, float]]:
    """Return what tells the dimensions of a job's candidates from their id and their values.

    Each script is loaded once. What comes back is by key, in the script's order: a value that
    stands for another one is that one, and what is not there is left out.

    Parameters
    ----------
    loaded : LoadedJob
        The job.
    """
    known: dict[Path, Callable[[Mapping[str, float]], dict[str, float]]] = {}

    def dimensions(candidate_id: str, values: Mapping[str, float]) -> dict[str, float]:
        shape = loaded.shape_of(candidate_id)
        if shape.script not in known:
            known[shape.script] = dimensions_of_shape(shape)
        return known[shape.script](values)

    return dimensions
