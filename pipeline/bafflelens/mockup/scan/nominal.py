# SPDX-License-Identifier: GPL-3.0-or-later
"""The nominal shape of a clay model: a candidate of a job, or of a run."""

from __future__ import annotations

from pathlib import Path

from bafflelens.base.errors import InputError, invalid
from bafflelens.job.job_file import load_job
from bafflelens.job.sampling import draw
from bafflelens.shapes.meshing.parameters import Shape
from bafflelens.store import open_run


def nominal_shape(source: Path, candidate: str) -> tuple[Shape, dict[str, float]]:
    """Return a shape and its parameters.

    Parameters
    ----------
    source : Path
        A job file, or the folder of a run.
    candidate : str
        ``baseline`` or the name of a candidate, ``c003``.

    Raises
    ------
    InputError
        If the job has faults, or no such candidate.
    """
    values: dict[str, dict[str, float]]
    if source.is_dir():
        opened = open_run(source)
        loaded = opened.load_job()
        values = {found.id: dict(found.values) for found in opened.candidates()}
    else:
        loaded = load_job(source)
        values = {found.id: found.values for found in draw(loaded).everything}
    if candidate not in values:
        raise InputError(invalid("option '--candidate'", candidate, "one of " + ", ".join(values)))
    return loaded.shape_of(candidate), values[candidate]
