# SPDX-License-Identifier: GPL-3.0-or-later
r"""Where a mock-up's clay is wrong, from what was measured alone: slopes read backwards.

Moving the surface outwards by V changes the level at a microphone by a known slope
(`bafflelens.bem.surface_slope`). Measured less simulated level is then

.. math:: d = S V + R r + T t + e

with V a smooth displacement (a Gaussian process over the clay: standard deviation and length), r
one response a frequency and orbit, which the driver may have for its own, t what is left of the
set-up, and e what the model itself is off by, alike at neighbouring angles and frequencies. The
estimate is the conditional mean of V, and its standard deviation the conditional one (C. E.
Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning (2006), eqs. 2.23 and
2.24; from memory). Size and length of V and size of e are those with the largest evidence (their
eq. 2.30), and clay is blamed only where that beats the evidence without any V by a factor of 20,
which R. E. Kass and A. E. Raftery, J. Am. Stat. Assoc. 90 (1995) 773, call strong (from memory).

Microphones are taken to be far off: slopes are those of the far field towards them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.spatial import cKDTree

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.base.medium import Air
from bafflelens.base.progress import Progress
from bafflelens.bem.discretisation import mirror_signs
from bafflelens.bem.plane_waves import plane_wave_fields
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.bem.surface_pressure import SurfacePressure
from bafflelens.bem.surface_slope import moving_triangles, prepare_slopes, slope_of_fields
from bafflelens.bem.system_matrix import Workspace
from bafflelens.mesh.absorbers import Absorber, surface_admittance
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion, normal_velocity
from bafflelens.mockup.comparison.difference import OrbitDifference
from bafflelens.mockup.comparison.radiator import SurfaceRadiator
from bafflelens.mockup.comparison.result import Comparison
from bafflelens.mockup.measurement.measured import Setup
from bafflelens.mockup.measurement.microphones import BOUNDS, PARAMETERS, microphones

MOST_FREQUENCIES: Final = 16
REACH_M: Final = 0.25
"""Of the source: beyond, clay is small in the sound."""
TOLD: Final = 0.5
"""Share of the expected variance that the data must take away before a place is shown."""

_STEP_DEG: Final = 10.0
_WIDEST_DEG: Final = 95.0
_BEHIND_M: Final = 0.05
_LENGTHS_M: Final = (0.015, 0.025, 0.04)
_HEIGHTS_M: Final = (0.25e-3, 0.5e-3, 1e-3, 2e-3, 4e-3)
_ERRORS_DB: Final = (0.05, 0.1, 0.2, 0.4, 0.8, 1.6)
_RESPONSE_DB: Final = 10.0  # what a driver may have for its own, in effect anything
_ERROR_REACH_DEG: Final = 15.0
_ERROR_REACH_OCTAVES: Final = 0.25
_RANDOM: Final = 0.2  # share of the model's error that neighbours do not have in common
_STRONG: Final = np.log(20.0)
_TENTH: Final = 0.05  # octave: no band is farther from a solved frequency
_LEAST_ANGLES: Final = 5
_LEAST_FREQUENCIES: Final = 4
_ENOUGH: Final = 3500  # triangles of clay: finer than the smoothing length needs
_ITERATIONS: Final = 10.0
_STRAIGHT: Final = 0.5  # k V up to which a straight line holds about
_LEVEL: Final = 20 / np.log(10)


@dataclass(frozen=True, kw_only=True, eq=False)
class MovableBody:
    """What slopes need of a candidate besides its surface pressure.

    Attributes
    ----------
    air : Air
        In which it was solved.
    motions : tuple of SourceMotion
        How it moves.
    absorbers : mapping of str to Absorber
        What covers its surfaces.
    """

    air: Air
    motions: tuple[SourceMotion, ...]
    absorbers: Mapping[str, Absorber]

    def problem(self, surface: SurfacePressure, frequency_hz: float) -> HelmholtzProblem:
        """Return what was solved at a frequency."""
        mesh = surface.mesh
        return HelmholtzProblem(
            mesh=mesh,
            frequency_hz=frequency_hz,
            air=self.air,
            normal_velocity=normal_velocity(mesh, self.motions, frequency_hz),
            symmetry=surface.symmetry,
            admittance=surface_admittance(mesh, self.absorbers, frequency_hz, self.air),
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class ClayError:
    """The displacement of the clay that explains a difference best.

    Attributes
    ----------
    mesh : Mesh
        The surface, or the kept part of it; the displacement has its images.
    symmetry : tuple of {"x", "y", "z"}
        Its mirror planes.
    numbers : (n,) integer array
        Triangles that are clay near the source.
    height_m : (n,) array
        How much farther out the clay is than it should be, in m.
    deviation_m : (n,) array
        Standard deviation of that, in m.
    told : (n,) array
        Share of the variance expected beforehand that the data took away.
    is_told : bool
        Whether clay explains the difference at all better than none.
    factor : float
        Evidence with clay over that without, its natural logarithm.
    length_m : float
        Smoothing length of the displacement.
    resolution_m : float
        Width at half height of what a narrow bump at the best known place would be seen as.
    expected_m : float
        Standard deviation of the displacement that is expected beforehand.
    before_db, after_db : float
        R.m.s. difference without and with the displacement, responses left out.
    lopsided_db : float
        R.m.s. of what differs between the sides of a mirror plane; no image can explain it.
    straight_m : float
        Height up to which slopes hold about.
    from_hz, to_hz : float
        Frequencies used.
    """

    mesh: Mesh
    symmetry: tuple[str, ...]
    numbers: IntArray
    height_m: FloatArray
    deviation_m: FloatArray
    told: FloatArray
    is_told: bool
    factor: float
    length_m: float
    resolution_m: float
    expected_m: float
    before_db: float
    after_db: float
    lopsided_db: float
    straight_m: float
    from_hz: float
    to_hz: float


@dataclass(frozen=True, kw_only=True, eq=False)
class _Rows:
    """Differences one after the other, and their slopes with everything that may explain them."""

    difference_db: FloatArray  # (n,)
    clay: FloatArray  # (n, n_clay), dB per m of displacement of each triangle
    setup: FloatArray  # (n, n_parameters), dB per bound
    angle_deg: FloatArray
    octave: FloatArray  # log2 of the frequency
    orbit: IntArray
    group: IntArray  # that share a response


def find_clay_error(
    comparison: Comparison,
    setups: Mapping[str, Setup],
    radiator: SurfaceRadiator,
    body: MovableBody,
    progress: Progress,
) -> ClayError | None:
    """Return where the clay seems to be wrong; None if too little was compared to tell.

    Parameters
    ----------
    comparison : Comparison
        Measured less simulated, with the set-up that was found.
    setups : mapping of str to Setup
        How each orbit was measured, as noted.
    radiator : SurfaceRadiator
        The simulation of the nominal shape.
    body : MovableBody
        The same as a body.
    progress : Progress
        Who is told.

    Raises
    ------
    SolveError
        If the fields of the plane waves cannot be solved.
    """
    chosen = _frequencies(comparison, radiator)
    if len(chosen) < _LEAST_FREQUENCIES:
        return None
    surface, numbers = _clay(body, radiator)
    if not numbers.size:
        return None
    mesh, symmetry = surface.mesh, surface.symmetry
    rows = _rows(comparison, setups, radiator, body, chosen, mesh, numbers, progress)
    points, normals = mesh.centroids[numbers], mesh.normals[numbers]
    none = max(_evidence(_untold(rows, size), rows.difference_db) for size in _ERRORS_DB)
    tried = [
        (
            _evidence(_untold(rows, size) + height**2 * by_clay, rows.difference_db),
            (length, height, size),
        )
        for length in _LENGTHS_M
        for by_clay in [_through(rows.clay, points, normals, symmetry, length)]
        for height in _HEIGHTS_M
        for size in _ERRORS_DB
    ]
    best, (length, height, size) = max(tried)
    return _conditional(
        rows, mesh, symmetry, numbers, chosen, radiator, (length, height, size), best - none,
        _lopsided_db(comparison, symmetry),
    )  # fmt: skip


def clay_error_products(comparison: Comparison, radiator: SurfaceRadiator) -> float:
    """Return how many products of matrix entries it takes, about: what its time goes with."""
    chosen = _frequencies(comparison, radiator)
    waves = sum(1 + 2 * _WIDEST_DEG // _STEP_DEG for _ in comparison.differences)
    per_wave = sum(
        float(surface.mesh.n_triangles) ** 2 for _, surface, _ in _by_surface(radiator, chosen)
    )
    return _ITERATIONS * waves * per_wave


def _frequencies(comparison: Comparison, radiator: SurfaceRadiator) -> IntArray:
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


def _clay(body: MovableBody, radiator: SurfaceRadiator) -> tuple[SurfacePressure, IntArray]:
    """Return the finest mesh that is not needlessly fine, and its clay near the source."""
    found = []
    for surface in radiator.bands:
        mesh = surface.mesh
        is_clay = ~np.isin(mesh.surface, list(body.absorbers))
        moving = moving_triangles(body.problem(surface, float(surface.frequencies_hz[-1])))
        is_clay[moving if moving.size else slice(None)] = False  # it is not this body's pressure
        distance = np.linalg.norm(mesh.centroids - np.asarray(body.motions[0].centre), axis=1)
        near = is_clay & (distance < REACH_M) & (mesh.centroids[:, 0] > -_BEHIND_M)
        found.append((surface, np.flatnonzero(near)))
    found.sort(key=lambda one: one[1].size)
    return next((one for one in found[::-1] if one[1].size <= _ENOUGH), found[0])


def _rows(
    comparison: Comparison,
    setups: Mapping[str, Setup],
    radiator: SurfaceRadiator,
    body: MovableBody,
    chosen: IntArray,
    mesh: Mesh,
    numbers: IntArray,
    progress: Progress,
) -> _Rows:
    """Return differences and slopes, a row for each orbit, frequency and angle that is known."""
    orbits = [_Orbit.of(one, setups[one.plane]) for one in comparison.differences]
    directions = np.concatenate([one.directions for one in orbits])
    start = np.cumsum([0, *(len(one.directions) for one in orbits)])
    found: list[dict[str, FloatArray]] = []
    with progress.bar(float(len(chosen)), "where the clay is wrong") as advance:
        for number, surface, place in _by_surface(radiator, chosen):
            strengths = radiator.strengths[:, number]
            slopes = _level_slopes(body, surface, place, strengths, directions)
            slopes = _onto(mesh, surface.mesh, slopes)[:, numbers]
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
    return _Rows(**{name: np.concatenate([one[name] for one in found]) for name in found[0]})


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
    body: MovableBody,
    surface: SurfacePressure,
    place: int,
    strengths: ComplexArray,
    directions: FloatArray,
) -> FloatArray:
    """Return slopes of levels, (n_directions, n_triangles), in dB per m of each triangle's."""
    problem = body.problem(surface, float(surface.frequencies_hz[place]))
    prepared = prepare_slopes(surface.mesh, surface.symmetry)
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
    moving, areas = moving_triangles(problem), surface.mesh.areas
    gradient = strengths @ surface.gradient[:, place][:, moving].astype(complex)
    far_field = -(fields[:, moving] @ (gradient * areas[moving])) / (4 * np.pi)
    changes = slope_of_fields(problem, pressure, fields, prepared) * areas
    return np.asarray(_LEVEL * np.real(changes / far_field[:, np.newaxis]))


def _onto(mesh: Mesh, given: Mesh, slopes: FloatArray) -> FloatArray:
    """Return slopes on another mesh of the same surface, shared out by the closest triangle."""
    if given is mesh:
        return slopes
    _, owner = cKDTree(given.centroids).query(mesh.centroids, k=6)
    facing = np.einsum("tkj,tj->tk", given.normals[owner], mesh.normals) > 0.5
    first = np.where(facing.any(axis=1), facing.argmax(axis=1), 0)
    owner = owner[np.arange(len(owner)), first]
    density = slopes / given.areas
    return np.asarray(density[:, owner] * mesh.areas)


def _untold(rows: _Rows, error_db: float) -> FloatArray:
    """Return the covariance of what is not clay: responses, set-up and the model's own error."""
    same_orbit = rows.orbit[:, np.newaxis] == rows.orbit
    apart_deg = rows.angle_deg[:, np.newaxis] - rows.angle_deg
    apart_octaves = rows.octave[:, np.newaxis] - rows.octave
    alike = np.exp(
        -0.5 * (apart_deg / _ERROR_REACH_DEG) ** 2
        - 0.5 * (apart_octaves / _ERROR_REACH_OCTAVES) ** 2
    )
    alike = (1 - _RANDOM) * alike * same_orbit + _RANDOM * np.eye(len(alike))
    growth = 2.0 ** (0.5 * (rows.octave - np.log2(4000.0)))  # what is small in a wave errs more
    response = _RESPONSE_DB**2 * (rows.group[:, np.newaxis] == rows.group)
    setup = (rows.setup / 3) @ (rows.setup / 3).T * same_orbit
    return np.asarray(error_db**2 * alike * np.outer(growth, growth) + response + setup)


def _evidence(covariance: FloatArray, difference_db: FloatArray) -> float:
    factor, lower = cho_factor(covariance, lower=True)
    white = cho_solve((factor, lower), difference_db)
    return float(-0.5 * difference_db @ white - np.log(np.diag(factor)).sum())


def _kernel(
    points: FloatArray,
    normals: FloatArray,
    others: FloatArray,
    other_normals: FloatArray,
    symmetry: Sequence[str],
    length_m: float,
) -> FloatArray:
    """Return the correlation of displacements that have their images, (n, n_others).

    The far side of a thin wall moves on its own: likeness of normals is a factor.
    """
    result = np.zeros((len(points), len(others)))
    scale, other_scale = np.zeros(len(points)), np.zeros(len(others))
    for sign in mirror_signs(tuple(symmetry)):
        result += _alike(points, normals, others * sign, other_normals * sign, length_m)
        scale += _alike_own(points, normals, sign, length_m)
        other_scale += _alike_own(others, other_normals, sign, length_m)
    return np.asarray(result / np.sqrt(np.outer(scale, other_scale)))


def _alike(
    points: FloatArray,
    normals: FloatArray,
    others: FloatArray,
    other_normals: FloatArray,
    length_m: float,
) -> FloatArray:
    squared = np.maximum(
        (points**2).sum(axis=1)[:, np.newaxis] + (others**2).sum(axis=1) - 2 * points @ others.T,
        0.0,
    )
    return np.asarray(np.exp(-0.5 * squared / length_m**2) * 0.5 * (1 + normals @ other_normals.T))


def _alike_own(
    points: FloatArray, normals: FloatArray, sign: FloatArray, length_m: float
) -> FloatArray:
    squared = ((points - points * sign) ** 2).sum(axis=1)
    likeness = 0.5 * (1 + (normals * normals * sign).sum(axis=1))
    return np.asarray(np.exp(-0.5 * squared / length_m**2) * likeness)


def _through(
    clay: FloatArray,
    points: FloatArray,
    normals: FloatArray,
    symmetry: Sequence[str],
    length_m: float,
) -> FloatArray:
    """Return the covariance that displacements of 1 m give to the differences."""
    kernel = _kernel(points, normals, points, normals, symmetry, length_m)
    return np.asarray(clay @ kernel @ clay.T)


def _conditional(
    rows: _Rows,
    mesh: Mesh,
    symmetry: tuple[str, ...],
    numbers: IntArray,
    chosen: IntArray,
    radiator: SurfaceRadiator,
    settings: tuple[float, float, float],
    factor: float,
    lopsided_db: float,
) -> ClayError:
    length, height, size = settings
    points, normals = mesh.centroids[numbers], mesh.normals[numbers]
    kernel = height**2 * _kernel(points, normals, points, normals, symmetry, length)
    across = rows.clay @ kernel
    untold = _untold(rows, size)
    solver = cho_factor(untold + across @ rows.clay.T, lower=True)
    mean = across.T @ cho_solve(solver, rows.difference_db)
    taken = np.einsum("nt,nt->t", across, cho_solve(solver, across))
    told = np.clip(taken / height**2, 0.0, 1.0)
    best = int(told.argmax())
    narrow = np.exp(-0.5 * ((points - points[best]) ** 2).sum(axis=1) / (length / 3) ** 2)
    seen = across.T @ cho_solve(solver, rows.clay @ narrow)
    near = np.linalg.norm(points - points[best], axis=1) < REACH_M / 2
    area = mesh.areas[numbers][near & (seen > 0.5 * seen[near].max())].sum()
    frequencies_hz = radiator.frequencies_hz[chosen]
    top_hz = float(frequencies_hz[-1])
    return ClayError(
        mesh=mesh,
        symmetry=symmetry,
        numbers=numbers,
        height_m=mean,
        deviation_m=np.sqrt(np.maximum(height**2 - taken, 0.0)),
        told=told,
        is_told=bool(factor > _STRONG),
        factor=factor,
        length_m=length,
        resolution_m=float(2 * np.sqrt(area / np.pi)),
        expected_m=height,
        before_db=_left_db(rows, rows.difference_db),
        after_db=_left_db(rows, rows.difference_db - rows.clay @ mean),
        lopsided_db=lopsided_db,
        straight_m=_STRAIGHT * radiator.sound_speed / (2 * np.pi * top_hz),
        from_hz=float(frequencies_hz[0]),
        to_hz=top_hz,
    )


def _left_db(rows: _Rows, values: FloatArray) -> float:
    """Return the r.m.s. of differences less their mean at each frequency and orbit."""
    count = np.bincount(rows.group)
    centred = values - (np.bincount(rows.group, values) / count)[rows.group]
    return float(np.sqrt(np.mean(centred**2)))


def _lopsided_db(comparison: Comparison, symmetry: Sequence[str]) -> float:
    """Return half of what differs between angles on both sides of a mirror plane, r.m.s."""
    found = []
    for one in comparison.differences:
        if ("y" if one.plane == "horizontal" else "z") in symmetry:
            angle = one.angle_deg
            other = np.abs(angle[:, np.newaxis] + angle).argmin(axis=1)
            is_pair = np.abs(angle + angle[other]) < _STEP_DEG / 2
            half = (one.difference_db - one.difference_db[:, other])[:, is_pair] / 2
            found.append(half[np.isfinite(half)])
    values = np.concatenate(found) if found else np.zeros(0)
    return float(np.sqrt(np.mean(values**2))) if values.size else 0.0
