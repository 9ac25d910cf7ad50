# SPDX-License-Identifier: GPL-3.0-or-later
"""A candidate of a run as a radiator: by what was kept of its surface, or solved once again."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.progress import Progress, Silent
from bafflelens.directivity.dome_mixtures import dome_radius_m, has_profiles
from bafflelens.directivity.far_field_data import solved_part
from bafflelens.directivity.polars import PLANES
from bafflelens.mockup.comparison.dome_fields import DomeMotions, orbit_fields
from bafflelens.mockup.comparison.radiator import SurfaceRadiator, surface_radiator
from bafflelens.mockup.solved_candidate import candidate_of
from bafflelens.store import RunFolder
from bafflelens.store.system_response import accelerations_as_played

if TYPE_CHECKING:
    from bafflelens.workers.work_units import Methods


def radiator_of(
    folder: RunFolder,
    candidate_id: str,
    *,
    source: str = "",
    solve_again: bool = False,
    progress: Progress,
    methods: Methods | None = None,
) -> SurfaceRadiator:
    """Return a candidate as it plays, in the air of its run.

    Parameters
    ----------
    folder : RunFolder
        The run.
    candidate_id : str
        Id of a candidate that is solved, or of a plate.
    source : str
        Name of the only source that moves; empty for what the job says.
    solve_again : bool
        Whether a candidate of which nothing was kept is solved again, once.
    progress : Progress
        Who is told.
    methods : Methods, optional
        How it is meshed and solved again.

    Raises
    ------
    InputError
        If the candidate is not solved, or its surface was not kept and is not to be solved again.
    """
    candidate = candidate_of(folder, candidate_id)
    loaded, dataset = folder.load_job(), folder.load_directivity(candidate_id)
    dataset = solved_part(dataset)
    kept = folder.load_surface(candidate_id)
    at_hz = np.sort(np.concatenate([one.frequencies_hz for one in kept])) if kept else np.zeros(0)
    wanted_hz = dataset["frequency"].values
    is_whole = at_hz.shape == wanted_hz.shape and np.allclose(at_hz, wanted_hz, rtol=1e-9)
    if not is_whole and not solve_again:
        rule = (
            "one whose surface pressure was kept, which it is with solve.keep_surface = true; "
            "with --solve it is solved once more and kept"
        )
        raise InputError(invalid("candidate", f"{candidate_id} of {folder.path}", rule))
    if not is_whole:
        # What solves is slow to load, and hardly ever needed.
        from bafflelens.mockup.comparison.solved_again import solve_again as solve

        solve(folder, loaded, candidate, wanted_hz, progress, methods)
        kept = folder.load_surface(candidate_id)
    strengths = accelerations_as_played(folder, loaded, dataset, source)
    return surface_radiator(kept, strengths, loaded.job.air.medium.sound_speed)


def dome_motions_of(
    folder: RunFolder, candidate_id: str, source: str, sound_speed: float
) -> DomeMotions | None:
    """Return what motions the dome of a candidate may have, as far as profiles were solved.

    None where there are none, or several sources played.

    Parameters
    ----------
    folder : RunFolder
        The run.
    candidate_id : str
        A candidate that is solved.
    source : str
        Name of the only source that played; empty for what the job says.
    sound_speed : float
        During the measurement, in m/s: wavelengths stay, as those of a radiator do.
    """
    loaded, dataset = folder.load_job(), folder.load_directivity(candidate_id)
    sources = [str(name) for name in dataset["source"].values]
    name = source or (sources[0] if len(sources) == 1 else "")
    if name not in loaded.boundaries.families or not has_profiles(dataset):
        return None
    section = loaded.job.domes[name]
    scale = sound_speed / float(dataset.attrs["air_sound_speed_m_s"])
    orbits = {plane: orbit_fields(dataset, name, plane) for plane in PLANES}
    return DomeMotions(
        source=name,
        radius_m=dome_radius_m(dataset, name),
        effects=tuple(section.effects),
        ranges=section.ranges,
        profiles=loaded.boundaries.families[name].profiles,
        orbits={
            plane: replace(fields, frequency_hz=scale * fields.frequency_hz)
            for plane, fields in orbits.items()
        },
    )


def kept_radiator(folder: RunFolder, candidate_id: str) -> SurfaceRadiator | None:
    """Return a candidate by what was kept of its surface; None if not all of it was.

    Raises
    ------
    InputError
        If the candidate is not among those that are solved.
    """
    candidate_of(folder, candidate_id)
    if not folder.has_surface(candidate_id):
        return None
    try:
        return radiator_of(folder, candidate_id, progress=Silent())
    except InputError:  # not at every frequency
        return None
