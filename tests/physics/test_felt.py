# SPDX-License-Identifier: GPL-3.0-or-later
"""Felt around a piston in a box: what the source gives is what arrives and what the felt takes.

    1/2 int_source Re(conj(v) p) dS  =  1/(2 rho c) int |f|^2 d Omega
                                        + 1/(2 rho c) int_felt Re(b) |p|^2 dS

with the normalised admittance b of the felt. Source: conservation of energy, P. M. Morse and
K. U. Ingard, Theoretical Acoustics (1968) 6.3 and 7.1 (sections from memory). A felt whose
admittance has the wrong sign, or that is missing from the power matrix, breaks it.
"""

from functools import cache

import bodies
import numpy as np
import pytest
import radiating

from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.bem.sweep import power_balance, solve_band
from bafflelens.mesh.absorbers import AdmittanceTable, PorousLayer, surface_admittance
from bafflelens.mesh.quality import Band
from bafflelens.mesh.source_motion import SourceMotion

MIRRORS = ("y", "z")
LAYER = PorousLayer(thickness_m=0.01, flow_resistivity=2e4)
FREQUENCIES = (1000.0, 2500.0)
DIRECTIONS = radiating.around(np.radians([0.0, 40.0, 80.0]))


def felted_box():
    """Box of 0.2 x 0.2 x 0.2 m: a piston of 50 mm square, felt around it to 100 mm square."""
    mesh = bodies.box((0.2, 0.2, 0.2), (16, 16, 16), MIRRORS)
    x, y, z = mesh.centroids.T
    side = np.where(x > 0.0999, np.maximum(y, z), 1.0)
    mesh = bodies.renamed(mesh, "felt", side < 0.05)
    return bodies.renamed(mesh, "piston", side < 0.025)


@cache
def solution(frequency_hz):
    mesh = felted_box()
    problem = HelmholtzProblem(
        mesh=mesh,
        frequency_hz=frequency_hz,
        air=radiating.AIR,
        normal_velocity=(mesh.surface == "piston")[np.newaxis].astype(complex),
        symmetry=MIRRORS,
        admittance=surface_admittance(mesh, {"felt": LAYER}, frequency_hz, radiating.AIR),
    )
    return solve_burton_miller(problem, settings=EngineSettings(tolerance=1e-5))


@pytest.mark.parametrize("frequency_hz", FREQUENCIES)
def test_energy(frequency_hz):
    found = solution(frequency_hz)
    mesh, pressure = found.problem.mesh, found.surface_pressure[0]
    given = 2 * np.sum(mesh.areas * np.real(found.problem.normal_velocity[0].conj() * pressure))
    felt = np.where(mesh.surface == "felt", LAYER.admittance(frequency_hz, radiating.AIR).real, 0)
    taken = 2 * np.sum(mesh.areas * felt * np.abs(pressure) ** 2) / radiating.RHO_C
    radiated = found.cross_power()[0, 0].real
    assert taken > 0.02 * given
    assert given == pytest.approx(radiated + taken, rel=1e-9)  # the same integrals, by definition
    far = radiated / power_balance(found)
    assert given == pytest.approx(far + taken, rel=0.02)  # and this is physics


def swept(absorbers):
    motion = SourceMotion(
        name="piston",
        axis=(1.0, 0.0, 0.0),
        centre=(0.1, 0.0, 0.0),
        piston_surfaces=("piston",),
        taper_surfaces=(),
        inner_radius_m=0.03,
        outer_radius_m=0.03,
    )
    return solve_band(
        felted_box(),
        [motion],
        Band(frequencies_hz=FREQUENCIES, mesh_frequency_hz=FREQUENCIES[-1]),
        air=radiating.AIR,
        directions=DIRECTIONS,
        absorbers=absorbers,
        symmetry=MIRRORS,
        quality="fine",
    )


def test_a_band_takes_each_frequency_s_admittance_and_balances():
    result = swept({"felt": LAYER})
    for n, frequency_hz in enumerate(FREQUENCIES):
        expected = solution(frequency_hz).far_field(
            radiating.around(np.radians([0.0, 40.0, 80.0]))
        )
        field = result.far_field[0, n] / (1j / (2 * np.pi * frequency_hz))
        assert radiating.relative_error(field, expected[0]) < 1e-3
        assert result.outcomes[n].power_balance == pytest.approx(1, abs=0.03)


def test_a_table_of_the_layer_is_the_layer_and_of_nothing_is_a_rigid_wall():
    hz = np.geomspace(500.0, 5000.0, 60)
    table = AdmittanceTable(frequencies_hz=hz, values=LAYER.admittance(hz, radiating.AIR))
    np.testing.assert_allclose(
        swept({"felt": table}).far_field, swept({"felt": LAYER}).far_field, rtol=2e-3
    )
    nothing = AdmittanceTable(frequencies_hz=hz, values=np.zeros(hz.size, dtype=complex))
    np.testing.assert_array_equal(swept({"felt": nothing}).far_field, swept({}).far_field)
