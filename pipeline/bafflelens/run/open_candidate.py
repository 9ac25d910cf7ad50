# SPDX-License-Identifier: GPL-3.0-or-later
"""A candidate on its way: what is to be solved of it, what is out, and what has come back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final, NamedTuple

import numpy as np
import xarray as xr

from bafflelens.bem.sweep import BandResult
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.far_field_data import assemble_dataset
from bafflelens.directivity.frequency_interpolation import PASSES
from bafflelens.directivity.interpolated import frequencies_to_add
from bafflelens.job.domes import with_profiles
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.shown_only import quality_of, quality_shown
from bafflelens.job.solve_costs import band_memory
from bafflelens.job.sources import is_plate
from bafflelens.mesh.quality import Band, band_of, stated_error_db
from bafflelens.run.state import Run, shape_id_of
from bafflelens.scoring.ranking import CandidateResult
from bafflelens.workers.batches import Outcome
from bafflelens.workers.caching.asked_work import Meshes
from bafflelens.workers.work_units import SolveSettings

_FILES_A_PASS: Final = 100  # more than there can be bands
MESH: Final = "mesh"


class BandKey(NamedTuple):
    """Which work on a candidate: its bands first, then what each look at the interpolation adds.

    A run that was stopped goes on as if it had not been, since files are numbered by it.
    """

    pass_number: int
    band_number: int

    @classmethod
    def of_file(cls, number: int) -> BandKey:
        """Return which work a file of a run folder is of."""
        return cls(*divmod(number, _FILES_A_PASS))

    @property
    def file_number(self) -> int:
        """Number of its file in a run folder."""
        return self.pass_number * _FILES_A_PASS + self.band_number

    def __str__(self) -> str:
        """Return how it is called in messages and in the record of a run."""
        again = f", pass {self.pass_number + 1}" if self.pass_number else ""
        return f"band {self.band_number + 1}{again}"


class WorkKey(NamedTuple):
    """A piece of work: meshing a candidate, or solving one of its bands."""

    candidate: str
    band: BandKey | None = None  # None for its meshes

    @property
    def task(self) -> str:
        """Its name among the work on its candidate."""
        return MESH if self.band is None else str(self.band)

    def __str__(self) -> str:
        """Return its name among all work of a run."""
        return f"{self.candidate} {self.task}"


@dataclass(kw_only=True)
class OpenCandidate:
    """A candidate on its way.

    Attributes
    ----------
    run : Run
        What it is solved by: its job, and what its work is expected to cost.
    candidate : CandidateResult
        Which.
    position : int
        Its place in the order of the work.
    settings : SolveSettings
        What its bands are solved with.
    meshes : Meshes
        Its meshes, as the pool knows them.
    results : dict of BandKey to BandResult
        What has come back.
    unsaved : dict of BandKey to bool
        What of it is not kept yet, and whether that waits for the disk.
    pieces_out : int
        How many pieces of work are out.
    passes : list of dict of BandKey to Band
        What the passes so far consist of.
    refining_seconds : float
        What is still planned for passes after the first, in s.
    told_seconds : float
        How much of what is planned for it is done, in s.
    mesh_info : dict
        What its dataset says of its meshes.
    failures : dict of str to Outcome
        What failed, by the name of the task.
    is_aside : bool
        Whether it is no candidate of the run.
    """

    run: Run
    candidate: CandidateResult
    position: int
    settings: SolveSettings
    meshes: Meshes
    results: dict[BandKey, BandResult]
    unsaved: dict[BandKey, bool] = field(default_factory=dict)
    pieces_out: int = 0
    passes: list[dict[BandKey, Band]] = field(default_factory=list)
    refining_seconds: float = 0.0
    told_seconds: float = 0.0
    mesh_info: dict[str, str | int | float] = field(default_factory=dict)
    failures: dict[str, Outcome] = field(default_factory=dict)
    is_aside: bool = False

    def band_memory(self, band_number: int) -> float:
        """Return what solving a band takes, in bytes; 0 until its mesh is known."""
        if not self.meshes.has(band_number) or self.meshes.failure is not None:
            return 0.0
        unknowns = self.meshes.of(band_number).n_triangles
        return band_memory(unknowns, len(self.settings.symmetry), self.settings.engine)


def solve_settings(
    loaded: LoadedJob, candidate: CandidateResult, *, keep_surface: bool, with_family: bool
) -> SolveSettings:
    """Return what all bands of a candidate of a job are solved with.

    Parameters
    ----------
    loaded : LoadedJob
        The job.
    candidate : CandidateResult
        The candidate, baseline or plate, under its name at any stage.
    keep_surface : bool
        Whether the pressure on its surface is kept.
    with_family : bool
        Whether the profiles of plausible motions of its domes are solved besides.
    """
    job, shape = loaded.job, loaded.shape_of(shape_id_of(candidate.id))
    motions, absorbers = loaded.boundaries.both_of(shape, candidate.values)
    if with_family and not is_plate(candidate.id):
        motions = with_profiles(motions, loaded.boundaries.families)
    return SolveSettings(
        motions=motions,
        air=job.air.medium,
        symmetry=shape.symmetry,
        engine=job.solve.engine,
        quality=job.solve.quality,
        absorbers=absorbers,
        without_card=job.solve.without_card,
        microphones_m=loaded.loudspeaker.microphones_m(candidate.id),
        keep_surface=keep_surface,
    )


def missing_bands(opened: OpenCandidate) -> dict[BandKey, Band]:
    """Return what is to be solved next of a candidate, by key; empty if it is complete.

    First all bands; then, as long as the interpolation may be off by more than the quality's
    error, the frequencies that halve the steps in question.
    """
    for number in range(PASSES + 1):
        if number == len(opened.passes):
            opened.passes.append(_wanted(opened, number))
        wanted = opened.passes[number]
        missing = {key: band for key, band in wanted.items() if key not in opened.results}
        if missing or not wanted:
            return missing
    return {}


def _wanted(opened: OpenCandidate, pass_number: int) -> dict[BandKey, Band]:
    """Return what a pass consists of, by key; it follows from the passes before."""
    run = opened.run
    bands, frequencies = run.plan.bands, run.loaded.job.frequencies
    if pass_number == 0:
        return {BandKey(0, number): band for number, band in enumerate(bands)}
    if not frequencies.is_as_needed:
        return {}
    before = [result for key, result in opened.results.items() if key.pass_number < pass_number]
    try:
        dataset = dataset_of(opened, before)
    except ValueError:  # what does not fit together is recorded in the end
        return {}
    job = run.loaded.job
    more = [
        hz
        for quality in {job.solve.quality: None, quality_shown(job): None}
        for hz in frequencies_to_add(dataset, frequencies.frequencies_hz, stated_error_db(quality))
        if quality_of(job, hz) == quality
    ]
    if more:
        run.folder.log(f"{opened.candidate.id} pass {pass_number + 1}: {len(more)} frequencies")
    found: dict[int, list[float]] = {}
    for frequency in more:
        found.setdefault(band_of(frequency, bands), []).append(frequency)
    return {
        BandKey(pass_number, number): replace(bands[number], frequencies_hz=tuple(chosen))
        for number, chosen in found.items()
    }


def dataset_of(opened: OpenCandidate, results: Sequence[BandResult]) -> xr.Dataset:
    """Return what was solved as a dataset.

    Raises
    ------
    ValueError
        If the results do not fit together.
    """
    motions = [motion for motion in opened.settings.motions if motion.profile is None]
    profiles = opened.settings.motions[len(motions) :]
    return assemble_dataset(
        directions(),
        results,
        [motion.name for motion in motions],
        air=opened.settings.air,
        mesh_info=opened.mesh_info,
        engine=opened.settings.engine,
        versions=opened.run.journal.versions,
        microphones_m=opened.settings.microphones_m,
        source_centres=np.array([motion.centre for motion in motions]),
        profiles={profile.name: profile.inner_radius_m for profile in profiles},
    )
