# SPDX-License-Identifier: GPL-3.0-or-later
"""Slopes of a solved candidate: what moving each place of its surface does to its score."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
import xarray as xr

from bafflelens.base.conventions import BoolArray, ComplexArray, FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.progress import Advance, Progress
from bafflelens.bem.card_mesh import send_where_wanted
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.moving_body import MovingBody
from bafflelens.bem.node_slopes import discretised_slope
from bafflelens.bem.surface_pressure import SurfacePressure
from bafflelens.bem.surface_slope import moving_triangles, onto_mesh, prepare_slopes, surface_slope
from bafflelens.bem.system_matrix import Workspace
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.far_field_data import is_solved, solved_frequencies
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.sampling import BASELINE_ID
from bafflelens.mesh.mesh import Mesh
from bafflelens.mockup.solved_candidate import candidate_of, moving_body_of
from bafflelens.scoring.loudspeaker_slope import played_score_slope
from bafflelens.scoring.score_slope import OBJECTIVES, ScoreSlope
from bafflelens.store import RunFolder
from bafflelens.store.system_response import plates_of, played

ENGINES_WITH_SLOPES = ("direct", "gpu")


@dataclass(frozen=True, kw_only=True, eq=False)
class Solved:
    """A candidate of a run with what was kept of its surface.

    Attributes
    ----------
    folder : RunFolder
        The run.
    id : str
        Id of the candidate.
    loaded : LoadedJob
        The run's job.
    surfaces : tuple of SurfacePressure
        One a band, rising in frequency.
    body : MovingBody
        What it is besides its meshes.
    """

    folder: RunFolder
    id: str
    loaded: LoadedJob
    surfaces: tuple[SurfacePressure, ...]
    body: MovingBody

    @property
    def mesh(self) -> Mesh:
        """The mesh of the highest band, which is the finest; the kept part of it."""
        return self.surfaces[-1].mesh


@dataclass(frozen=True, kw_only=True, eq=False)
class Slopes:
    """What an outward displacement does to the score of a candidate and to its parts.

    Attributes
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Mirror planes: a displacement has its image.
    frequencies_hz : (n_frequencies,) array
        Those that have a part in it, in Hz.
    density : mapping of str to (n_frequencies, n_triangles) array
        For each of `bafflelens.scoring.score_slope.OBJECTIVES` the change in dB per m of
        displacement and m^2 of the mesh, at each frequency; 0 on what moves.
    values_db : mapping of str to float
        What is changed, in dB; no part falls below 0.
    shares : mapping of str to float
        How much the score changes with each part.
    is_clay : (n_triangles,) array of bool
        Where something can be added or taken: neither moving nor absorbing.
    """

    mesh: Mesh
    symmetry: tuple[str, ...]
    frequencies_hz: FloatArray
    density: Mapping[str, FloatArray]
    values_db: Mapping[str, float]
    shares: Mapping[str, float]
    is_clay: BoolArray

    def limited(
        self, change_db: Mapping[str, FloatArray], left_db: Mapping[str, float] | None = None
    ) -> dict[str, FloatArray]:
        """Return changes by the slopes with no part falling by more than is left of it.

        A term of the score that is nearly met has a slope, but not far to go. What is lost so is
        lost to the score by the share of the part.
        """
        left_db = left_db or self.values_db
        found = {name: np.asarray(change) for name, change in change_db.items()}
        for name, share in self.shares.items():
            missed = np.maximum(-left_db[name] - found[name], 0.0)
            found[name] = found[name] + missed
            found["score"] = found["score"] + share * missed
        return found


def candidate_with_slopes(folder: RunFolder, candidate_id: str) -> Solved:
    """Return a candidate of a run whose slopes can be taken.

    Raises
    ------
    InputError
        If it is not solved, its surface pressure was not kept, or its engine has no slopes.
    """
    candidate = candidate_of(folder, candidate_id)
    loaded = folder.load_job()
    engine = loaded.job.solve.engine
    if engine not in ENGINES_WITH_SLOPES:
        rule = f"one with slopes over the surface: {' or '.join(ENGINES_WITH_SLOPES)}"
        raise InputError(invalid("engine of the run", engine, rule))
    surfaces = folder.load_surface(candidate_id)
    solved_hz = solved_frequencies(folder.load_directivity(candidate_id))
    kept_hz = np.concatenate([one.frequencies_hz for one in surfaces]) if surfaces else np.zeros(0)
    if len(kept_hz) != len(solved_hz) or not np.allclose(np.sort(kept_hz), solved_hz, rtol=1e-9):
        rule = "one whose surface pressure was kept, which it is with solve.keep_surface = true"
        raise InputError(invalid("candidate", f"{candidate_id} of {folder.path}", rule))
    return Solved(
        folder=folder,
        id=candidate_id,
        loaded=loaded,
        surfaces=tuple(sorted(surfaces, key=lambda one: float(one.frequencies_hz[-1]))),
        body=moving_body_of(loaded, candidate),
    )


def candidate_slopes(solved: Solved, progress: Progress) -> Slopes:
    """Return the slopes of a candidate over its surface.

    Parameters
    ----------
    solved : Solved
        From `candidate_with_slopes`.
    progress : Progress
        Who is told.

    Raises
    ------
    InputError
        If the score has no slope left, or cannot be played.
    """
    dataset = solved.folder.load_directivity(solved.id)
    settings = solved.loaded.job.score.settings
    by_score = score_slope_of(solved, dataset)
    weights = np.stack([by_score.weights[name] for name in OBJECTIVES])
    if not np.any(weights[0]):
        rule = "one whose score has a slope left: what its target asks for is met"
        raise InputError(invalid("candidate", f"{solved.id} of {solved.folder.path}", rule))
    mesh = solved.mesh
    numbers = {float(hz): n for n, hz in enumerate(dataset["frequency"].values)}
    numbers = {hz: n for hz, n in numbers.items() if is_solved(dataset)[n]}
    found: dict[float, FloatArray] = {}
    with progress.bar(float(sum(_cost(one) for one in solved.surfaces)), "slopes") as advance:
        for surface in solved.surfaces:
            here = {
                hz: weights[:, :, _number(numbers, hz)]
                for hz in surface.frequencies_hz.tolist()
                if np.any(weights[:, :, _number(numbers, hz)])
            }
            slopes = _band_slopes(solved, surface, here, advance)
            if slopes:
                moved = onto_mesh(mesh, surface.mesh, np.stack(list(slopes.values())))
                found |= dict(zip(slopes, moved, strict=True))
            advance(_cost(surface) * (1 - len(here) / len(surface.frequencies_hz)))
    rising = sorted(found)
    still = np.ones(mesh.n_triangles, dtype=bool)
    still[moving_triangles(solved.body.problem(mesh, rising[-1]))] = False
    return Slopes(
        mesh=mesh,
        symmetry=solved.body.symmetry,
        frequencies_hz=np.array(rising),
        density={
            name: np.stack([found[hz][n] for hz in rising]) for n, name in enumerate(OBJECTIVES)
        },
        values_db=by_score.values_db,
        shares={
            "vertical_control": settings.vertical_control.weight,
            "horizontal_width": settings.horizontal_width.weight,
            "side_effects": 1.0,
        },
        is_clay=still & ~np.isin(mesh.surface, list(solved.body.absorbers)),
    )


def score_slope_of(solved: Solved, dataset: xr.Dataset) -> ScoreSlope:
    """Return score and parts of a dataset, judged as a candidate is, with their slopes."""
    folder, loaded = solved.folder, solved.loaded
    job, baseline = loaded.job, None
    if folder.has_directivity(BASELINE_ID):
        baseline = played(folder, loaded, folder.load_directivity(BASELINE_ID))
    return played_score_slope(
        dataset,
        loaded.loudspeaker,
        plates_of(folder, loaded),
        job.target.target(job.room.room),
        job.score.settings,
        baseline,
    )


def _number(numbers: Mapping[float, int], frequency_hz: float) -> int:
    """Return the number of a frequency in the dataset, which a file may have rounded."""
    return numbers[min(numbers, key=lambda hz: abs(hz - frequency_hz))]


def _cost(surface: SurfacePressure) -> float:
    return float(len(surface.frequencies_hz) * surface.mesh.n_triangles**2)


def _band_slopes(
    solved: Solved,
    surface: SurfacePressure,
    weights: Mapping[float, ComplexArray],
    advance: Advance,
) -> dict[float, FloatArray]:
    """Return the slopes on the mesh of a band, (n_objectives, n_triangles) a frequency."""
    found = {}
    slope_of = _slope_function(solved, surface)
    for number, frequency_hz in enumerate(surface.frequencies_hz.tolist()):
        if frequency_hz in weights:
            found[frequency_hz] = slope_of(
                solved.body.problem(surface.mesh, frequency_hz),
                surface.pressure[:, number].astype(complex),
                directions().vectors,
                weights[frequency_hz],
            )
            advance(_cost(surface) / len(surface.frequencies_hz), f"{frequency_hz:.0f} Hz")
    return found


def _slope_function(solved: Solved, surface: SurfacePressure) -> Callable[..., FloatArray]:
    """Return what gives the slopes on the mesh of a band.

    They are those of the discretised equation, which are the closest to what a changed shape
    gives; on the card and where the body absorbs, those of the continuous fields.
    """
    workspace = Workspace()
    on_card = send_where_wanted(
        surface.mesh, surface.symmetry, is_wanted=solved.loaded.job.solve.engine == "gpu"
    )
    if on_card is None and not solved.body.absorbers:
        discretisation = discretise(surface.mesh, surface.symmetry)
        return partial(discretised_slope, discretisation=discretisation, workspace=workspace)
    prepared = prepare_slopes(surface.mesh, surface.symmetry)
    return partial(surface_slope, prepared=prepared, workspace=workspace, on_card=on_card)
