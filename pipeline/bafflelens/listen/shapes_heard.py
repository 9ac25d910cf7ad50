# SPDX-License-Identifier: GPL-3.0-or-later
"""A candidate of a run as it is heard: through its crossover and drivers, if the job has them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from bafflelens.base.progress import Progress
from bafflelens.directivity.dome_mixtures import without_profiles
from bafflelens.directivity.interpolated import shown
from bafflelens.job.job_file import LoadedJob
from bafflelens.listen.shape_response import ShapeResponse, shape_response
from bafflelens.listen.spectra import bins_hz
from bafflelens.run.crossover_tuning import best_crossover
from bafflelens.store import RunFolder
from bafflelens.store.system_response import accelerations_as_played, played

SAME: Final = "same"


def jobs_heard(
    folder: RunFolder, loaded: LoadedJob, names: Sequence[str], progress: Progress
) -> tuple[tuple[LoadedJob, ...], tuple[str, ...]]:
    """Return the job with the crossover that each candidate is heard through, and remarks on it.

    That is the job's own for all, unless it asks for ``each its best``: then what
    `bafflelens crossover` finds for each, judged by the score of the job.

    Raises
    ------
    InputError
        If a shape has nothing to be searched.
    """
    if loaded.loudspeaker.crossover is None:
        return (loaded,) * len(names), ()
    if loaded.job.listening.crossover == SAME:
        return (loaded,) * len(names), ("all shapes play through the crossover of the job",)
    found = [best_crossover(folder, loaded, name, progress) for name in names]
    jobs = [
        replace(loaded, loudspeaker=replace(loaded.loudspeaker, crossover=best.crossover))
        for best in found
    ]
    remarks = [
        f"{name} plays through the best crossover found for it: {best.text}"
        for name, best in zip(names, found, strict=True)
    ]
    return tuple(jobs), tuple(remarks)


def heard_shape(folder: RunFolder, loaded: LoadedJob, name: str) -> ShapeResponse:
    """Return what a candidate sends in every direction.

    Raises
    ------
    InputError
        If too little of the band is solved, or a driver's plate is missing.
    """
    solved = without_profiles(folder.load_directivity(name))
    dataset = shown(solved)
    centres = None
    if "source_centre_m" in solved:
        centres = np.atleast_2d(solved["source_centre_m"].transpose("source", "axis").values)
    if loaded.loudspeaker.crossover is not None:
        return shape_response(name, played(folder, loaded, solved), None, centres)
    transfer = accelerations_as_played(folder, loaded, dataset)
    return shape_response(name, dataset, transfer, centres)


def at_common_level(shapes: Sequence[ShapeResponse]) -> tuple[ShapeResponse, ...]:
    """Return shapes with one factor on all, so that the first has about 1 in front.

    A far field in Pa.m for 1 m/s^2 is so small that loudness would take it for silence.
    """
    first = shapes[0]
    frequency = bins_hz()
    inside = (frequency >= first.band_hz[0]) & (frequency <= first.band_hz[1])
    axis = np.abs(first.leaving(np.zeros(1), np.zeros(1))[0][inside])
    factor = 1 / float(np.sqrt(np.mean(axis**2)))
    return tuple(
        replace(one, directions=factor * one.directions, power=factor**2 * one.power)
        for one in shapes
    )
