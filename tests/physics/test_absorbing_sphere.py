# SPDX-License-Identifier: GPL-3.0-or-later
"""Sphere that vibrates behind a locally reacting skin of admittance b (normalised).

The velocity into the air is v - b p / (rho c), so that for one spherical mode

    p = rho c z v / (1 + b z),     z_n = i h_n(ka) / h_n'(ka)

Source: the impedance boundary condition on the modal series of P. M. Morse and K. U. Ingard,
Theoretical Acoustics (1968) ch. 7; references/README.md, section 1 (`sphere_modal_impedance`).
A wrong sign (a skin that gives power instead of taking it) breaks it.
"""

from functools import cache

import analytic
import bodies
import numpy as np
import pytest
import radiating

from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.bem.system_matrix import Storage

DIVISIONS = (7, 14)
MIRRORS = ("y", "z")


@cache
def solution(ka, admittance, divisions, storage=None):
    mesh = bodies.octasphere(divisions, MIRRORS)
    cosine = mesh.centroids[:, 0] / np.linalg.norm(mesh.centroids, axis=1)
    problem = HelmholtzProblem(
        mesh=mesh,
        frequency_hz=radiating.frequency(ka),
        air=radiating.AIR,
        normal_velocity=np.stack([np.ones(mesh.n_triangles), cosine]).astype(complex),
        symmetry=MIRRORS,
        admittance=np.full(mesh.n_triangles, admittance, dtype=complex),
    )
    return solve_burton_miller(problem, settings=EngineSettings(storage=storage))


@pytest.mark.parametrize("mode", [0, 1])
@pytest.mark.parametrize("admittance", [0.3, 1.0, 0.2 - 0.6j])
@pytest.mark.parametrize("ka", [1.0, 2.5])
def test_surface_pressure_and_power(ka, admittance, mode):
    impedance = analytic.sphere_modal_impedance(mode, ka)
    modal = radiating.RHO_C * impedance / (1 + admittance * impedance)
    errors = []
    for divisions in DIVISIONS:
        found = solution(ka, admittance, divisions)
        shape = found.problem.normal_velocity[mode]
        errors.append(radiating.relative_error(found.surface_pressure[mode], modal * shape))
    assert errors[1] < 0.015  # 0.13 dB at 14 or more elements a wavelength
    assert errors[1] < 0.5 * errors[0], errors
    # Into the air goes |p|^2 Re(1/z): less than the sphere gives by what the skin takes.
    power = 2 * np.pi / (2 * mode + 1) / radiating.RHO_C * abs(modal) ** 2 * (1 / impedance).real
    assert found.cross_power()[mode, mode].real == pytest.approx(power, rel=0.03)


def test_rigid_skin_is_no_skin():
    given = solution(2.0, 0.0, 7)
    mesh = given.problem.mesh
    bare = radiating.solved(mesh, given.problem.normal_velocity, 2.0, MIRRORS)
    np.testing.assert_array_equal(given.surface_pressure, bare.surface_pressure)


@pytest.mark.parametrize("storage", [Storage.FULL, Storage.LOW_RANK])
def test_however_the_matrix_is_held(storage):
    stored, other = solution(2.0, 0.3, 7), solution(2.0, 0.3, 7, storage)
    error = radiating.relative_error(other.surface_pressure, stored.surface_pressure)
    assert error < 3e-4  # three times the tolerance of the iteration


def test_the_skin_is_part_of_the_direct_solve(monkeypatch):
    monkeypatch.setattr("bafflelens.bem.linear_solver.MOST_ITERATIONS", 1)
    one = solution.__wrapped__(2.0, 0.3, 7)
    assert "solved directly" in one.remarks[0]
    impedance = analytic.sphere_modal_impedance(0, 2.0)
    expected = radiating.RHO_C * impedance / (1 + 0.3 * impedance)
    assert radiating.relative_error(one.surface_pressure[0], expected) < 0.03
