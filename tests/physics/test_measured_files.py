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

from bafflelens.comparison.from_measurement import observed_of
from bafflelens.comparison.result import Settings, compare_orbits
from bafflelens.measurement.measured import Setup
from bafflelens.measurement.microphones import PARAMETERS, Deviation
from bafflelens.measurement.reading import read_measurement

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
    return measured, compare_orbits(observed_of(measured), simulation, Settings(bounce_deg={}))


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
    true = Deviation(angle_deg=1.5, forward_m=0.012).values
    for name, fit in found.fits.items():
        off = np.abs(fit.deviation.values - true)
        assert (off <= fit.uncertainty).all(), (name, dict(zip(PARAMETERS, off, strict=True)))
        assert not fit.deviation.is_mirrored
    assert [cause.name for cause in found.causes] == []
    assert found.rms_db < 0.5
