# SPDX-License-Identifier: GPL-3.0-or-later
"""Plane waves that arrive at the body at rest, solved on the graphics card: see `plane_waves`."""

from __future__ import annotations

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import SolveError
from bafflelens.bem.block_iteration import iterate_together
from bafflelens.bem.card import CardArray, cupy, memory_faults, single
from bafflelens.bem.card_mesh import CardFrequency, CardMesh
from bafflelens.bem.card_system import CardSystem, matrix_fits
from bafflelens.bem.linear_solver import MOST_ITERATIONS
from bafflelens.bem.plane_waves import TOLERANCE, independent_rows
from bafflelens.bem.problem import HelmholtzProblem

_DIRECTIONS_AT_ONCE = 2048  # 16 bytes a direction and triangle


def plane_wave_fields_on_card(
    problem: HelmholtzProblem,
    directions: FloatArray,
    amplitudes: ComplexArray,
    *,
    on_card: CardMesh,
    tolerance: float = TOLERANCE,
) -> ComplexArray:
    """Return the surface pressure of plane waves, as `plane_waves.plane_wave_fields`.

    Parameters
    ----------
    problem, directions, amplitudes, tolerance
        As there.
    on_card : CardMesh
        The mesh of the problem, from `card_mesh.send`.

    Returns
    -------
    (n, n_triangles) complex array
        Total pressure at the centroids in Pa.

    Raises
    ------
    CardError
        If the card's memory is short.
    SolveError
        If the iteration does not converge.
    """
    shares, basis = independent_rows(amplitudes)
    if not len(basis):
        return np.zeros((len(amplitudes), problem.mesh.n_triangles), dtype=complex)
    with memory_faults():
        system = CardSystem.of(on_card, problem)
        found = iterate_together(
            system.product(stored=matrix_fits(on_card.size)),
            -_arriving(system.frequency, directions, basis),
            None,
            tolerance,
            MOST_ITERATIONS,
            library=cupy,
        )
        if not found.is_converged:
            msg = f"the plane waves did not converge in {found.iterations} steps on the card"
            raise SolveError(msg)
        return np.asarray(shares @ found.solutions.get())


def _arriving(
    frequency: CardFrequency, directions: FloatArray, amplitudes: ComplexArray
) -> CardArray:
    """Return pressure plus ie/k times its gradient along the normals, (n, n_triangles)."""
    on_card, k = frequency.on_card, frequency.wavenumber
    heard = np.flatnonzero(np.any(amplitudes != 0, axis=0))
    towards, strengths = cupy.asarray(directions[heard]), single(amplitudes[:, heard])
    points, normals = on_card.shape[:2]
    pressure = cupy.zeros((len(strengths), on_card.size), dtype=np.complex64)
    gradient = cupy.zeros_like(pressure)
    for first in range(0, len(heard), _DIRECTIONS_AT_ONCE):
        some = slice(first, first + _DIRECTIONS_AT_ONCE)
        for sign in on_card.signs:
            turned = sign * towards[some]
            wave = cupy.exp((-1j * k) * (turned @ points.T)).astype(np.complex64)
            pressure += strengths[:, some] @ wave
            wave *= (turned @ normals.T).astype(np.float32)
            gradient += np.complex64(-1j * k) * (strengths[:, some] @ wave)
    return (pressure + 1j / k * frequency.coupling * gradient).astype(np.complex64)
