# SPDX-License-Identifier: GPL-3.0-or-later
"""How far a straight line can be believed: the proposed clay is put on and solved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
import xarray as xr

from bafflelens.base.progress import Progress
from bafflelens.base.status import Status
from bafflelens.bem.surface_pressure import SurfacePressure
from bafflelens.bem.surface_slope import moving_triangles
from bafflelens.bem.sweep import BandResult, solve_band
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.far_field_data import assemble_dataset
from bafflelens.mesh.intersections import crossing_triangles
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band
from bafflelens.mockup.clay_map.places import ClayPlace, displacement, predicted_db
from bafflelens.mockup.clay_map.slopes import Slopes, Solved, score_slope_of

_BELIEVED: Final = 0.25  # part of the predicted change that may be missing


@dataclass(frozen=True, kw_only=True)
class SecondStep:
    """What all places together were said to do, and what they do.

    Attributes
    ----------
    predicted_db, found_db : mapping of str to float
        Change of the score and its parts, in dB.
    reason : str
        Why it was not solved; empty if it was.
    believed_mm : float
        Up to this height of the bumps the straight line is right to a quarter, if what it misses
        grows with the square of the height; infinite where it misses nothing.
    """

    predicted_db: Mapping[str, float]
    found_db: Mapping[str, float]
    reason: str
    believed_mm: float


def solve_second_step(
    solved: Solved,
    slopes: Slopes,
    places: Sequence[ClayPlace],
    across_m: float,
    progress: Progress,
) -> SecondStep:
    """Put all clay on the meshes of a candidate, solve them and compare.

    Parameters
    ----------
    solved : Solved
        The candidate.
    slopes : Slopes
        Its slopes.
    places : sequence of Place
        What is added and taken.
    across_m : float
        Width of the bumps at their foot, in m.
    progress : Progress
        Who is told.
    """
    push = partial(_pushed, solved, places, across_m)
    predicted = predicted_db(slopes, push(slopes.mesh).vertices - slopes.mesh.vertices)
    meshes = [push(surface.mesh) for surface in solved.surfaces]
    if len(crossing_triangles(meshes[-1])):
        return _unsolved(predicted, "the moved surface would cross itself")
    results: list[BandResult] = []
    work = [float(one.pressure.shape[1] * one.mesh.n_triangles**2) for one in solved.surfaces]
    with progress.bar(sum(work), "second step") as advance:
        for surface, mesh, cost in zip(solved.surfaces, meshes, work, strict=True):
            result = _solved_band(solved, mesh, surface)
            failed = [one for one in result.outcomes if one.status != Status.SOLVED]
            if failed:
                return _unsolved(predicted, f"{failed[0].frequency_hz:.0f} Hz: {failed[0].reason}")
            results.append(result)
            advance(cost, f"up to {result.frequencies_hz[-1]:.0f} Hz")
    before = score_slope_of(solved, solved.folder.load_directivity(solved.id)).values_db
    after = score_slope_of(solved, _dataset(solved, results)).values_db
    found = {name: after[name] - before[name] for name in predicted}
    return SecondStep(
        predicted_db=predicted,
        found_db=found,
        reason="",
        believed_mm=_believed_mm(places, predicted["score"], found["score"]),
    )


def _pushed(solved: Solved, places: Sequence[ClayPlace], across_m: float, mesh: Mesh) -> Mesh:
    """Return one of a candidate's meshes with all clay on."""
    still = np.isin(mesh.surface, list(solved.body.absorbers))
    still[moving_triangles(solved.body.problem(mesh, 1000.0))] = True
    moved = displacement(places, mesh, solved.body.symmetry, across_m, still)
    return replace(mesh, vertices=mesh.vertices + moved)


def _unsolved(predicted: Mapping[str, float], reason: str) -> SecondStep:
    return SecondStep(predicted_db=predicted, found_db={}, reason=reason, believed_mm=0.0)


def _solved_band(solved: Solved, mesh: Mesh, before: SurfacePressure) -> BandResult:
    # Not from the answers before: what a small step does lies below what they may be off.
    job, frequencies_hz = solved.loaded.job, tuple(before.frequencies_hz.tolist())
    return solve_band(
        mesh,
        solved.body.motions,
        Band(frequencies_hz=frequencies_hz, mesh_frequency_hz=max(frequencies_hz)),
        air=solved.body.air,
        directions=directions().vectors,
        absorbers=solved.body.absorbers,
        symmetry=solved.body.symmetry,
        engine=job.solve.engine,
        quality=job.solve.quality,
        without_card="direct",
    )


def _dataset(solved: Solved, results: Sequence[BandResult]) -> xr.Dataset:
    return assemble_dataset(
        directions(),
        results,
        [motion.name for motion in solved.body.motions],
        air=solved.body.air,
        mesh_info={"quality": solved.loaded.job.solve.quality},
        engine=solved.loaded.job.solve.engine,
        versions={},
        source_centres=np.array([motion.centre for motion in solved.body.motions]),
    )


def _believed_mm(places: Sequence[ClayPlace], predicted_db: float, found_db: float) -> float:
    height_mm = max(abs(place.amount_mm) for place in places)
    missing_db = abs(found_db - predicted_db)
    if missing_db == 0:
        return float("inf")
    return float(height_mm * _BELIEVED * abs(predicted_db) / missing_db)
