# SPDX-License-Identifier: GPL-3.0-or-later
"""Clay against computer, on a cap on a sphere: planted faults are found, and no other is blamed.

The measurement is synthetic (`references/mock_up.py`): the exact series at finite distance, with
faults added. The simulation is the same series where only a fault of the set-up was planted.
"""

import re
from dataclasses import replace
from functools import cache

import mock_up
import numpy as np
import pytest
from turntable import microphone_places

from bafflelens.base.errors import InputError
from bafflelens.mockup.comparison.errors_by_zone import ZoneError, bands_between
from bafflelens.mockup.comparison.from_measurement import observed_of
from bafflelens.mockup.comparison.result import ComparisonSettings, compare_orbits
from bafflelens.mockup.comparison.verdict import verdict_of
from bafflelens.mockup.comparison.width_and_index import (
    contradictions,
    figure_curves,
    figure_errors,
)
from bafflelens.mockup.measurement.microphones import PARAMETERS, SetUpDeviation, microphones

SETTINGS = ComparisonSettings(bounce_deg={"floor": -33.7, "ceiling": 45.0})
VERTICAL = {"orbits": ("vertical",)}  # one orbit tells as much, in half the time
OFFSET = {"rotation_offset_m": (0.012, 0.0, 0.0), "angle_offset_deg": 1.5}


def compared(scanned=None, simulation=None, **faults):
    measured = mock_up.measured(**faults)
    radiator = simulation or mock_up.simulated()
    speed = measured.setup.air.sound_speed
    # What `SurfaceRadiator.in_air` does: equal wavelengths.
    air = replace(
        radiator,
        frequencies_hz=mock_up.SOLVED_HZ * speed / 343.2,
        sound_speed=speed,
        known={},
    )
    return compare_orbits(observed_of(measured), air, SETTINGS, scanned)


@cache
def clean():
    return compared(repeats=2)


def names(comparison):
    return [cause.name for cause in comparison.causes]


def assert_found(comparison, planted, untold=()):
    """What was planted is found within its stated uncertainty, and nothing else appears."""
    for fit in comparison.fits.values():
        true = SetUpDeviation(**planted).values
        off = np.abs(fit.deviation.values - true)
        share = off / fit.uncertainty
        assert (share <= 1).all(), dict(zip(PARAMETERS, share, strict=True))
        assert set(np.array(PARAMETERS)[~fit.is_told]) <= set(untold)


# ------------------------------------------------------------------------------ set-up


def test_microphones_stand_where_the_measurement_says():
    for plane in ("horizontal", "vertical"):
        setup = replace(mock_up.SETUP, microphone_height_m=0.1)
        deviation = SetUpDeviation(angle_deg=3.0, forward_m=0.01, sideways_m=0.02, tilt_deg=2.0)
        shift = (0.01, 0.02, 0.0) if plane == "horizontal" else (0.01, 0.0, 0.02)
        for is_mirrored in (False, True):
            deviation = replace(deviation, is_mirrored=is_mirrored)
            points, slopes = microphones(setup, plane, mock_up.ANGLES_DEG, deviation)
            same = microphone_places(
                setup,
                plane,
                mock_up.ANGLES_DEG,
                angle_offset_deg=3.0,
                rotation_offset_m=shift,
                tilt_deg=2.0,
                mirrored=is_mirrored,
            )
            np.testing.assert_allclose(points, same, atol=1e-12)
        for number in range(len(PARAMETERS)):
            step = 1e-6 * np.eye(len(PARAMETERS))[number]
            moved = deviation.with_values(deviation.values + step)
            slope = (microphones(setup, plane, mock_up.ANGLES_DEG, moved)[0] - points) / 1e-6
            np.testing.assert_allclose(slopes[number], slope, atol=1e-4)


def test_what_agrees_is_said_to_agree_and_blames_nothing():
    found = clean()
    assert found.rms_db < 0.1
    assert found.causes == ()
    assert_found(found, {})
    first = found.verdict.sentences[0]
    assert first.startswith("Agrees within 1 dB from 613 Hz up to 11.5 kHz, the top of what was")
    assert all(reach.to_hz == reach.top_hz for reach in found.verdict.reaches)
    assert not any("from what was noted" in text for text in found.verdict.sentences)
    assert all(one.spread_db is not None for one in found.differences)


def test_repeated_sweeps_give_the_repeatability():
    found = clean()
    errors = found.by_third["front ±30°"]
    # The scatter of a level is 8.7 dB times noise over signal, over root two for the mean.
    level = np.array([one.repeatability_db for one in errors])
    assert (level > 0.001).all()
    assert (level < 0.1).all()


def test_overall_level_is_told_with_its_range():
    """Student's t for four parts of the band: 3.18 times their standard error."""
    for one in clean().differences:
        driver = np.interp(one.frequency_hz, mock_up.MEASURED_HZ, mock_up.DRIVER_DB)
        assert one.level_db == pytest.approx(driver.mean(), abs=0.02)
        parts = [part.mean() for part in np.array_split(driver, 4)]
        assert one.level_uncertainty_db == pytest.approx(
            3.182 * np.std(parts, ddof=1) / 2, rel=0.05
        )


def test_beamwidth_is_compared_with_what_sweeps_scatter_by():
    """Levels that fall straight: 6 dB down at 30 and 36 degrees, 5 degrees a decibel."""
    angle = np.arange(-180.0, 180.0, 5.0)
    straight = np.tile(-np.abs(angle) / 5, (3, 1))
    straight[:, np.abs(angle) > 100] = np.nan  # masked by noise
    one = replace(
        clean().differences[0],
        angle_deg=angle,
        frequency_hz=np.array([1000.0, 1100.0, 1200.0]),
        measured_db=straight,
        simulated_db=straight * 5 / 6,
        spread_db=np.full(straight.shape, 0.1),
        on_axis_db=np.zeros((2, 3)),
    )
    curves = figure_curves([one])
    ((error,),) = (figure_errors(curves, [(900.0, 1300.0)])["beamwidth, horizontal"],)
    assert curves.beamwidth_deg["horizontal"][:, 0] == pytest.approx([60.0, 72.0])
    assert (error.mean, error.rms) == pytest.approx((-12.0, 12.0))
    # Each edge moves by 0.5 degrees on its own, both together by 1 with the level on the axis.
    assert error.repeatability == pytest.approx(np.sqrt(0.25 + 0.25 + 1.0))
    assert curves.index_spread_db == pytest.approx(0.1)
    index = figure_errors(curves, [(900.0, 1300.0)])["directivity index"][0]
    assert index.mean > 0  # the narrower beam has the higher index
    assert index.repeatability == pytest.approx(0.1)


@pytest.mark.parametrize("has_phase", [False, True])
def test_turntable_offset_and_angle_error(has_phase):
    orbits = ("horizontal",) if has_phase else ("horizontal", "vertical")
    found = compared(placed=OFFSET, has_phase=has_phase, orbits=orbits)
    assert_found(found, {"forward_m": 0.012, "angle_deg": 1.5})
    assert names(found) == []
    text = " ".join(found.verdict.sentences)
    assert "zero of the angles +1.5 ±" in text
    assert "rotation point forward +1" in text
    assert "sign" not in text
    fit = found.fits["horizontal"]
    assert fit.uses_paths == has_phase
    assert fit.uncertainty[1] < (0.002 if has_phase else 0.012)


def test_swapped_sign_is_named():
    found = compared(placed={"mirrored": True})
    assert_found(found, {"is_mirrored": True})
    assert all(fit.deviation.is_mirrored for fit in found.fits.values())
    assert names(found) == []
    pattern = r"Vertical orbit: the sign of the angles is swapped\. With the noted sign [\d.]+ dB"
    assert re.search(pattern, " ".join(found.verdict.sentences))


def test_a_sign_that_makes_no_difference_is_not_told():
    symmetric = {"axis_deg": (0.0, 14.0)}
    found = compared(
        orbits=("horizontal",), simulation=mock_up.simulated(**symmetric), **symmetric
    )
    fit = found.fits["horizontal"]
    assert not fit.sign_is_told
    assert not fit.deviation.is_mirrored


def exchanged(names):
    """A measurement whose orbits carry each other's name."""
    other = {"horizontal": "vertical", "vertical": "horizontal"}
    measured = mock_up.measured(orbits=names)
    orbits = tuple(replace(orbit, name=other[orbit.name]) for orbit in measured.orbits)
    return observed_of(replace(measured, orbits=orbits))


@pytest.mark.parametrize("planes", [("horizontal", "vertical"), ("vertical",)])
def test_exchanged_orbits_are_named(planes):
    """And not read as a rotation point that is off, with an advice to scan the clay."""
    found = compare_orbits(exchanged(planes), mock_up.simulated(), SETTINGS)
    assert found.exchange is not None
    assert found.exchange.exchanged_db < 0.2 < found.exchange.noted_db
    assert_found(found, {})
    assert set(found.fits) == set(planes)
    assert found.rms_db < 0.1
    assert names(found) == []
    text = " ".join(found.verdict.sentences)
    what = "The orbits are exchanged" if len(planes) == 2 else "What is noted as the horizontal"
    assert what in text
    assert "correct the description" in text
    assert "rotation point" not in text
    assert not any("clay" in check.what for check in found.verdict.checks)


def test_nothing_is_said_of_a_set_up_that_explains_nothing():
    """Files of another loudspeaker: whatever fits least badly is no finding."""
    found = compared(half_angle_deg=50.0, axis_deg=(-60.0, 40.0), orbits=("horizontal",))
    assert found.fits["horizontal"].left_db > 1.0
    text = " ".join(found.verdict.sentences)
    assert "nothing can be said about its set-up" in text
    assert "from what was noted" not in text


def test_one_orbit_louder_than_the_other_is_named():
    measured = mock_up.measured()
    louder = replace(measured.orbits[0], pressure=measured.orbits[0].pressure * 10 ** (3 / 20))
    given = observed_of(replace(measured, orbits=(louder, measured.orbits[1])))
    text = " ".join(compare_orbits(given, mock_up.simulated(), SETTINGS).verdict.sentences)
    assert re.search(
        r"the horizontal orbit is (2\.9|3\.0|3\.1) ± 0\.\d dB above the vertical", text
    )


@pytest.mark.parametrize(
    ("noted", "true_factor", "way"),
    [
        ({"temperature_c": 32.0}, 1.0, r"(3[5-9]|4[0-5]) mm longer than 2 m at 350\.\d m/s"),
        ({"distance_m": 2.2}, 1.0, r"(19\d|20\d) mm shorter than 2\.2 m at 343"),
    ],
)
def test_air_and_distance_that_are_not_as_noted_are_named(noted, true_factor, way):
    """With a common zero of time; the data do not tell which of them it is."""
    measured = mock_up.measured(orbits=("horizontal",), has_phase=True, air_factor=true_factor)
    setup = replace(mock_up.SETUP, **noted)
    orbits = tuple(replace(orbit, setup=setup) for orbit in measured.orbits)
    speed = setup.air.sound_speed
    air = replace(mock_up.simulated(), frequencies_hz=mock_up.SOLVED_HZ * speed / 343.2,
                  sound_speed=speed, known={})  # fmt: skip
    given = observed_of(replace(measured, orbits=orbits, setup=setup))
    text = " ".join(compare_orbits(given, air, SETTINGS).verdict.sentences)
    assert re.search(way, text), text
    assert "the data do not tell which" in text


def test_what_is_as_noted_is_not_implausible():
    found = compared(orbits=("horizontal",), has_phase=True)
    assert not any("recorder's own delay" in line for line in found.verdict.sentences)
    assert not any("common axis" in line for line in clean().verdict.sentences)


def test_two_tilts_that_sound_alike_are_both_told():
    """A cap nearly in the orbit's plane sounds alike up and down: at -2 plus or minus as much."""
    body = {"axis_deg": (3.4, 1.5)}
    found = compared(
        orbits=("horizontal",),
        placed={"tilt_deg": -2.6},
        noise=0.001,
        simulation=mock_up.simulated(**body),
        **body,
    )
    assert_found(found, {"tilt_deg": -2.6})
    fit = found.fits["horizontal"]
    assert fit.deviation.tilt_deg == pytest.approx(-1.4, abs=0.2)  # the smaller is taken
    assert fit.twin_tilt_deg == pytest.approx(-2.6, abs=0.2)
    assert names(found) == []
    pattern = r"tilt -1\.\d ± [\d.]+° .*, or -2\.\d°, which the data do not rule out"
    assert re.search(pattern, " ".join(found.verdict.sentences))


# ------------------------------------------------------------------------------ causes


def test_level_step():
    found = compared(step_db=1.0, **VERTICAL)
    assert names(found) == ["level step"]
    assert found.causes[0].share > 0.8
    assert_found(found, {})
    for fit in found.fits.values():
        assert fit.angles_of_steps == ((40.0, 50.0),)
        assert fit.steps_db == pytest.approx((1.0,), abs=0.15)


@pytest.mark.parametrize("noise", [0.0001, 0.003])
def test_a_dead_microphone_is_named_and_does_not_agree(noise):
    """60 dB down at +30 degrees: with little noise it is seen, with more it drowns in it."""
    found = compared(dead=("horizontal", 30.0, -60.0), orbits=("horizontal",), noise=noise)
    assert names(found) == ["odd angle"]
    assert found.causes[0].share > 0.99
    (odd,) = found.differences[0].odd_angles
    assert (odd.angle_deg, odd.is_deaf) == (30.0, noise > 0.001)
    assert odd.off_db == pytest.approx(-60, abs=1) if noise < 0.001 else odd.off_db < -20
    reaches = {reach.zone: reach.to_hz for reach in found.verdict.reaches}
    assert reaches["front ±30°"] == reaches["horizontal ±60°"] == 0
    text = " ".join(found.verdict.sentences)
    assert "Agrees" not in text
    assert re.search(r"the level at \+30° is (at least )?\d+ dB below what its neighbours", text)
    assert "Microphone, cable and file" in found.verdict.checks[0].next
    # The others keep their own zero: what is odd has no part in the response.
    rest = np.delete(found.differences[0].difference_db, 21, axis=1)
    assert np.sqrt(np.nanmean(rest**2)) < 0.1


def test_where_only_the_measurement_is_quiet_counts():
    """A microphone 12 dB down behind is neither hidden nor a step of gain."""
    found = compared(dead=("vertical", -120.0, -12.0), **VERTICAL)
    assert names(found) == ["odd angle"]
    assert [one.angle_deg for one in found.differences[0].odd_angles] == [-120.0]
    assert found.verdict.reaches[0].to_hz == found.verdict.reaches[0].top_hz


def test_no_verdict_beside_a_beamwidth_that_contradicts_it():
    """Levels within 60 degrees agree by their r.m.s.; those at the edge of the beam do not."""
    one = clean().differences[0]
    levels = one.simulated_db.copy()
    edge = np.abs(one.angle_deg - 30) < 15
    levels[:, edge] -= 3.5
    apart = replace(one, measured_db=levels)
    bands = bands_between(2000, 8000, 3)
    assert contradictions([one], bands, 1.0) == ()
    found = contradictions([apart], bands, 1.0)
    assert found
    assert all(10 < place.at_deg < 60 for place in found)
    assert all(place.plane == "horizontal" for place in found)
    errors = [
        ZoneError(zone="horizontal ±60°", from_hz=low, to_hz=high, rms_db=0.9, largest_db=3.0,
                  repeatability_db=np.nan, points=50)
        for low, high in bands
    ]  # fmt: skip
    verdict = verdict_of(
        {"horizontal ±60°": errors}, (), {}, within_db=1.0, rms_db=0.9, gate_limit_hz=0.0,
        clay=None, sound_speed=343.0, contradicted={"horizontal ±60°": found},
    )  # fmt: skip
    (reach,) = verdict.reaches
    assert reach.to_hz <= found[0].from_hz
    assert "horizontal beamwidth contradicts agreement" in " ".join(verdict.sentences)


def test_floor_bounce_inside_the_gate():
    found = compared(floor_m=1.3, noise=0.001, **VERTICAL)
    assert names(found)[0] == "reflection"
    assert "dome" not in names(found)
    assert "level step" not in names(found)
    extra_s = (np.hypot(2.0, 2.6) - 2.0) / 343.2
    assert found.causes[0].delay_s == pytest.approx(extra_s, rel=0.05)
    assert found.causes[0].share > 0.7
    assert_found(found, {})


def test_echo_that_is_the_same_at_all_angles():
    """It is named, and neither directivity nor set-up suffer."""
    found = compared(echo=(0.004, 0.3), **VERTICAL)
    assert names(found) == []
    assert found.rms_db < 0.2
    assert_found(found, {})
    text = " ".join(found.verdict.sentences)
    assert re.search(r"with a delay of (3\.9|4\.0)\d ms is a reflection inside the gate", text)


def test_noise():
    found = compared(noise=0.08, **VERTICAL)
    assert names(found) == ["noise"]
    assert_found(found, {}, untold=PARAMETERS)


def test_dome_that_bends():
    found = compared(break_up_hz=6000.0)
    assert names(found) == ["dome"]
    assert found.causes[0].value == pytest.approx(6500, rel=0.12)
    assert_found(found, {})
    front = found.verdict.reaches[0]
    assert 6000 < front.to_hz < 11000
    assert "no longer moves as a whole" in " ".join(found.verdict.sentences)


def test_warm_air_is_no_fault():
    warm = replace(mock_up.SETUP, temperature_c=27.0)
    found = compared(setup=warm, air_factor=warm.air.sound_speed / 343.2, **VERTICAL)
    assert found.rms_db < 0.1
    assert names(found) == []
    assert_found(found, {})


def test_a_missing_angle_is_no_fault():
    angles = mock_up.ANGLES_DEG[mock_up.ANGLES_DEG != 30]
    found = compared(angles=angles, **VERTICAL)
    assert found.rms_db < 0.1
    assert names(found) == []


def test_clay_that_is_off_is_split_from_the_model():
    clay = {"half_angle_deg": 15.0}
    found = compared(scanned=mock_up.simulated(**clay), **clay, **VERTICAL)
    assert names(found) == ["shape"]
    assert found.causes[0].share > 0.95
    rest = np.concatenate([one.difference_db.ravel() for one in found.three_way.scanned])
    assert np.sqrt(np.nanmean(rest**2)) < 0.1
    for one, other, shape in zip(
        found.differences, found.three_way.scanned, found.three_way.shape_db, strict=True
    ):
        np.testing.assert_allclose(
            one.difference_db - other.difference_db, shape, atol=1e-9, equal_nan=True
        )


@pytest.mark.parametrize("clay", [{"half_angle_deg": 15.0}, {"radius_m": 0.106}])
def test_without_a_scan_clay_and_model_are_not_told_apart(clay):
    """What is off all around grows evenly with frequency, and the dome is not blamed for it."""
    found = compared(**clay)
    assert names(found) == ["round"]
    assert "The data do not tell which" in found.causes[0].text
    checks = {check.what: check.seen for check in found.verdict.checks}
    assert "Not scanned. Walls that are off by" in checks["clay, walls"]


# ---------------------------------------------------------------------------- learning


@pytest.mark.parametrize("has_phase", [False, True])
def test_velocity_correction_is_the_drivers_response(has_phase):
    found = compared(orbits=("horizontal",), has_phase=has_phase).correction
    true = np.interp(found.frequency_hz, mock_up.MEASURED_HZ, mock_up.DRIVER_DB)
    off = np.abs(found.level_db - true)
    assert off.max() < 0.1  # smoothing over 1/6 octave
    assert np.median(off) < 0.02
    assert found.has_phase == has_phase
    if has_phase:
        assert np.abs(found.phase_deg).max() < 2
        assert abs(found.delay_s) < 2e-5
    assert "absorb" not in found.remark
    assert "from the lens itself: what its shape is off by" in found.remark


# --------------------------------------------------------------------------- bad input


def test_too_few_angles_is_one_clear_line():
    rule = "measured at five angles at least, at four of the solved frequencies"
    with pytest.raises(InputError, match=re.escape(rule)):
        compared(angles=np.array([-20.0, 0.0, 20.0]))


def test_four_frequencies_are_enough():
    few = mock_up.CapField(mock_up.SOLVED_HZ[8:24:4])
    found = compare_orbits(observed_of(mock_up.measured()), few, SETTINGS)
    assert_found(found, {})


def test_bands_that_do_not_meet_are_one_clear_line():
    low = replace(mock_up.simulated(), frequencies_hz=np.geomspace(100, 500, 12), known={})
    with pytest.raises(InputError, match="that overlaps what was solved, 100 to 500 Hz"):
        compare_orbits(observed_of(mock_up.measured()), low, SETTINGS)
