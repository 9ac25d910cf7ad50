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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.base.progress import Progress
from bafflelens.bem.discretisation import mirror_signs
from bafflelens.bem.moving_body import MovingBody
from bafflelens.mesh.mesh import Mesh
from bafflelens.mockup.comparison.clay_slopes import (
    REACH_M,
    DifferenceRows,
    clay_near,
    difference_rows,
    usable_frequencies,
)
from bafflelens.mockup.comparison.radiator import SurfaceRadiator
from bafflelens.mockup.comparison.result import Comparison
from bafflelens.mockup.measurement.measured import Setup

TOLD: Final = 0.5
"""Share of the expected variance that the data must take away before a place is shown."""

_STEP_DEG: Final = 10.0
_LENGTHS_M: Final = (0.015, 0.025, 0.04)
_HEIGHTS_M: Final = (0.25e-3, 0.5e-3, 1e-3, 2e-3, 4e-3)
_ERRORS_DB: Final = (0.05, 0.1, 0.2, 0.4, 0.8, 1.6)
_RESPONSE_DB: Final = 10.0  # what a driver may have for its own, in effect anything
_ERROR_REACH_DEG: Final = 15.0
_ERROR_REACH_OCTAVES: Final = 0.25
_RANDOM: Final = 0.2  # share of the model's error that neighbours do not have in common
_STRONG: Final = np.log(20.0)
_LEAST_FREQUENCIES: Final = 4
_STRAIGHT: Final = 0.5  # k V up to which a straight line holds about


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


def find_clay_error(
    comparison: Comparison,
    setups: Mapping[str, Setup],
    radiator: SurfaceRadiator,
    body: MovingBody,
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
    body : MovingBody
        The same as a body.
    progress : Progress
        Who is told.

    Raises
    ------
    SolveError
        If the fields of the plane waves cannot be solved.
    """
    chosen = usable_frequencies(comparison, radiator)
    if len(chosen) < _LEAST_FREQUENCIES:
        return None
    surface, numbers = clay_near(body, radiator)
    if not numbers.size:
        return None
    mesh, symmetry = surface.mesh, surface.symmetry
    rows = difference_rows(comparison, setups, radiator, body, chosen, mesh, numbers, progress)
    if rows is None:
        return None
    points, normals = mesh.centroids[numbers], mesh.normals[numbers]
    untold = {size: _untold(rows, size) for size in _ERRORS_DB}
    none = max(_evidence(one, rows.difference_db) for one in untold.values())
    tried = [
        (
            _evidence(one + height**2 * by_clay, rows.difference_db),
            (length, height, size),
        )
        for length in _LENGTHS_M
        for by_clay in [_through(rows.clay, points, normals, symmetry, length)]
        for height in _HEIGHTS_M
        for size, one in untold.items()
    ]
    best, (length, height, size) = max(tried)
    return _conditional(
        rows, mesh, symmetry, numbers, chosen, radiator, (length, height, size), best - none,
        _lopsided_db(comparison, symmetry),
    )  # fmt: skip


def _untold(rows: DifferenceRows, error_db: float) -> FloatArray:
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
    rows: DifferenceRows,
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


def _left_db(rows: DifferenceRows, values: FloatArray) -> float:
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
