# SPDX-License-Identifier: GPL-3.0-or-later
"""Sound that runs along felt: the exact field over a layer against a surface that reacts locally.

The integral and its source are in `tests/references/porous.py`. Local reaction with the admittance
for grazing sound comes close to the exact field; with that for normal incidence it guides a wave
along the felt that is not there.
"""

import numpy as np
import porous
import pytest

from bafflelens.base.medium import Air
from bafflelens.mesh.absorbers import PorousLayer

AIR = Air()
HEIGHT_M = 0.002
DISTANCES_M = (0.03, 0.05, 0.075)  # from a dome to the edge of its felt
CASES = [
    (resistivity, thickness_m, frequency_hz)
    for resistivity, thickness_m in ((3e4, 0.005), (1e5, 0.005), (3e4, 0.01))
    for frequency_hz in (2000.0, 3000.0, 5000.0)
]


def wavenumber(frequency_hz):
    return 2 * np.pi * frequency_hz / AIR.sound_speed


def exact_layer(resistivity, thickness_m, frequency_hz):
    return porous.miki_layer(wavenumber(frequency_hz), thickness_m, resistivity, frequency_hz)


def errors(resistivity, thickness_m, frequency_hz, incidence):
    """Return the relative error of local reaction at each distance."""
    k = wavenumber(frequency_hz)
    layer = PorousLayer(flow_resistivity=resistivity, thickness_m=thickness_m, incidence=incidence)
    local = complex(layer.admittance(frequency_hz, AIR))
    exact = exact_layer(resistivity, thickness_m, frequency_hz)
    return np.array(
        [
            abs(
                porous.field(k, r, HEIGHT_M, lambda sine: 0 * sine + local)
                / porous.field(k, r, HEIGHT_M, exact)
                - 1
            )
            for r in DISTANCES_M
        ]
    )


@pytest.mark.parametrize("frequency_hz", [500.0, 5000.0])
def test_the_integral_of_a_rigid_surface_is_a_point_source(frequency_hz):
    k = wavenumber(frequency_hz)
    for r in DISTANCES_M:
        found = porous.field(k, r, HEIGHT_M, lambda sine: 0 * sine)
        assert found == pytest.approx(porous.free_field(k, r, HEIGHT_M), rel=1e-10)


@pytest.mark.parametrize("admittance", [0.1, 0.05 - 0.1j, 0.02 - 0.15j])
def test_the_integral_of_local_reaction_is_that_of_ground_far_away(admittance):
    """Its closed form is an expansion for large kr and small b^2: 2 per cent here."""
    k, r = 40.0, 2.0
    found = porous.field(k, r, 1e-3, lambda sine: 0 * sine + admittance)
    expected = porous.far_over_local(k, r, admittance)
    assert found / porous.free_field(k, r, 1e-3) == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize(("resistivity", "thickness_m", "frequency_hz"), CASES)
def test_the_admittance_is_that_of_the_exact_layer_for_one_direction(
    resistivity, thickness_m, frequency_hz
):
    exact = exact_layer(resistivity, thickness_m, frequency_hz)
    for incidence, sine in (("grazing", 1.0), ("normal", 0.0)):
        layer = PorousLayer(
            flow_resistivity=resistivity, thickness_m=thickness_m, incidence=incidence
        )
        assert layer.admittance(frequency_hz, AIR) == pytest.approx(exact(sine), rel=1e-12)


@pytest.mark.parametrize(("resistivity", "thickness_m", "frequency_hz"), CASES)
def test_grazing_is_far_nearer_to_the_truth_than_normal(resistivity, thickness_m, frequency_hz):
    given = resistivity, thickness_m, frequency_hz
    grazing, normal = (errors(*given, incidence) for incidence in ("grazing", "normal"))
    assert np.all(grazing < 0.42 * normal)
    if thickness_m == 0.005:
        assert np.all(grazing < 0.18)  # 1.5 dB


def test_straight_into_the_layer_sound_would_be_guided_along_it():
    """5 mm of soft felt at 5 kHz, 75 mm away: 5.8 dB more than without felt; it is 1.5 dB less."""
    k, r = wavenumber(5000.0), 0.075
    rigid = porous.free_field(k, r, HEIGHT_M)
    normal = PorousLayer(flow_resistivity=3e4, thickness_m=0.005, incidence="normal")
    local = complex(normal.admittance(5000.0, AIR))
    guided = porous.field(k, r, HEIGHT_M, lambda sine: 0 * sine + local)
    exact = porous.field(k, r, HEIGHT_M, exact_layer(3e4, 0.005, 5000.0))
    assert 20 * np.log10(abs(guided / rigid)) == pytest.approx(5.8, abs=0.1)
    assert 20 * np.log10(abs(exact / rigid)) == pytest.approx(-1.5, abs=0.1)
