# SPDX-License-Identifier: GPL-3.0-or-later
"""A candidate whose surface was not kept, solved once more so that it is."""

from __future__ import annotations

from dataclasses import replace

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.progress import Progress
from bafflelens.base.status import Status
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.solve_costs import band_memory
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band, bands, mesh_size
from bafflelens.run.open_candidate import solve_settings
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.shapes.meshing.scripts import packed
from bafflelens.store import RunFolder
from bafflelens.workers.dask_pool import usable_memory
from bafflelens.workers.memory_limit import GIB, Machine, Need, Reservations
from bafflelens.workers.work_units import (
    Methods,
    SolveSettings,
    mesh_candidate,
    solve_candidate_band,
)


def solve_again(
    folder: RunFolder,
    loaded: LoadedJob,
    candidate: CandidateResult,
    frequencies_hz: FloatArray,
    progress: Progress,
    methods: Methods | None,
) -> None:
    """Solve a candidate once more at its frequencies and keep its surface, in this process.

    Parameters
    ----------
    folder, loaded
        The run and its job.
    candidate : CandidateResult
        The candidate.
    frequencies_hz : (n,) array
        Its frequencies.
    progress : Progress
        Who is told.
    methods : Methods, optional
        How it is meshed and solved.

    Raises
    ------
    InputError
        If it cannot be solved, or takes more memory than there is.
    """
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
