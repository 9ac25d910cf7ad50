# SPDX-License-Identifier: GPL-3.0-or-later
"""A candidate of a run as it is heard: through its crossover and drivers, if the job has them."""

from __future__ import annotations

import numpy as np

from bafflelens.directivity.interpolated import shown
from bafflelens.job.job_file import LoadedJob
from bafflelens.listen.shape_response import ShapeResponse, shape_response
from bafflelens.store import RunFolder
from bafflelens.store.system_response import accelerations_as_played, played


def heard_shape(folder: RunFolder, loaded: LoadedJob, name: str) -> ShapeResponse:
    """Return what a candidate sends in every direction.

    Raises
    ------
    InputError
        If too little of the band is solved, or a driver's plate is missing.
    """
    solved = folder.load_directivity(name)
    dataset = shown(solved)
    centres = None
    if "source_centre_m" in solved:
        centres = np.atleast_2d(solved["source_centre_m"].transpose("source", "axis").values)
    if loaded.loudspeaker.crossover is not None:
        return shape_response(name, played(folder, loaded, solved), None, centres)
    transfer = accelerations_as_played(folder, loaded, dataset)
    return shape_response(name, dataset, transfer, centres)
