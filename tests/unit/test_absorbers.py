# SPDX-License-Identifier: GPL-3.0-or-later
"""Porous layer after Miki (1990): limits, passivity, sign and one hand-worked value."""

import numpy as np
import pytest

from bafflelens.base.medium import Air
from bafflelens.mesh.absorbers import PorousLayer

AIR = Air()
FREQUENCIES = np.geomspace(200, 20000, 60)


def absorption(admittance):
    """Absorption at normal incidence from the normalised admittance."""
    reflection = (1 - admittance) / (1 + admittance)
    return 1 - np.abs(reflection) ** 2


@pytest.mark.parametrize("resistivity", [1e3, 1e4, 5e4, 2e5])
@pytest.mark.parametrize("thickness", [0.0005, 0.002, 0.01, 0.1])
@pytest.mark.parametrize("incidence", ["grazing", "normal"])
def test_takes_power_and_never_gives(resistivity, thickness, incidence):
    layer = PorousLayer(flow_resistivity=resistivity, thickness_m=thickness, incidence=incidence)
    admittance = layer.admittance(FREQUENCIES, AIR)
    assert np.all(admittance.real >= 0)
    assert np.all(absorption(admittance) > -1e-12)  # rounding
    assert np.all(absorption(admittance) <= 1)


def test_thin_layer_is_a_spring():
    """At low frequency the air in it is compressed: an admittance of -ik d times its own index.

    With exp(-i omega t) a spring's admittance is negative imaginary.
    """
    layer = PorousLayer(flow_resistivity=1e4, thickness_m=0.001, incidence="normal")
    admittance = complex(layer.admittance(1000.0, AIR))
    assert admittance.imag < 0
    assert abs(admittance.real) < 0.2 * abs(admittance.imag)


def test_very_thick_layer_is_a_half_space():
    layer = PorousLayer(flow_resistivity=1e4, thickness_m=3.0, incidence="normal")
    ratio = 2000.0 / 1e4
    impedance = 1 + 0.0699 * ratio**-0.632 + 1j * 0.1071 * ratio**-0.632
    assert complex(layer.admittance(2000.0, AIR)) == pytest.approx(1 / impedance, rel=1e-6)


def test_worked_value():
    """10 mm of 20 kPa s/m^2 at 2 kHz, eq. 30 to 33 by hand: f / sigma = 0.1."""
    layer = PorousLayer(flow_resistivity=2e4, thickness_m=0.01, incidence="normal")
    impedance = 1 + (0.0699 + 0.1071j) * 10**0.632
    k = 2 * np.pi * 2000 / AIR.sound_speed * (1 + (0.1093 + 0.1597j) * 10**0.618)
    expected = -1j * np.tan(k * 0.01) / impedance
    assert complex(layer.admittance(2000.0, AIR)) == pytest.approx(expected)


def test_thicker_layer_absorbs_more_at_low_frequency():
    thin, thick = (PorousLayer(flow_resistivity=1e4, thickness_m=d) for d in (0.005, 0.02))
    low = FREQUENCIES[FREQUENCIES < 2000]
    assert np.all(absorption(thick.admittance(low, AIR)) > absorption(thin.admittance(low, AIR)))


def test_along_a_thin_layer_more_is_lost_than_straight_into_it():
    """For kd << 1 the admittance is -ik d (n^2 - s^2) / (n Z), by expanding the tangent."""
    frequency_hz, thickness_m, resistivity = 1000.0, 0.0005, 3e4
    ratio = frequency_hz / resistivity
    impedance = 1 + (0.0699 + 0.1071j) * ratio**-0.632
    index = 1 + (0.1093 + 0.1597j) * ratio**-0.618
    kd = 2 * np.pi * frequency_hz / AIR.sound_speed * thickness_m
    found = {}
    for incidence, sine in (("grazing", 1.0), ("normal", 0.0)):
        layer = PorousLayer(
            flow_resistivity=resistivity, thickness_m=thickness_m, incidence=incidence
        )
        found[incidence] = complex(layer.admittance(frequency_hz, AIR))
        expected = -1j * kd * (index**2 - sine**2) / (index * impedance)
        assert found[incidence] == pytest.approx(expected, rel=1e-2)
    losses = {name: value.real / -value.imag for name, value in found.items()}
    assert losses["grazing"] > 1.5 * losses["normal"]
