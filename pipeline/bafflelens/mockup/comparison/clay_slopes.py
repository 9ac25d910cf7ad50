# SPDX-License-Identifier: GPL-3.0-or-later
"""How measured less simulated levels follow the clay and the set-up: differences with slopes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.base.progress import Progress
from bafflelens.bem.moving_body import MovingBody
from bafflelens.bem.plane_waves import plane_wave_fields
from bafflelens.bem.surface_pressure import SurfacePressure
from bafflelens.bem.surface_slope import (
    SlopeMesh,
    moving_triangles,
    onto_mesh,
    prepare_slopes,
    slope_of_fields,
)
from bafflelens.bem.system_matrix import Workspace
from bafflelens.mesh.mesh import Mesh
from bafflelens.mockup.comparison.difference import OrbitDifference
from bafflelens.mockup.comparison.radiator import SurfaceRadiator
from bafflelens.mockup.comparison.result import Comparison
from bafflelens.mockup.measurement.measured import Setup
from bafflelens.mockup.measurement.microphones import BOUNDS, PARAMETERS, microphones

MOST_FREQUENCIES: Final = 16
REACH_M: Final = 0.25
"""Of the source: beyond, clay is small in the sound."""

_STEP_DEG: Final = 10.0
_WIDEST_DEG: Final = 95.0
_BEHIND_M: Final = 0.05
_TENTH: Final = 0.05  # octave: no band is farther from a solved frequency
_LEAST_ANGLES: Final = 5
_ENOUGH: Final = 3500  # triangles of clay: finer than the smoothing length needs
_ITERATIONS: Final = 10.0
_LEVEL: Final = 20 / np.log(10)


@dataclass(frozen=True, kw_only=True, eq=False)
class DifferenceRows:
    """Differences one after the other, and their slopes with everything that may explain them."""

    difference_db: FloatArray  # (n,)
    clay: FloatArray  # (n, n_clay), dB per m of displacement of each triangle
    setup: FloatArray  # (n, n_parameters), dB per bound
    angle_deg: FloatArray
    octave: FloatArray  # log2 of the frequency
    orbit: IntArray
    group: IntArray  # that share a response


def clay_error_products(comparison: Comparison, radiator: SurfaceRadiator) -> float:
    """Return how many products of matrix entries it takes, about: what its time goes with."""
    chosen = usable_frequencies(comparison, radiator)
    waves = sum(1 + 2 * _WIDEST_DEG // _STEP_DEG for _ in comparison.differences)
    per_wave = sum(
        float(surface.mesh.n_triangles) ** 2 for _, surface, _ in _by_surface(radiator, chosen)
    )
    return _ITERATIONS * waves * per_wave


def usable_frequencies(comparison: Comparison, radiator: SurfaceRadiator) -> IntArray:
    """Return which of the solved frequencies are used."""
    bands_hz = comparison.differences[0].frequency_hz
    solved = radiator.frequencies_hz
    near = np.abs(np.log2(solved[:, np.newaxis] / bands_hz)).min(axis=1) < _TENTH
    enough = np.array(
        [
            any(
                np.isfinite(one.difference_db[_band(one, hz)]).sum() >= _LEAST_ANGLES
                for one in comparison.differences
            )
            for hz in solved
        ]
    )
    usable = np.flatnonzero(near & enough)
    if not usable.size:
        return usable
    low, high = np.log(solved[usable[[0, -1]]])
    wanted = np.linspace(low, high, MOST_FREQUENCIES)
    picked = np.abs(np.log(solved[usable])[:, np.newaxis] - wanted).argmin(axis=0)
    return np.asarray(usable[np.unique(picked)])


def _band(one: OrbitDifference, frequency_hz: float) -> int:
    return int(np.abs(np.log(one.frequency_hz / frequency_hz)).argmin())


def clay_near(body: MovingBody, radiator: SurfaceRadiator) -> tuple[SurfacePressure, IntArray]:
    """Return the finest mesh that is not needlessly fine, and its clay near the source."""
    found = []
    for surface in radiator.bands:
        mesh = surface.mesh
        is_clay = ~np.isin(mesh.surface, list(body.absorbers))
        moving = moving_triangles(body.problem(mesh, float(surface.frequencies_hz[-1])))
        is_clay[moving if moving.size else slice(None)] = False  # it is not this body's pressure
        distance = np.linalg.norm(mesh.centroids - np.asarray(body.motions[0].centre), axis=1)
        near = is_clay & (distance < REACH_M) & (mesh.centroids[:, 0] > -_BEHIND_M)
        found.append((surface, np.flatnonzero(near)))
    found.sort(key=lambda one: one[1].size)
    return next((one for one in found[::-1] if one[1].size <= _ENOUGH), found[0])


def difference_rows(
    comparison: Comparison,
    setups: Mapping[str, Setup],
    radiator: SurfaceRadiator,
    body: MovingBody,
    chosen: IntArray,
    mesh: Mesh,
    numbers: IntArray,
    progress: Progress,
) -> DifferenceRows | None:
    """Return differences and slopes, a row for each orbit, frequency and angle that is known.

    None where no orbit is known at enough of its angles.
    """
    orbits = [_Orbit.of(one, setups[one.plane]) for one in comparison.differences]
    directions = np.concatenate([one.directions for one in orbits])
    start = np.cumsum([0, *(len(one.directions) for one in orbits)])
    found: list[dict[str, FloatArray]] = []
    prepared_for: SurfacePressure | None = None
    with progress.bar(float(len(chosen)), "where the clay is wrong") as advance:
        for number, surface, place in _by_surface(radiator, chosen):
            if surface is not prepared_for:  # frequencies rise, and bands with them
                prepared_for = surface
                prepared = prepare_slopes(surface.mesh, surface.symmetry)
            strengths = radiator.strengths[:, number]
            density = _level_slopes(body, surface, place, strengths, directions, prepared)
            slopes = (onto_mesh(mesh, surface.mesh, density) * mesh.areas)[:, numbers]
            frequency_hz = float(radiator.frequencies_hz[number])
            for orbit, one in enumerate(orbits):
                values = one.difference.difference_db[_band(one.difference, frequency_hz)]
                known = np.flatnonzero(np.isfinite(values[one.angles]))
                if known.size < _LEAST_ANGLES:
                    continue
                pressure, gradient = radiator.at(one.points[known], np.array([number]))
                setup = np.einsum("nx,pnx->np", gradient[0] / pressure[0][:, None],
                                  one.slopes[:, known])  # fmt: skip
                found.append(
                    {
                        "difference_db": values[one.angles[known]],
                        "clay": slopes[start[orbit] + known],
                        "setup": _LEVEL * setup.real * [BOUNDS[name] for name in PARAMETERS],
                        "angle_deg": one.difference.angle_deg[one.angles[known]],
                        "octave": np.full(known.size, np.log2(frequency_hz)),
                        "orbit": np.full(known.size, orbit),
                        "group": np.full(known.size, len(found)),
                    }
                )
            advance(1.0, f"{frequency_hz:.0f} Hz")
    if not found:
        return None
    return DifferenceRows(
        **{name: np.concatenate([one[name] for one in found]) for name in found[0]}
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Orbit:
    """Those microphones of an orbit that are used."""

    difference: OrbitDifference
    angles: IntArray
    points: FloatArray
    slopes: FloatArray  # of the points with the set-up
    directions: FloatArray

    @classmethod
    def of(cls, one: OrbitDifference, setup: Setup) -> _Orbit:
        wanted = np.arange(-90.0, 91.0, _STEP_DEG)
        nearest = np.abs(one.angle_deg[:, np.newaxis] - wanted)
        picked = np.unique(nearest.argmin(axis=0)[nearest.min(axis=0) <= _STEP_DEG / 2])
        angles = picked[np.abs(one.angle_deg[picked]) <= _WIDEST_DEG]
        # Angles of a difference have their sign put right and their offset in.
        stood = replace(one.fit.deviation, angle_deg=0.0, is_mirrored=False)
        points, slopes = microphones(setup, one.plane, one.angle_deg[angles], stood)  # type: ignore[arg-type]
        directions = points / np.linalg.norm(points, axis=1, keepdims=True)
        return cls(
            difference=one, angles=angles, points=points, slopes=slopes, directions=directions
        )


def _by_surface(
    radiator: SurfaceRadiator, chosen: IntArray
) -> Iterator[tuple[int, SurfacePressure, int]]:
    """Yield each frequency's number, its band, and its number there."""
    for number in chosen.tolist():
        solved_hz = radiator.solved_hz[number]
        for surface in radiator.bands:
            here = np.flatnonzero(surface.frequencies_hz == solved_hz)
            if here.size:
                yield number, surface, int(here[0])
                break


def _level_slopes(
    body: MovingBody,
    surface: SurfacePressure,
    place: int,
    strengths: ComplexArray,
    directions: FloatArray,
    prepared: SlopeMesh,
) -> FloatArray:
    """Return slopes of levels, (n_directions, n_triangles), in dB per m and m^2 of surface."""
    problem = body.problem(surface.mesh, float(surface.frequencies_hz[place]))
    # A wave and its image raise the same field on a mirrored body.
    axes = ["xyz".index(plane) for plane in surface.symmetry]
    folded = directions.copy()
    folded[:, axes] = np.abs(folded[:, axes])
    folded, which = np.unique(folded.round(6), axis=0, return_inverse=True)
    fields = plane_wave_fields(
        problem,
        folded,
        np.eye(len(folded), dtype=complex),
        discretisation=prepared.discretisation,
        workspace=Workspace(),
    )[which.ravel()]
    pressure = strengths @ surface.pressure[:, place].astype(complex)
    # By reciprocity; what absorbs has no part in it, since the fields of the waves absorb alike.
    moving = moving_triangles(problem)
    gradient = strengths @ surface.gradient[:, place][:, moving].astype(complex)
    far_field = -(fields[:, moving] @ (gradient * surface.mesh.areas[moving])) / (4 * np.pi)
    changes = slope_of_fields(problem, pressure, fields, prepared)
    return np.asarray(_LEVEL * np.real(changes / far_field[:, np.newaxis]))
