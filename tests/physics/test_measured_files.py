# SPDX-License-Identifier: GPL-3.0-or-later
"""From impulse responses on the disk to what is wrong with a set-up, all faults at once.

Synthetic: the exact series of a cap on a sphere at finite distance (`cap_field`, Morse & Ingard
1968, ch. 7) is written as WAV files by an invented loudspeaker, in absorbing air of 27 C (ISO
9613-1), with noise, two sweeps an angle, a floor bounce, a missing angle, a turntable 12 mm off
and 1.5 degrees of angle error. The reader must take out what belongs to room and air, so that the
comparison finds the two faults of the set-up within their stated uncertainty, and no other.
"""

from dataclasses import replace

import numpy as np
import pytest
from cap_field import CapField
from synthetic_measurement import Planted, Session, write_measurement

from bafflelens.base.errors import InputError
from bafflelens.mockup.comparison.from_measurement import observed_of
from bafflelens.mockup.comparison.result import ComparisonSettings, compare_orbits
from bafflelens.mockup.measurement.measured import Setup
from bafflelens.mockup.measurement.microphones import PARAMETERS, SetUpDeviation
from bafflelens.mockup.measurement.reading import read_measurement

SETUP = Setup(distance_m=2.0, rotation_point_m=(-0.08, 0.0, 0.0), temperature_c=27.0)
SESSION = Session(
    setup=SETUP,
    orbits=("horizontal", "vertical"),
    angles_deg=tuple(np.arange(-180.0, 180.0, 15.0)),
    kind="impulse",
    n_samples=1536,
    repeats=2,
    further="frequencies = { from_hz = 500, to_hz = 12000, per_octave = 24 }",
)
PLANTED = Planted(
    rotation_offset_m=(0.012, 0.0, 0.0),
    angle_offset_deg=1.5,
    bounce=(4.5e-3, 0.4),
    noise_re_peak=3e-4,
    missing_deg=(75.0,),
)
KNOWN_HZ = np.concatenate([np.geomspace(500, 1000, 4), np.arange(1300, 12600, 350.0)])
CAP = CapField(KNOWN_HZ)


def pressure(points, frequencies, sound_speed):
    field = CapField(np.asarray(frequencies), sound_speed=sound_speed)
    return field.at(points, np.arange(len(frequencies)))[0].T


def compared(path):
    measured = read_measurement(path)
    speed = measured.setup.air.sound_speed
    simulation = replace(CAP, frequencies_hz=KNOWN_HZ * speed / 343.2, sound_speed=speed, known={})
    return measured, compare_orbits(
        observed_of(measured), simulation, ComparisonSettings(bounce_deg={})
    )


@pytest.fixture(scope="module")
def everything(tmp_path_factory):
    folder = tmp_path_factory.mktemp("measured")
    return compared(write_measurement(folder, pressure, SESSION, PLANTED))


def test_the_reader_names_what_belongs_to_the_room(everything):
    measured, _ = everything
    text = "; ".join(measured.remarks)
    assert "it ends before a later arrival 4." in text
    assert "missing angles: 75 degrees" in text
    assert "2 sweeps an angle" in text
    assert 200 < measured.lowest_valid_hz < 300


def test_the_comparison_finds_the_faults_of_the_set_up_and_no_other(everything):
    _, found = everything
    true = SetUpDeviation(angle_deg=1.5, forward_m=0.012).values
    for name, fit in found.fits.items():
        off = np.abs(fit.deviation.values - true)
        assert (off <= fit.uncertainty).all(), (name, dict(zip(PARAMETERS, off, strict=True)))
        assert not fit.deviation.is_mirrored
    assert [cause.name for cause in found.causes] == []
    assert found.rms_db < 0.5


# ------------------------------------------------------- a floor bounce, and one file that is bad

ONE_ORBIT = replace(SESSION, orbits=("vertical",), repeats=1)
GATE_OF_8_MS = SESSION.further + "\ngate = { length_ms = 8 }"
LONG = replace(ONE_ORBIT, further=GATE_OF_8_MS)


def test_a_bounce_outside_the_gate_changes_nothing(tmp_path):
    """The bounce comes a millisecond after the end of the gate that was given."""
    clean = read_measurement(write_measurement(tmp_path / "clean", pressure, LONG))
    late = Planted(bounce=(9.0e-3, 0.5))
    measured, found = compared(write_measurement(tmp_path / "bounce", pressure, LONG, late))
    assert any("outside the gate" in remark for remark in measured.remarks)
    ratio = measured.orbits[0].pressure / clean.orbits[0].pressure
    assert np.abs(20 * np.log10(np.abs(ratio))).max() < 0.01
    assert found.causes == ()
    assert not any("reflection" in sentence for sentence in found.verdict.sentences)
    fit = found.fits["vertical"]
    assert (np.abs(fit.deviation.values) <= fit.uncertainty).all()


def test_a_bounce_inside_the_gate_is_named(tmp_path):
    inside = Planted(bounce=(4.5e-3, 0.3))
    measured, found = compared(write_measurement(tmp_path, pressure, LONG, inside))
    assert any("inside the gate" in remark for remark in measured.remarks)
    named = [one for one in found.verdict.sentences if "a reflection inside the gate" in one]
    assert len(named) == 1
    assert "delay of 4.5" in named[0] or "delay of 4.4" in named[0]
    assert {cause.name for cause in found.causes} <= {"reflection"}
    fit = found.fits["vertical"]
    assert (np.abs(fit.deviation.values) <= fit.uncertainty).all()
    assert not any("from what was noted" in sentence for sentence in found.verdict.sentences)


def test_one_corrupt_file_is_named_and_nothing_is_compared(tmp_path):
    path = write_measurement(tmp_path, pressure, ONE_ORBIT)
    file = tmp_path / "v_45_1.wav"
    file.write_bytes(file.read_bytes()[:1000])
    with pytest.raises(InputError, match=r"v_45_1.wav'. Must be a whole WAV file"):
        compared(path)
    file.unlink()  # without it, it is a missing angle
    measured, found = compared(path)
    assert "vertical: missing angles: 45 degrees" in measured.remarks
    assert found.causes == ()
