# SPDX-License-Identifier: GPL-3.0-or-later
"""A candidate of a run as a radiator: by what was kept of its surface, or solved once again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.progress import Progress, Silent
from bafflelens.base.status import Status
from bafflelens.directivity.dome_mixtures import dome_radius_m, has_profiles
from bafflelens.directivity.far_field_data import is_solved
from bafflelens.directivity.polars import PLANES
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.solve_costs import band_memory
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, bands, mesh_size
from bafflelens.mockup.comparison.dome_fields import DomeMotions, orbit_fields
from bafflelens.mockup.comparison.radiator import SurfaceRadiator, surface_radiator
from bafflelens.mockup.solved_candidate import candidate_of
from bafflelens.run.open_candidate import solve_settings
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.shapes.meshing.scripts import packed
from bafflelens.store import RunFolder
from bafflelens.store.system_response import accelerations_as_played
from bafflelens.workers.dask_pool import usable_memory
from bafflelens.workers.memory_limit import GIB, Machine, Need, Reservations
from bafflelens.workers.work_units import (
    Methods,
    SolveSettings,
    mesh_candidate,
    solve_candidate_band,
)


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
    dataset = dataset.isel(frequency=is_solved(dataset))
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
        _solve(folder, loaded, candidate, wanted_hz, progress, methods)
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
    if not folder.load_surface(candidate_id):
        return None
    try:
        return radiator_of(folder, candidate_id, progress=Silent())
    except InputError:  # not at every frequency
        return None


def _solve(
    folder: RunFolder,
    loaded: LoadedJob,
    candidate: CandidateResult,
    frequencies_hz: np.ndarray[tuple[int], np.dtype[np.float64]],
    progress: Progress,
    methods: Methods | None,
) -> None:
    """Solve a candidate once more at its frequencies and keep its surface, in this process."""
    job, shape, methods = loaded.job, loaded.shape_of(candidate.id), methods or Methods()
    settings = replace(
        solve_settings(loaded, candidate, keep_surface=True, with_family=False),
        without_card="direct",
        microphones_m=(),  # what is kept tells the pressure anywhere
    )
    chosen = bands([float(frequency) for frequency in frequencies_hz], job.solve.quality)
    sizes = [
        mesh_size(job.solve.quality, band.mesh_frequency_hz, job.air.medium) for band in chosen
    ]
    total = float(sum(len(band.frequencies_hz) for band in chosen))
    with progress.bar(total, f"solving {candidate.id} again") as advance:
        meshes = mesh_candidate(
            methods,
            packed(shape),
            dict(candidate.values),
            sizes,
            job.solve.mesh_time_limit_s,
        )
        for number, band in enumerate(chosen):
            _require_memory(loaded, candidate, settings, meshes.value[number], band)
        folder.drop_surface(candidate.id)
        for number, band in enumerate(chosen):
            result = solve_candidate_band(methods, meshes, number, band, settings).value
            failed = [one for one in result.outcomes if one.status != Status.SOLVED]
            if failed or result.surface is None:
                where = f"{failed[0].frequency_hz:.0f} Hz: {failed[0].reason}" if failed else ""
                rule = f"one that can be solved again ({where})"
                raise InputError(invalid("candidate", candidate.id, rule))
            folder.save_surface(candidate.id, number, result.surface)
            advance(float(len(band.frequencies_hz)))


def _require_memory(
    loaded: LoadedJob, candidate: CandidateResult, settings: SolveSettings, mesh: Mesh, band: Band
) -> None:
    """Raise unless a band takes no more memory than the job allows one piece of work."""
    wanted_gib = loaded.job.solve.memory_gib
    limit = Machine(
        name="",
        workers=1,
        memory_bytes=wanted_gib * GIB if wanted_gib else usable_memory(),
        has_card=settings.on_card,
    )
    need = Need(
        memory_bytes=band_memory(mesh.n_triangles, len(settings.symmetry), settings.engine),
        card=settings.on_card,
    )
    refusal = Reservations([limit]).refusal(need)
    if refusal:
        where = f"{min(band.frequencies_hz):.0f} to {max(band.frequencies_hz):.0f} Hz: {refusal}"
        raise InputError(
            invalid("candidate", candidate.id, f"one that can be solved again ({where})")
        )
