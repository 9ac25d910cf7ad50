# SPDX-License-Identifier: GPL-3.0-or-later
"""From a measurement in a known plate to what a driver does for a voltage: round trips."""

import re
from dataclasses import replace

import numpy as np
import patterns
import pytest

from bafflelens.base.conventions import REFERENCE_PRESSURE_PA
from bafflelens.base.errors import InputError
from bafflelens.directivity.driver import Driver, delay_remark, plate_source, strength
from bafflelens.directivity.polars import on_axis
from bafflelens.directivity.responses import Response, read_response, write_response
from bafflelens.directivity.source_sums import source_sum

FREQUENCY = patterns.sixth_octaves(800.0, 16_000.0)
C = patterns.AIR.sound_speed


def plate(frequency=FREQUENCY, failed=()):
    """A plate with a far field that is neither flat nor of constant phase."""

    def field(f, azimuth, elevation):
        return (0.08 + 0.03 * np.cos(f / 900)) * np.exp(0.3j * np.sin(f / 2000)) + 0 * azimuth

    return patterns.dataset(field, frequency, failed)


def planted(frequency):
    """Acceleration at 2.83 V in m/s^2, for exp(-i omega t): a resonance and a small delay."""
    s = -1j * frequency / 900
    return 700 * s**2 / (s**2 + 0.8 * s + 1) * np.exp(2j * np.pi * frequency * 3e-5)


def measured(dataset, *, distance_m=1.0, removed_delay_s=0.0, name="measured.txt"):
    """What a microphone would have written: Hz, dB re 20 uPa, degrees for exp(+j omega t)."""
    frequency = dataset["frequency"].values
    k = 2 * np.pi * frequency / C
    pressure = planted(frequency) * on_axis(dataset) * np.exp(1j * k * distance_m) / distance_m
    electrical = np.conj(pressure) * np.exp(2j * np.pi * frequency * removed_delay_s)
    return Response(
        name=name,
        frequency_hz=frequency,
        level_db=20 * np.log10(np.abs(electrical) / REFERENCE_PRESSURE_PA),
        phase_deg=np.degrees(np.angle(electrical)),
    )


def driver(response, **changes):
    plain = Driver(name="tweeter", quantity="pressure", response=response, voltage_v=2.83)
    return replace(plain, **changes)


@pytest.mark.parametrize("distance_m", [0.5, 1.0, 3.2])
def test_a_planted_strength_is_recovered_exactly(distance_m):
    known = driver(measured(plate(), distance_m=distance_m), distance_m=distance_m)
    found = strength(known, plate(), FREQUENCY, rated_voltage_v=2.83)
    np.testing.assert_allclose(found, planted(FREQUENCY), rtol=1e-9)


def test_through_a_file_it_is_recovered_to_the_file_s_digits(tmp_path):
    write_response(measured(plate()), tmp_path / "tweeter.txt", "invented")
    known = driver(read_response(tmp_path / "tweeter.txt"))
    found = strength(known, plate(), FREQUENCY, rated_voltage_v=2.83)
    np.testing.assert_allclose(found, planted(FREQUENCY), rtol=1e-6)


def test_a_flight_time_that_was_taken_out_is_put_back():
    flight_s = 1.0 / C
    known = driver(measured(plate(), removed_delay_s=flight_s), removed_delay_s=flight_s)
    found = strength(known, plate(), FREQUENCY, rated_voltage_v=2.83)
    np.testing.assert_allclose(found, planted(FREQUENCY), rtol=1e-9)


def test_the_wrong_sign_of_the_phase_would_show():
    """What a file in the program's own time convention would give: far from the truth."""
    turned = replace(measured(plate()), phase_deg=-measured(plate()).phase_deg)
    found = strength(driver(turned), plate(), FREQUENCY, rated_voltage_v=2.83)
    assert np.abs(np.angle(found / planted(FREQUENCY))).max() > 1


def test_it_is_in_proportion_to_the_voltages():
    known = driver(measured(plate()), voltage_v=1.0)
    found = strength(known, plate(), FREQUENCY, rated_voltage_v=4.0)
    np.testing.assert_allclose(found, 4 * planted(FREQUENCY), rtol=1e-9)


def test_with_points_between_the_solved_ones_it_is_close():
    """A file with 24 points an octave, a plate and candidates on other frequencies."""
    fine = plate(patterns.sixth_octaves(700.0, 20_000.0, per_octave=24))
    known = driver(measured(fine))
    wanted = np.geomspace(1000, 12_000, 37)
    at_plate = patterns.sixth_octaves(800.0, 16_000.0, per_octave=24)
    found = strength(known, plate(at_plate), wanted, rated_voltage_v=2.83)
    ratio_db = 20 * np.log10(np.abs(found / planted(wanted)))
    assert np.abs(ratio_db).max() < 0.1
    assert np.abs(np.angle(found / planted(wanted))).max() < 0.05


def test_a_candidate_plays_at_the_level_that_was_measured():
    """In the plate itself the prediction is the measurement: level at 1 m, rated voltage."""
    response = measured(plate(), distance_m=2.0)
    known = driver(response, distance_m=2.0)
    values = strength(known, plate(), FREQUENCY, rated_voltage_v=2.83)
    field = source_sum(plate(), values[np.newaxis])
    level = 20 * np.log10(np.abs(field.values[:, 0]) / REFERENCE_PRESSURE_PA)
    np.testing.assert_allclose(level, response.level_db + 20 * np.log10(2.0), atol=1e-5)


def test_where_the_plate_failed_the_strength_is_not_known():
    known = driver(measured(plate()))
    found = strength(known, plate(failed=[FREQUENCY[4]]), FREQUENCY, rated_voltage_v=2.83)
    assert list(np.flatnonzero(np.isnan(found))) == [4]
    with pytest.raises(InputError, match=r"plate of driver 'tweeter'. Must be a plate that was s"):
        strength(known, plate(failed=FREQUENCY), FREQUENCY, rated_voltage_v=2.83)
    with pytest.raises(InputError, match=r"driver 'tweeter'. Must be given with the plate"):
        strength(known, None, FREQUENCY, rated_voltage_v=2.83)


def test_an_acceleration_needs_no_plate():
    value = np.conj(planted(FREQUENCY))
    response = Response(
        name="laser.txt",
        frequency_hz=FREQUENCY,
        level_db=20 * np.log10(np.abs(value)),
        phase_deg=np.degrees(np.angle(value)),
    )
    known = driver(response, quantity="acceleration", voltage_v=1.0)
    found = strength(known, None, FREQUENCY, rated_voltage_v=2.0)
    np.testing.assert_allclose(found, 2 * planted(FREQUENCY), rtol=1e-9)


def test_the_source_of_a_plate_is_found_by_name_or_alone():
    one = patterns.point_sources([[0, 0, 0]], ["dome"], FREQUENCY)
    two = patterns.point_sources([[0, 0, 0], [0, 0, -0.1]], ["tweeter", "midrange"], FREQUENCY)
    known = driver(measured(plate()))
    assert plate_source(one, known, "")["source"].values == ["dome"]
    assert plate_source(two, known, "")["source"].values == ["tweeter"]
    assert plate_source(two, known, "midrange")["source"].values == ["midrange"]
    with pytest.raises(InputError, match=r"in its plate 'woofer'. Must be one of .*tweeter, midr"):
        plate_source(two, replace(known, name="woofer"), "")


def test_a_flight_time_that_is_missing_or_doubled_is_remarked_on():
    fine = plate(patterns.sixth_octaves(800.0, 16_000.0, per_octave=48))
    honest = driver(measured(fine))
    assert delay_remark(honest, C) == ""
    already_out = driver(measured(fine, removed_delay_s=1 / C))
    assert re.search(r"holds a delay of -2\.[89]\d ms beside", delay_remark(already_out, C))
    assert "removed_delay_ms" in delay_remark(already_out, C)
    assert delay_remark(replace(already_out, removed_delay_s=1 / C), C) == ""
    assert delay_remark(replace(already_out, quantity="acceleration"), C) == ""
