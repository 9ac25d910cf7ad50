# SPDX-License-Identifier: GPL-3.0-or-later
"""Air against ISO 9613-1:1993 table 1 (absorption, dB/km) and its reference sound speed.

The table values are rounded to three digits; the standard's own 100 per cent humidity column
deviates from its formula by up to 0.4 per cent (references/README.md, section 6).
"""

import re

import analytic
import numpy as np
import pytest

from bafflelens.base.errors import InputError
from bafflelens.base.medium import Air

# degrees C, per cent, exact midband of the nominal Hz, dB/km
ISO_9613_1_TABLE_1 = [
    (-20, 10, 50, 0.589),
    (-20, 50, 1000, 9.14),
    (-20, 70, 8000, 27.8),
    (-20, 100, 10000, 47.0),
    (0, 10, 50, 0.302),
    (0, 50, 1000, 6.83),
    (0, 20, 2000, 34.6),
    (0, 100, 6300, 88.0),
    (5, 50, 1000, 5.08),
    (10, 70, 1000, 3.66),
    (10, 50, 4000, 46.7),
    (15, 50, 1000, 4.16),
    (15, 100, 10000, 105.0),
    (20, 50, 1000, 4.66),
    (20, 50, 2000, 9.86),
    (25, 50, 1000, 5.68),
    (25, 100, 2000, 11.4),
    (30, 50, 1000, 7.03),
    (30, 50, 4000, 24.5),
    (35, 50, 1000, 8.43),
    (40, 50, 1000, 9.52),
    (45, 50, 800, 7.16),
    (50, 50, 2000, 24.8),
]


@pytest.mark.parametrize(("celsius", "humidity", "nominal_hz", "db_per_km"), ISO_9613_1_TABLE_1)
def test_absorption_table(celsius, humidity, nominal_hz, db_per_km):
    air = Air(temperature_c=celsius, relative_humidity_pct=humidity)
    frequency = 1000 * 10 ** (round(10 * np.log10(nominal_hz / 1000)) / 10)
    found = float(air.absorption(frequency)) * 1000
    assert found == pytest.approx(db_per_km, rel=5e-3)


def test_absorption_follows_the_reference_everywhere():
    """Also away from one atmosphere, where the table is silent; formula by formula."""
    frequency = np.geomspace(50, 20000, 30)
    for celsius, humidity, pressure in ((20, 50, 101325), (-5, 90, 85000), (40, 10, 70000)):
        air = Air(
            temperature_c=celsius, relative_humidity_pct=humidity, pressure_pa=float(pressure)
        )
        expected = analytic.iso9613_1_absorption(frequency, celsius, humidity, pressure / 1000)
        np.testing.assert_allclose(air.absorption(frequency), expected, rtol=1e-12)


@pytest.mark.parametrize(
    ("celsius", "speed"),
    [(0, 331.286), (10, 337.296), (15, 340.261), (20, 343.2), (25, 346.114), (30, 349.005)],
)
def test_sound_speed(celsius, speed):
    air = Air(temperature_c=celsius)
    assert air.sound_speed == pytest.approx(speed, abs=6e-4)
    assert air.wavenumber(1000.0) == pytest.approx(2 * np.pi * 1000 / speed, rel=1e-5)


@pytest.mark.parametrize(
    ("celsius", "humidity", "density"),
    [
        (0, 0, 1.29228),
        (0, 50, 1.29081),
        (15, 0, 1.22501),
        (15, 50, 1.22112),
        (20, 0, 1.20412),
        (20, 50, 1.19887),
        (25, 0, 1.18393),
        (25, 50, 1.17693),
    ],
)
def test_density(celsius, humidity, density):
    air = Air(temperature_c=celsius, relative_humidity_pct=humidity)
    assert air.density == pytest.approx(density, abs=1e-5)
    assert air.impedance == air.density * air.sound_speed


def test_half_the_pressure_is_half_the_density():
    low, high = (Air(relative_humidity_pct=0.0, pressure_pa=p) for p in (60e3, 101325.0))
    assert high.density / low.density == pytest.approx(101325 / 60e3)
    assert high.sound_speed == low.sound_speed


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (
            {"temperature_c": 300.0},
            "Invalid air temperature '300.0'. Must be from -20 to 50 degrees",
        ),
        (
            {"temperature_c": -21.0},
            "Invalid air temperature '-21.0'. Must be from -20 to 50 degrees",
        ),
        (
            {"relative_humidity_pct": 101.0},
            "Invalid relative humidity '101.0'. Must be from 0 to 100 per cent.",
        ),
        (
            {"pressure_pa": 1013.25},
            "Invalid air pressure '1013.25'. Must be from 60000 to 110000 Pa.",
        ),
        ({"temperature_c": float("nan")}, "Invalid air temperature 'nan'."),
    ],
)
def test_out_of_range(given, message):
    with pytest.raises(InputError, match=re.escape(message)):
        Air(**given)


def test_all_faults_at_once():
    with pytest.raises(InputError) as caught:
        Air(temperature_c=99.0, relative_humidity_pct=-1.0, pressure_pa=1.0)
    assert len(caught.value.faults) == 3
