# SPDX-License-Identifier: GPL-3.0-or-later
"""Measurements are read, prepared and refused as they should be. All of them are synthetic."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile
from synthetic_measurement import (
    Planted,
    Session,
    cap_on_sphere,
    loudspeaker,
    point_sources,
    sofa_library,
    write_measurement,
)

from bafflelens.base.conventions import direction_vectors, from_electrical
from bafflelens.base.errors import InputError
from bafflelens.base.medium import Air
from bafflelens.mockup.measurement.description import Description, _tables_in, read_description
from bafflelens.mockup.measurement.measured import (
    Setup,
    mean_pressure,
    nominal_directions,
    repeatability_db,
)
from bafflelens.mockup.measurement.microphones import Deviation, microphone_positions
from bafflelens.mockup.measurement.reading import read_measurement

SOURCE = point_sources([(0, 0.03, 0.02), (0, -0.02, -0.03), (-0.05, 0.05, 0)], [1, 0.6, 0.3])
SETUP = Setup(distance_m=2.0, rotation_point_m=(-0.12, 0.0, 0.0), temperature_c=27.0)
ANGLES = tuple(np.arange(-180.0, 180.0, 30.0))
SHORT = Session(
    setup=SETUP, angles_deg=ANGLES, frequencies_hz=tuple(500 * 2 ** (np.arange(40) / 8))
)
BOTH = replace(SHORT, orbits=("horizontal", "vertical"))


def exact(measured, orbit, kind, source=SOURCE):
    points = microphone_positions(orbit.setup, orbit.name, orbit.angles_deg)
    frequency = measured.frequencies_hz
    pressure = source(points, frequency, measured.setup.air.sound_speed)
    if "impulse" in kind or kind == "multichannel":
        pressure = pressure * from_electrical(loudspeaker(frequency, 48000))
    return pressure * np.exp(-2j * np.pi * frequency * measured.delay_s)


@pytest.mark.parametrize("kind", ["text", "impulse", "multichannel", "sofa", "sofa impulse"])
def test_every_kind_of_file_gives_the_pressure_that_was_written(tmp_path, kind):
    """Text and SOFA to rounding. The gate cuts what rings before the onset off: 0.1 dB."""
    measured = read_measurement(write_measurement(tmp_path, SOURCE, replace(BOTH, kind=kind)))
    assert [orbit.name for orbit in measured.orbits] == ["horizontal", "vertical"]
    is_spectrum = kind in ("text", "sofa")
    for orbit in measured.orbits:
        lowest = -180 if not kind.startswith("sofa") else -150
        assert orbit.angles_deg.min() == lowest
        assert len(orbit.angles_deg) == 12
        ratio = orbit.pressure[0] / exact(measured, orbit, kind)
        ratio /= ratio.mean()
        assert orbit.valid.all()
        assert np.abs(ratio - 1).max() < (1e-6 if is_spectrum else 0.02)
    assert measured.has_phase
    if not is_spectrum:
        assert measured.frequencies_hz[0] > measured.lowest_valid_hz == pytest.approx(50)
        assert any("nothing is said below 50 Hz" in remark for remark in measured.remarks)


def test_magnitudes_only(tmp_path):
    session = replace(SHORT, has_phase=False)
    measured = read_measurement(write_measurement(tmp_path, SOURCE, session))
    orbit = measured.orbits[0]
    assert not measured.has_phase
    assert np.all(orbit.pressure.imag == 0)
    assert np.allclose(orbit.pressure.real[0], np.abs(exact(measured, orbit, "text")), rtol=1e-6)


def test_angle_sign_is_applied(tmp_path):
    for sign in (1, -1):
        session = replace(SHORT, setup=replace(SETUP, angle_sign=sign))
        path = write_measurement(tmp_path / f"{sign}", SOURCE, session)
        orbit = read_measurement(path).orbits[0]
        again = np.abs(exact(read_measurement(path), orbit, "text"))
        assert np.allclose(np.abs(orbit.pressure[0]), again, rtol=1e-6)


def test_exact_sphere_is_read_back_with_the_air_of_the_day(tmp_path):
    """A cap on a sphere (exact series) at 27 C through 2 m of absorbing air."""
    source = cap_on_sphere(0.1, 20.0)
    session = replace(SHORT, frequencies_hz=(1000.0, 2000.0, 4000.0, 8000.0, 16000.0))
    measured = read_measurement(write_measurement(tmp_path, source, session))
    ratio = measured.orbits[0].pressure[0] / exact(measured, measured.orbits[0], "text", source)
    assert np.abs(ratio - 1).max() < 1e-6
    lossy = Air(temperature_c=27.0).absorption(np.array([16000.0]))[0] * 2
    assert any(f"{lossy:.2f} dB at 16000 Hz" in remark for remark in measured.remarks)


# ---------------------------------------------------------------------------------- geometry


def test_positions_on_both_orbits_point_where_the_nominal_directions_point():
    centred = Setup(distance_m=1.5)
    angles = np.array([-150.0, -90.0, -20.0, 0.0, 45.0, 90.0, 135.0, 180.0])
    for name in ("horizontal", "vertical"):
        positions = microphone_positions(centred, name, angles)
        azimuth, elevation = nominal_directions(name, angles)
        assert np.allclose(positions, 1.5 * direction_vectors(azimuth, elevation), atol=1e-12)


def test_positions_turn_about_the_rotation_point():
    setup = Setup(distance_m=2, rotation_point_m=(-0.1, 0.02, 0.03), microphone_height_m=0.05)
    places = microphone_positions(setup, "horizontal", np.array([0.0, 90.0]))
    assert np.allclose(places, [[1.9, 0.02, 0.05], [-0.1, 2.02, 0.05]])
    lying = microphone_positions(setup, "vertical", np.array([0.0, 90.0]))
    assert np.allclose(lying, [[1.9, 0.05, 0.03], [-0.1, 0.05, 2.03]])
    moved = microphone_positions(
        setup, "horizontal", np.array([80.0]), Deviation(angle_deg=10, sideways_m=0.012)
    )
    assert np.allclose(moved, [[-0.1, 2.032, 0.05]])
    mirrored = microphone_positions(
        setup, "horizontal", np.array([-90.0]), Deviation(is_mirrored=True)
    )
    assert np.allclose(mirrored, places[1])


def test_a_front_that_points_up_sees_the_microphone_below():
    setup = Setup(distance_m=2.0)
    place = microphone_positions(
        setup, "horizontal", np.array([0.0, 180.0]), Deviation(tilt_deg=2)
    )
    assert np.allclose(place[0], 2 * np.array([np.cos(np.radians(2)), 0, -np.sin(np.radians(2))]))
    assert place[1, 2] == pytest.approx(2 * np.sin(np.radians(2)))  # and the back points down


# ------------------------------------------------------------------------ faults in the room


def impulse(folder, planted, **changes):
    session = replace(SHORT, kind="impulse", **changes)
    return read_measurement(write_measurement(folder, SOURCE, session, planted))


def test_gate_ends_before_a_floor_bounce(tmp_path):
    measured = impulse(tmp_path, Planted(bounce=(4.0e-3, 0.5)))
    assert 200 < measured.lowest_valid_hz < 300
    assert any("it ends before a later arrival 4." in remark for remark in measured.remarks)
    clean = impulse(tmp_path / "clean", Planted(), further="")
    known = {round(float(f), 6): i for i, f in enumerate(clean.frequencies_hz)}
    same = [known[round(float(f), 6)] for f in measured.frequencies_hz]
    ratio = np.abs(measured.orbits[0].pressure[0] / clean.orbits[0].pressure[0][:, same])
    high = measured.frequencies_hz > 1000
    assert np.ptp(20 * np.log10(ratio[:, high])) < 0.3  # the bounce alone ripples by 9.5 dB


def test_floor_bounce_inside_a_given_gate_is_named(tmp_path):
    further = "gate = { length_ms = 8 }"
    measured = impulse(tmp_path, Planted(bounce=(4.0e-3, 0.5)), further=further)
    found = [remark for remark in measured.remarks if "inside the gate" in remark]
    assert found
    assert "every 2" in found[0]  # 250 Hz
    assert measured.lowest_valid_hz == pytest.approx(125)


def test_floor_bounce_outside_a_given_gate_does_no_harm(tmp_path):
    further = "gate = { length_ms = 5 }"
    measured = impulse(tmp_path, Planted(bounce=(9.0e-3, 0.5)), further=further)
    assert any("outside the gate" in remark for remark in measured.remarks)
    assert measured.lowest_valid_hz == pytest.approx(200)


def test_no_bounce_is_seen_where_there_is_none(tmp_path):
    measured = impulse(tmp_path, Planted(noise_re_peak=3e-4))
    assert not any("arrival" in remark for remark in measured.remarks)


def test_noise_floor_is_estimated_and_masks(tmp_path):
    """White noise of rms s gives sqrt(sum of the squared window) s in every Fourier sum."""
    measured = impulse(tmp_path, Planted(noise_re_peak=0.02), further="noise_margin_db = 12")
    orbit = measured.orbits[0]
    samples = wavfile.read(tmp_path / "h_0_1.wav")[1][2000:]
    rate = 48000
    time = np.arange(-0.001, 0.02, 1 / rate)
    rise = np.clip((time + 0.001) / 0.001, 0, 1)
    fall = np.clip((0.02 - time) / 0.005, 0, 1)
    window = np.sin(np.pi / 2 * rise) ** 2 * np.sin(np.pi / 2 * fall) ** 2
    expected = samples.std() * np.sqrt(np.sum(window**2))
    at_1k = (measured.frequencies_hz > 500) & (measured.frequencies_hz < 2000)
    assert 20 * np.log10(orbit.noise[6, at_1k].mean() / expected) == pytest.approx(0, abs=1.0)
    assert not orbit.valid[:, 0].any()  # where the loudspeaker plays nothing
    assert orbit.valid.any()
    level = np.abs(orbit.pressure[0])
    assert np.array_equal(orbit.valid, level > orbit.noise * 10 ** (12 / 20))
    assert any("are masked" in remark for remark in measured.remarks)


def test_noise_of_a_recording_of_its_own(tmp_path):
    session = replace(SHORT, kind="impulse")
    path = write_measurement(tmp_path, SOURCE, session)
    rng = np.random.default_rng(1)
    wavfile.write(tmp_path / "noise.wav", 48000, rng.normal(0, 0.01, 8192).astype(np.float32))
    text = path.read_text().replace('kind = "impulse"', 'kind = "impulse"\nnoise_file="noise.wav"')
    path.write_text(text)
    noise = read_measurement(path).orbits[0].noise
    assert 0.1 < np.median(noise) < 0.4  # 0.01 times the root of some 800 samples
    wavfile.write(tmp_path / "noise.wav", 44100, rng.normal(0, 0.01, 8192).astype(np.float32))
    with pytest.raises(InputError, match=r"noise.wav: .*'44100 Hz'. Must be 48000 Hz"):
        read_measurement(path)


def test_short_records_say_that_there_is_no_noise_estimate(tmp_path):
    measured = impulse(tmp_path, Planted(), n_samples=1024)
    assert measured.orbits[0].noise is None
    assert any("noise is not masked" in remark for remark in measured.remarks)


def test_repeats_give_the_band(tmp_path):
    planted = Planted(repeat_level_db=0.3)
    session = replace(SHORT, repeats=8)
    measured = read_measurement(write_measurement(tmp_path, SOURCE, session, planted))
    orbit = measured.orbits[0]
    assert orbit.pressure.shape == (8, 12, 40)
    spread = repeatability_db(orbit)
    assert np.sqrt(np.mean(spread[:, 0] ** 2)) == pytest.approx(0.3, rel=0.25)  # 84 degrees of f.
    mean = mean_pressure(orbit, has_phase=True)
    assert np.allclose(np.angle(mean / exact(measured, orbit, "text")), 0, atol=1e-6)
    single = read_measurement(write_measurement(tmp_path / "one", SOURCE, SHORT)).orbits[0]
    assert repeatability_db(single) is None


def test_repeats_of_a_few_angles_are_left_out_and_said(tmp_path):
    path = write_measurement(tmp_path, SOURCE, replace(SHORT, repeats=2))
    for file in tmp_path.glob("h_*_2.txt"):
        if file.name != "h_0_2.txt":
            file.unlink()
    measured = read_measurement(path)
    assert measured.orbits[0].pressure.shape[0] == 1
    assert "horizontal: repeats of a few angles only were not used: 2" in measured.remarks


def test_angle_that_one_repeat_lacks(tmp_path):
    path = write_measurement(tmp_path, SOURCE, replace(SHORT, repeats=2))
    (tmp_path / "h_30_2.txt").unlink()
    measured = read_measurement(path)
    assert measured.orbits[0].pressure.shape[:2] == (2, 11)
    assert any("one of the repeats lacks were not used: 30 deg" in r for r in measured.remarks)


def test_missing_clock_between_sweeps_is_told(tmp_path):
    path = write_measurement(tmp_path, SOURCE, replace(SHORT, kind="impulse", repeats=2))
    for file in tmp_path.glob("h_*_2.wav"):
        rate, data = wavfile.read(file)
        wavfile.write(file, rate, np.roll(data, 40))
    assert any("without a common clock" in remark for remark in read_measurement(path).remarks)
    path.write_text("gate = { align = 'each' }\n" + path.read_text())
    measured = read_measurement(path)
    assert not measured.has_phase
    first, second = measured.orbits[0].pressure
    assert np.allclose(first, second, rtol=1e-3)


# ----------------------------------------------------------------------------- angles, files


def test_missing_angle_is_a_remark(tmp_path):
    path = write_measurement(tmp_path, SOURCE, SHORT, Planted(missing_deg=(30.0,)))
    measured = read_measurement(path)
    assert 30.0 not in measured.orbits[0].angles_deg
    assert "horizontal: missing angles: 30 degrees" in measured.remarks


def test_missing_angle_that_was_declared_is_a_fault(tmp_path):
    path = write_measurement(tmp_path, SOURCE, SHORT, Planted(missing_deg=(30.0,)))
    declared = "angles_deg = { from = -180, to = 150, step = 30 }"
    path.write_text(path.read_text().replace('kind = "text"', f'kind = "text"\n{declared}'))
    with pytest.raises(InputError, match=r"horizontal orbit .*Invalid missing angles '30'"):
        read_measurement(path)


def test_doubled_angle(tmp_path):
    path = write_measurement(tmp_path, SOURCE, SHORT)
    (tmp_path / "h_030_1.txt").write_text((tmp_path / "h_30_1.txt").read_text())
    with pytest.raises(InputError, match=r"h_30_1.txt'. Must be the only one .* h_030_1.txt has"):
        read_measurement(path)


def test_a_closed_turn_is_used_once(tmp_path):
    angles = tuple(np.arange(0.0, 361.0, 30.0))
    measured = read_measurement(
        write_measurement(tmp_path, SOURCE, replace(SHORT, angles_deg=angles))
    )
    orbit = measured.orbits[0]
    assert np.array_equal(orbit.angles_deg, np.arange(-150.0, 181.0, 30.0))
    assert any("measured twice, a turn apart, used once" in r for r in measured.remarks)
    assert np.abs(orbit.pressure[0] / exact(measured, orbit, "text") - 1).max() < 1e-6


def test_several_faulty_files_are_told_together(tmp_path):
    path = write_measurement(tmp_path, SOURCE, SHORT)
    comma = tmp_path / "h_0_1.txt"
    comma.write_text(comma.read_text().replace(".", ","))
    cut = tmp_path / "h_60_1.txt"
    cut.write_text(cut.read_text()[:700])
    with pytest.raises(InputError) as caught:
        read_measurement(path)
    assert len(caught.value.faults) == 2
    assert "h_0_1.txt, line 3: Invalid" in caught.value.faults[0]
    assert "decimal points, not commas" in caught.value.faults[0]
    assert "h_60_1.txt, line" in caught.value.faults[1]
    assert "cut short" in caught.value.faults[1]


def test_text_file_cut_between_two_rows(tmp_path):
    path = write_measurement(tmp_path, SOURCE, SHORT)
    file = tmp_path / "h_60_1.txt"
    file.write_text("".join(file.read_text().splitlines(keepends=True)[:-5]))
    rule = r"h_60_1.txt: Invalid number of rows '35'. Must be 40, .* cut short"
    with pytest.raises(InputError, match=rule):
        read_measurement(path)


def test_text_files_with_other_frequencies(tmp_path):
    path = write_measurement(tmp_path, SOURCE, SHORT)
    file = tmp_path / "h_60_1.txt"
    file.write_text(file.read_text().replace("500.000000", "501.000000"))
    with pytest.raises(InputError, match=r"h_60_1.txt: Invalid frequency of the 1. row.*'501 Hz'"):
        read_measurement(path)


def rewritten(path, change):
    """Change the phase column of all text files beside a description."""
    for file in path.parent.glob("h_*.txt"):
        rows = [line.split() for line in file.read_text().splitlines() if line[0] != "#"]
        f, level, phase = np.array(rows, dtype=float).T
        lines = [
            f"{a:.6f} {b:.6f} {c:.6f}" for a, b, c in zip(f, level, change(phase, f), strict=True)
        ]
        file.write_text("\n".join(lines) + "\n")


def test_phase_in_radians(tmp_path):
    path = write_measurement(tmp_path, SOURCE, SHORT)
    rewritten(path, lambda phase, f: np.radians(phase))
    with pytest.raises(InputError, match=r"h_.*_1.txt: Invalid phase column .* in degrees"):
        read_measurement(path)


def test_unwrapped_phase_in_radians(tmp_path):
    dense = replace(SHORT, frequencies_hz=tuple(np.arange(500.0, 20000.0, 40.0)))
    path = write_measurement(tmp_path, SOURCE, dense)
    rewritten(path, lambda phase, f: np.unwrap(np.radians(phase)))
    with pytest.raises(InputError, match=r"at 0 degrees: Invalid phase .* read as radians"):
        read_measurement(path)


def test_unwrapped_phase_in_degrees_is_fine(tmp_path):
    dense = replace(SHORT, frequencies_hz=tuple(np.arange(500.0, 20000.0, 40.0)))
    path = write_measurement(tmp_path, SOURCE, dense)
    rewritten(path, lambda phase, f: np.unwrap(phase, period=360))
    measured = read_measurement(path)
    ratio = measured.orbits[0].pressure[0] / exact(measured, measured.orbits[0], "text")
    assert np.abs(ratio - 1).max() < 1e-5


def test_phase_that_runs_backwards(tmp_path):
    path = write_measurement(tmp_path, SOURCE, SHORT)
    rewritten(path, lambda phase, f: -phase)
    with pytest.raises(InputError, match=r"Invalid phase .* change its sign"):
        read_measurement(path)


def test_phase_without_the_sounds_way_is_fine(tmp_path):
    path = write_measurement(tmp_path, SOURCE, SHORT)
    way = 1.88 / SETUP.air.sound_speed
    rewritten(
        path, lambda phase, f: np.degrees(np.angle(np.exp(1j * np.radians(phase + 360 * f * way))))
    )
    assert abs(read_measurement(path).delay_s) < 0.3e-3


def test_mixed_sampling_rates(tmp_path):
    path = write_measurement(tmp_path, SOURCE, replace(SHORT, kind="impulse"))
    data = wavfile.read(tmp_path / "h_90_1.wav")[1]
    wavfile.write(tmp_path / "h_90_1.wav", 44100, data)
    with pytest.raises(InputError, match=r"h_90_1.wav: Invalid sampling rate '44100 Hz'. Must be"):
        read_measurement(path)


def test_recordings_cut_short(tmp_path):
    path = write_measurement(tmp_path, SOURCE, replace(SHORT, kind="impulse"))
    file = tmp_path / "h_90_1.wav"
    whole = file.read_bytes()
    file.write_bytes(whole[:9000])
    with pytest.raises(InputError, match=r"h_90_1.wav'. Must be a whole WAV file"):
        read_measurement(path)
    wavfile.write(file, 48000, wavfile.read(tmp_path / "h_60_1.wav")[1][:3000])
    with pytest.raises(InputError, match=r"h_90_1.wav: Invalid length '3000 samples'.*cut short"):
        read_measurement(path)
    file.write_bytes(b"RIFFnonsense")
    with pytest.raises(InputError, match=r"h_90_1.wav'. Must be a whole WAV file"):
        read_measurement(path)


def test_silent_and_unfit_recordings(tmp_path):
    path = write_measurement(tmp_path, SOURCE, replace(SHORT, kind="impulse"))
    file = tmp_path / "h_90_1.wav"
    wavfile.write(file, 48000, np.zeros(4096, dtype=np.float32))
    with pytest.raises(InputError, match=r"h_90_1.wav'. Must be one with a signal"):
        read_measurement(path)
    wavfile.write(file, 48000, np.full(4096, np.nan, dtype=np.float32))
    with pytest.raises(InputError, match=r"h_90_1.wav'. Must be one with finite numbers"):
        read_measurement(path)
    wavfile.write(file, 48000, np.ones(9, dtype=np.float32))
    with pytest.raises(InputError, match=r"at least 32 samples; it has 9"):
        read_measurement(path)


@pytest.mark.parametrize("kind", [np.int16, np.int32, np.uint8])
def test_whole_numbers_are_read_re_full_scale(tmp_path, kind):
    from bafflelens.mockup.measurement.recordings import read_recording

    signal = np.zeros(64)
    signal[5] = 0.5
    scaled = signal * 128 + 128 if kind is np.uint8 else signal * -float(np.iinfo(kind).min)
    wavfile.write(tmp_path / "a.wav", 48000, scaled.astype(kind))
    samples = read_recording(tmp_path / "a.wav").samples[0]
    assert samples[5] == 0.5
    assert np.abs(samples[6:]).max() == 0


def test_channels_need_their_angles(tmp_path):
    path = write_measurement(tmp_path, SOURCE, replace(SHORT, kind="multichannel"))
    text = path.read_text()
    line = next(line for line in text.splitlines() if line.startswith("angles_deg"))
    for new, rule in (
        ("", r"Missing key 'orbits.angles_deg'. Must be the angle of each channel"),
        ("angles_deg = [0, 30]", r"'2 angles'. Must be 12 angles, one a channel"),
        (line.replace("-30.0", "30"), r"orbits.angles_deg' '30'. Must be angles that come once"),
    ):
        path.write_text(text.replace(line, new))
        with pytest.raises(InputError, match=rule):
            read_measurement(path)


def test_many_channels_in_a_file_of_one_angle(tmp_path):
    path = write_measurement(tmp_path, SOURCE, replace(SHORT, kind="impulse"))
    for file in tmp_path.glob("*.wav"):
        rate, data = wavfile.read(file)
        wavfile.write(file, rate, np.stack((data, data), axis=1))
    with pytest.raises(InputError, match=r"Invalid number of channels '2'. Must be 1: each file"):
        read_measurement(path)


def test_gate_longer_than_the_responses(tmp_path):
    with pytest.raises(InputError, match=r"Invalid gate '90 ms'. Must be at most .* end there"):
        impulse(tmp_path, Planted(), further="gate = { length_ms = 90 }")


def test_gate_too_short_for_the_band(tmp_path):
    further = "gate = { length_ms = 0.5 }\nfrequencies = { from_hz = 200, to_hz = 3000 }"
    with pytest.raises(InputError, match=r"usable band '2000 to 3000 Hz'. Must be an octave"):
        impulse(tmp_path, Planted(), further=further)


# -------------------------------------------------------------------------------------- SOFA


def test_sofa_of_another_convention(tmp_path):
    path = write_measurement(tmp_path, SOURCE, replace(SHORT, kind="sofa"))
    library = sofa_library()
    library.write_sofa(str(tmp_path / "h.sofa"), library.Sofa("SimpleFreeFieldHRIR"))
    rule = r"h.sofa: Invalid SOFA convention 'SimpleFreeFieldHRIR'. Must be FreeFieldDirectivityTF"
    with pytest.raises(InputError, match=rule):
        read_measurement(path)


def test_sofa_cut_short_or_no_sofa(tmp_path):
    path = write_measurement(tmp_path, SOURCE, replace(SHORT, kind="sofa"))
    file = tmp_path / "h.sofa"
    whole = file.read_bytes()
    file.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match=r"h.sofa'. Must be a whole AES69 .* cut short"):
        read_measurement(path)
    import h5py

    with h5py.File(file, "w") as other:
        other["a"] = 1
    with pytest.raises(InputError, match=r"h.sofa'. Must be an AES69 .*Conventions is not SOFA"):
        read_measurement(path)


@pytest.mark.parametrize(
    ("name", "value", "rule"),
    [
        ("N", None, "has the variable N"),
        ("N", np.arange(40.0)[::-1], "frequencies N rise"),
        ("Data.Real", np.full((1, 12, 40), np.nan), "finite numbers only"),
        ("Data.Imag", np.zeros((1, 12, 39)), "Data.Imag fits"),
        ("Data.Real", np.zeros((12, 40)), "three dimensions; they have 2"),
        ("ReceiverPosition", np.zeros((7, 3)), "positions fit its data"),
        ("SourceUp", np.array([[1.0, 0, 0]]), "not along SourceView"),
    ],
)
def test_sofa_that_contradicts_itself(tmp_path, name, value, rule):
    import h5py

    path = write_measurement(tmp_path, SOURCE, replace(SHORT, kind="sofa"))
    with h5py.File(tmp_path / "h.sofa", "a") as file:
        attributes = dict(file[name].attrs)
        del file[name]
        if value is not None:
            file[name] = value
            for key in ("Type", "Units"):
                if key in attributes:
                    file[name].attrs[key] = attributes[key]
    with pytest.raises(InputError, match=rf"h.sofa'. Must be one .*{rule}"):
        read_measurement(path)


def test_sofa_of_a_turned_source(tmp_path):
    """GeneralFIR in which the microphone stays and the source turns to its left."""
    path = write_measurement(tmp_path, SOURCE, replace(SHORT, kind="sofa impulse"))
    usual = read_measurement(path)
    library = sofa_library()
    file = library.read_sofa(str(tmp_path / "h.sofa"), verbose=False)
    x, y, _ = file.ListenerPosition.T / 2.0
    file.ListenerPosition = np.array([[2.0, 0.0, 0.0]])
    file.add_variable("SourceView", np.stack((x, -y, 0 * x), axis=1), "double", "MC")
    file.add_attribute("SourceView_Type", "cartesian")
    file.add_attribute("SourceView_Units", "metre")
    file.add_variable("SourceUp", np.array([[0.0, 0.0, 1.0]]), "double", "IC")
    library.write_sofa(str(tmp_path / "h.sofa"), file)
    turned = read_measurement(path)
    assert np.allclose(turned.orbits[0].angles_deg, usual.orbits[0].angles_deg, atol=1e-6)
    assert np.allclose(turned.orbits[0].pressure, usual.orbits[0].pressure)


def test_sofa_at_another_distance_is_told(tmp_path):
    path = write_measurement(tmp_path, SOURCE, replace(SHORT, kind="sofa"))
    assert not any("microphones at" in remark for remark in read_measurement(path).remarks)
    path.write_text(path.read_text().replace("distance_mm = 2000.0", "distance_mm = 1900.0"))
    told = "horizontal: h.sofa has its microphones at 2.000 m; the 1.900 m of the description are"
    assert any(remark.startswith(told) for remark in read_measurement(path).remarks)


def test_sofa_without_the_orbit(tmp_path):
    path = write_measurement(tmp_path, SOURCE, replace(SHORT, kind="sofa"))
    path.write_text(path.read_text().replace('orbit = "horizontal"', 'orbit = "vertical"'))
    with pytest.raises(
        InputError, match=r"h.sofa'. Must be one with at least 3 .* vertical orbit"
    ):
        read_measurement(path)


# ------------------------------------------------------------------------------- description


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        ("distance_mm = 2000.0", "distance_m = 2", "key 'distance_m'.*nearest is 'distance_mm'"),
        ("distance_mm = 2000.0", "", "Missing key 'distance_mm'. Must be from 100 to 30000 mm"),
        ("distance_mm = 2000.0", "distance_mm = '2 m'", "'distance_mm' '2 m'. Must be from 100"),
        ("angle_sign = 1", "angle_sign = 0", "key 'angle_sign' '0'. Must be 1 .* or -1"),
        ("temperature_c = 27.0", "temperature_c = 270", "'air.temperature_c' '270'. Must be from"),
        ('orbit = "horizontal"', 'orbit = "sideways"', "'orbits.orbit' 'sideways'. Must be 'hor"),
        ('kind = "text"', 'kind = "txt"', "'orbits.kind' 'txt'. Must be one of text, impulse"),
        ('kind = "text"', 'kind = "text"\nangels = 1', "'orbits.angels'.*nearest is 'angles_deg'"),
        ('kind = "text"', 'kind = "text"\nangles_deg = 5', "Must be a list of angles, or"),
        ('kind = "text"', 'kind = "text"\nangles_deg = ["a"]', "Must be a list of angles, or"),
        ('kind = "text"', 'kind = "text"\nangles_deg = { from = 1 }', "Must be a list of angles"),
        (
            'kind = "text"',
            'kind = "text"\nangles_deg = { from = 1, to = 0, step = 1 }',
            "'from' below 'to'",
        ),
        ("h_{angle}_{repeat}.txt", "g_{angle}.txt", "'files' 'g_{angle}.txt'.*nearest is 'h_0"),
        ("h_{angle}_{repeat}.txt", "x/h_{angle}.txt", "Invalid folder .*x'. Must be one that is"),
        ("h_{angle}_{repeat}.txt", "{angle}_{angle}.txt", "Must be a file name with {angle} and"),
        ("h_{angle}_{repeat}.txt", "h_0_{repeat}.txt", "text files hold one angle each"),
        (
            "[air]",
            "gate = { length_ms = 3, fade_ms = 4 }\n[air]",
            "a fade no longer than the gate",
        ),
        ("[air]", "frequencies = { from_hz = 900, to_hz = 800 }\n[air]", "to_hz over from_hz"),
        ("[[orbits]]", "[[orbits]", "Must be valid TOML"),
    ],
)
def test_faults_of_the_description(tmp_path, old, new, rule):
    path = write_measurement(tmp_path, SOURCE, SHORT)
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new))
    with pytest.raises(InputError, match=rule):
        read_measurement(path)


def test_every_key_is_in_the_handbook():
    def keys(model, prefix=""):
        for name, field in model.model_fields.items():
            inner = next(_tables_in(field.annotation), None)
            if inner:
                yield from keys(inner, f"{name}.")
            else:
                yield prefix + name

    text = (Path(__file__).parents[2] / "jobs" / "measurements.md").read_text()
    rows = [line.split("|")[1] for line in text.splitlines() if line.startswith("| `")]
    named = {word for row in rows for word in re.findall(r"`([^`]+)`", row)}
    assert named == set(keys(Description))


def test_the_handbook_s_example_is_a_description(tmp_path):
    text = (Path(__file__).parents[2] / "jobs" / "measurements.md").read_text()
    (tmp_path / "measurement.toml").write_text(text.split("```toml")[1].split("```")[0])
    assert read_description(tmp_path / "measurement.toml").setup().distance_m == 2.0


def test_orbits_that_do_not_fit_each_other(tmp_path):
    path = write_measurement(tmp_path, SOURCE, SHORT)
    table = path.read_text()[path.read_text().index("[[orbits]]") :]
    text = path.read_text()
    path.write_text(text + table)
    with pytest.raises(InputError, match=r"Must have one table \[\[orbits\]\] an orbit"):
        read_measurement(path)
    other = table.replace("horizontal", "vertical")
    path.write_text(text + other + "has_phase = false\n")
    with pytest.raises(InputError, match="orbits that all have phase, or none"):
        read_measurement(path)
    write_measurement(tmp_path / "w", SOURCE, replace(SHORT, kind="impulse"))
    mixed = other.replace('"text"', '"impulse"').replace(
        '"h_{angle}_{repeat}.txt"', '"w/h_{angle}_1.wav"'
    )
    path.write_text(text + mixed)
    with pytest.raises(InputError, match=r"'of both kinds'. Must be of one kind"):
        read_measurement(path)
    few = replace(SHORT, frequencies_hz=(500.0, 1000.0, 2000.0))
    write_measurement(tmp_path / "v", SOURCE, few)
    path.write_text(text + other.replace('"h_', '"v/h_'))
    with pytest.raises(InputError, match=r"orbits 'with two sets of rows'. Must be the same"):
        read_measurement(path)
    write_measurement(tmp_path / "u", SOURCE, replace(SHORT, kind="impulse", rate_hz=44100))
    both = table.replace('"text"', '"impulse"').replace(
        '"h_{angle}_{repeat}.txt"', '"w/h_{angle}_1.wav"'
    )
    path.write_text(text.replace(table, both) + mixed.replace("w/", "u/"))
    with pytest.raises(InputError, match=r"sampling rates '48000 Hz and 44100 Hz'. Must be one"):
        read_measurement(path)


def test_too_few_angles_and_no_file(tmp_path):
    path = write_measurement(tmp_path, SOURCE, replace(SHORT, angles_deg=(0.0, 10.0)))
    with pytest.raises(InputError, match=r"horizontal orbit .* number of angles '2'. Must be 3"):
        read_measurement(path)
    with pytest.raises(InputError, match=r"Invalid measurement .*a readable TOML file"):
        read_measurement(tmp_path / "none.toml")


def test_set_up_of_one_orbit(tmp_path):
    path = write_measurement(tmp_path, SOURCE, SHORT)
    own = "rotation_point_mm = [-80, 0, 5]\nmicrophone_height_mm = 4"
    path.write_text(path.read_text().replace('kind = "text"', f'kind = "text"\n{own}'))
    measured = read_measurement(path)
    assert measured.orbits[0].setup.rotation_point_m == pytest.approx((-0.08, 0, 0.005))
    assert measured.orbits[0].setup.microphone_height_m == pytest.approx(0.004)
    assert measured.setup.rotation_point_m == pytest.approx((-0.12, 0, 0))
