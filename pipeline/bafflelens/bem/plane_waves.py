# SPDX-License-Identifier: GPL-3.0-or-later
"""Plane waves that arrive at the body at rest: their total field on its surface.

The equation is that of `burton_miller` with what arrives on the right. With p = pi + K p - V q on
the outside and q its gradient along the normal,

    (-1/2 + K + (ie/k) H) p - (V + (ie/k) (K' + 1/2)) q = -(pi + (ie/k) dpi/dn) ,

q = 0 on rigid surfaces and -ik (admittance) p on absorbing ones. By reciprocity the pressure that
a wave from a direction d raises at a point of the surface is, times -1/(4 pi), the far field in d
of a unit gradient dp/dn there.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numba import njit

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.threads import on_threads
from bafflelens.bem import kernels, phases
from bafflelens.bem.burton_miller import absorbing_system, assemble
from bafflelens.bem.discretisation import Discretisation, by_coordinate, discretise
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.layers import AtFrequency
from bafflelens.bem.linear_solver import LinearSystem, solve_together
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.bem.system_matrix import Workspace
from bafflelens.mesh.mesh import Mesh

# A field to 0.5 % makes a slope to about as much; the rules of the meshes leave a few per cent.
TOLERANCE = 5e-3
# Rows that differ from sums of others by less than this part of the largest are not solved for.
_RANK = 1e-9

Rows = TypeVar("Rows", FloatArray, ComplexArray)


def plane_wave_fields(
    problem: HelmholtzProblem,
    directions: FloatArray,
    amplitudes: ComplexArray,
    *,
    discretisation: Discretisation | None = None,
    workspace: Workspace | None = None,
    system: LinearSystem | None = None,
    tolerance: float = TOLERANCE,
) -> ComplexArray:
    """Return the surface pressure of plane waves that arrive at the body at rest.

    On a mirrored body it is the pressure of the waves and of their images, so that kept part and
    images scatter as one.

    Parameters
    ----------
    problem : HelmholtzProblem
        Body, air and frequency; the velocities have no part in it.
    directions : (n_directions, 3) array
        Unit vectors towards where the waves come from.
    amplitudes : (n, n_directions) complex array
        Pressure of each wave at the origin in Pa, one row a superposition.
    discretisation, workspace, tolerance
        As for `surface_slope`.
    system : LinearSystem, optional
        That of the rigid body, where it was formed before.

    Returns
    -------
    (n, n_triangles) complex array
        Total pressure at the centroids in Pa.

    Raises
    ------
    SolveError
        If no finite solution is found.
    """
    discretisation = discretisation or discretise(problem.mesh, problem.symmetry)
    shares, basis = independent_rows(amplitudes)
    if not len(basis):
        return np.zeros((len(amplitudes), problem.mesh.n_triangles), dtype=complex)
    at = AtFrequency(discretisation, problem.wavenumber)
    if system is None:
        settings = EngineSettings(tolerance=tolerance)
        system = assemble(at, settings, workspace or Workspace())
    pressure, gradient = incident(
        problem.mesh, discretisation.signs, problem.wavenumber, directions, basis
    )
    solutions = solve_together(
        absorbing_system(system, problem, at),
        -(pressure + 1j / problem.wavenumber * at.coupling * gradient),
        tolerance=tolerance,
    )
    return np.asarray(shares @ solutions)


def incident(
    mesh: Mesh,
    signs: FloatArray,
    wavenumber: float,
    directions: FloatArray,
    amplitudes: ComplexArray,
) -> tuple[ComplexArray, ComplexArray]:
    """Return pressure and normal gradient of plane waves and their images, (n, n_triangles) each.

    A wave from direction d is exp(-ik d . y).

    Parameters
    ----------
    mesh : Mesh
        Where the waves arrive.
    signs : (n_images, 3) array
        Mirror images, from `mirror_signs`.
    wavenumber : float
        k in 1/m.
    directions : (n_directions, 3) array
        Unit vectors.
    amplitudes : (n, n_directions) complex array
        In Pa.
    """
    real = np.float32
    heard = np.flatnonzero(np.any(amplitudes != 0, axis=0))
    pressure = np.zeros((len(amplitudes), mesh.n_triangles), dtype=complex)
    gradient = np.zeros_like(pressure)
    _add_plane_waves(
        by_coordinate(mesh.centroids, real),
        by_coordinate(mesh.normals, real),
        signs.astype(real),
        by_coordinate(directions[heard], real),
        phases.scalars(wavenumber, real),
        phases.parts(amplitudes[:, heard], real),
        pressure,
        gradient,
    )
    return pressure, gradient


@on_threads
@njit(nogil=True, fastmath=True, cache=True, error_model="numpy")
def _add_plane_waves(
    thread, threads, points, normals, signs, directions, scalars, amplitudes, pressure, gradient
):
    k, turns, one = scalars[0], scalars[2], scalars[3]
    zero = one - one
    rows = points.shape[1]
    for chunk in range(thread, (rows + kernels.CHUNK - 1) // kernels.CHUNK, threads):
        cosines = np.empty_like(directions[0])
        sines = np.empty_like(directions[0])
        along = np.empty_like(directions[0])
        for i in range(chunk * kernels.CHUNK, min(rows, (chunk + 1) * kernels.CHUNK)):
            for image in range(signs.shape[0]):
                x = points[0, i] * signs[image, 0]
                y = points[1, i] * signs[image, 1]
                z = points[2, i] * signs[image, 2]
                nx = normals[0, i] * signs[image, 0]
                ny = normals[1, i] * signs[image, 1]
                nz = normals[2, i] * signs[image, 2]
                for d in range(cosines.size):
                    path = directions[0, d] * x + directions[1, d] * y + directions[2, d] * z
                    cosine, sine = phases.cos_sin_turns(path * turns, one)
                    cosines[d], sines[d] = cosine, sine
                    along[d] = k * (
                        directions[0, d] * nx + directions[1, d] * ny + directions[2, d] * nz
                    )
                for v in range(amplitudes.shape[0]):
                    re, im, normal_re, normal_im = zero, zero, zero, zero
                    for d in range(cosines.size):
                        a = amplitudes[v, 0, d] * cosines[d] + amplitudes[v, 1, d] * sines[d]
                        b = amplitudes[v, 1, d] * cosines[d] - amplitudes[v, 0, d] * sines[d]
                        re += a
                        im += b
                        normal_re += along[d] * b
                        normal_im -= along[d] * a
                    pressure[v, i] += complex(re, im)
                    gradient[v, i] += complex(normal_re, normal_im)


def independent_rows(rows: Rows) -> tuple[Rows, Rows]:
    """Return shares (n, rank) and a basis (rank, m) whose product are the given rows (n, m).

    A score is the sum of its parts, and a part that is within its tolerance weighs nothing: what
    is asked for needs fewer right-hand sides than it has rows.
    """
    left, sizes, right = np.linalg.svd(rows, full_matrices=False)
    rank = int(np.sum(sizes > _RANK * sizes.max(initial=0.0)))
    return left[:, :rank] * sizes[:rank], right[:rank]
