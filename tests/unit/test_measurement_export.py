# SPDX-License-Identifier: GPL-3.0-or-later
"""What is exported is read by another library and by the program itself, exactly."""

import numpy as np
import patterns
import pytest
from synthetic_measurement import sofa_library

from bafflelens.base.conventions import REFERENCE_PRESSURE_PA, from_electrical
from bafflelens.base.errors import InputError, StoreError
from bafflelens.cli import main
from bafflelens.directivity import far_field_data
from bafflelens.directivity.responses import read_response
from bafflelens.listen.impulse_responses import NAME, impulse_response_file, kept_samples
from bafflelens.mockup.measurement import export
from bafflelens.mockup.measurement.export import exported_files, exported_values
from bafflelens.mockup.measurement.measured import nominal_directions
from bafflelens.mockup.measurement.reading import read_measurement
from bafflelens.mockup.measurement.sofa import read_sofa
from bafflelens.run.pipeline import run_job
from bafflelens.store import RunFolder, write_folder


def lopsided(frequency, azimuth, elevation):
    """Different to the left and right, above and below, and complex."""
    azimuth, elevation = np.radians(azimuth), np.radians(elevation)
    size = (
        1.2 + np.cos(azimuth) * np.cos(elevation) + 0.3 * np.sin(azimuth) - 0.2 * np.sin(elevation)
    )
    return size * np.exp(1j * (frequency / 5000 * np.cos(azimuth) + elevation))


@pytest.fixture(scope="module")
def dataset():
    failed = patterns.sixth_octaves()[3]
    return patterns.dataset(lopsided, failed=(failed,))


@pytest.fixture(scope="module")
def files(dataset):
    return exported_files(dataset, "A made-up lens: c001")


def test_another_library_reads_the_very_same_numbers(dataset, files, tmp_path):
    """sofar also verifies the file against the rules of the convention."""
    (tmp_path / "x.sofa").write_bytes(files["directivity.sofa"])
    read = sofa_library().read_sofa(str(tmp_path / "x.sofa"), verify=False, verbose=False)
    read.verify(issue_handling="raise")
    assert (read.GLOBAL_SOFAConventions, read.GLOBAL_SOFAConventionsVersion) == (
        "FreeFieldDirectivityTF",
        "1.1",
    )
    solved = far_field_data.is_solved(dataset)
    assert solved.sum() == len(solved) - 1
    assert np.array_equal(read.N, dataset["frequency"].values[solved])
    assert np.array_equal(read.ReceiverPosition[:, 0].ravel(), dataset["azimuth_deg"].values)
    assert np.array_equal(read.ReceiverPosition[:, 1].ravel(), dataset["elevation_deg"].values)
    field = np.asarray(far_field_data.far_field(dataset).isel(source=0))[solved].T
    # The receivers are at 1 m, so the phase has the sound's way there: the pressure at a distance
    # r of a source of strength 1 is exp(-jkr)/r for exp(+j omega t) (Morse & Ingard 1968, ch. 7).
    assert (read.ReceiverPosition[:, 2] == 1).all()
    way = np.exp(-2j * np.pi * read.N / patterns.AIR.sound_speed)
    found = read.Data_Real[0] + 1j * read.Data_Imag[0]
    assert np.abs(found / (field.conj() * way) - 1).max() < 1e-12
    assert f"the {1e3 / patterns.AIR.sound_speed:.3f} ms of that metre" in read.GLOBAL_Comment
    assert "exp(+j omega t)" in read.GLOBAL_Comment


def test_the_program_s_own_reader_reads_the_very_same_numbers(dataset, files, tmp_path):
    (tmp_path / "x.sofa").write_bytes(files["directivity.sofa"])
    read = read_sofa(tmp_path / "x.sofa")
    frequency, values = exported_values(dataset)
    assert np.array_equal(read.frequencies_hz, frequency)
    way = np.exp(-2j * np.pi * frequency / patterns.AIR.sound_speed)
    assert np.abs(read.transfer / (values * way) - 1).max() < 1e-12
    azimuth, elevation = read.angles_deg
    is_pole = np.abs(dataset["elevation_deg"].values) == 90
    assert np.allclose(azimuth[~is_pole], dataset["azimuth_deg"].values[~is_pole], atol=1e-9)
    assert np.allclose(elevation, dataset["elevation_deg"].values, atol=1e-9)


def test_what_is_exported_can_be_read_as_a_measurement(dataset, files, tmp_path):
    (tmp_path / "c001.sofa").write_bytes(files["directivity.sofa"])
    orbits = "".join(
        f'[[orbits]]\norbit = "{name}"\nkind = "sofa"\nfiles = "c001.sofa"\n'
        for name in ("horizontal", "vertical")
    )
    path = tmp_path / "measurement.toml"
    head = 'title = "x"\ndistance_mm = 1000\nrotation_point_mm = [0, 0, 0]\nangle_sign = 1\n'
    path.write_text(head + orbits)
    measured = read_measurement(path)
    # What is taken out is the flight time the file now has, to what the pattern has of its own.
    flight_s = 1 / patterns.AIR.sound_speed
    assert measured.delay_s == pytest.approx(flight_s, abs=5e-5)
    loss_db = measured.setup.air.absorption(measured.frequencies_hz)
    for orbit in measured.orbits:
        assert np.array_equal(orbit.angles_deg, np.arange(-177.5, 180.1, 2.5))
        azimuth, elevation = nominal_directions(orbit.name, orbit.angles_deg)
        wanted = [
            lopsided(f, azimuth, elevation)
            * np.exp(-2j * np.pi * f * (measured.delay_s - flight_s))
            for f in measured.frequencies_hz
        ]
        found = orbit.pressure[0] / 10 ** (loss_db / 20)
        assert np.abs(found / np.transpose(wanted) - 1).max() < 1e-6  # single precision


def test_text_files_hold_both_orbits(dataset, files, tmp_path):
    """To a millionth of single precision, which the values are kept in."""
    frequency, values = exported_values(dataset)
    seen = 0
    for plane in ("horizontal", "vertical"):
        for angle in (-177.5, -120.0, -45.0, 0.0, 2.5, 90.0, 110.0, 180.0):
            (tmp_path / "x.txt").write_bytes(files[f"{plane}_{angle:g}_dB_re_20uPa.txt"])
            response = read_response(tmp_path / "x.txt")
            assert np.allclose(response.frequency_hz, frequency, rtol=1e-14)
            sent = REFERENCE_PRESSURE_PA * response.at(frequency)  # levels are re 20 uPa
            azimuth, elevation = nominal_directions(plane, np.array([angle]))
            wanted = lopsided(frequency, azimuth[0], elevation[0])
            assert np.abs(from_electrical(sent) / wanted - 1).max() < 1e-6  # single precision
            where = np.flatnonzero(
                (dataset["azimuth_deg"].values == azimuth)
                & (dataset["elevation_deg"] == elevation)
                if abs(elevation) < 90
                else dataset["elevation_deg"].values == elevation
            )
            assert np.abs(sent / values[where[0]] - 1).max() < 1e-12
            seen += 1
    assert seen == 16
    assert len(files) == 1 + 2 * 144


def test_text_files_say_what_their_decibels_are(dataset, files):
    """One reference for all: that of the curves and of a driver's file, 94 dB from a pascal."""
    text = files["horizontal_0_dB_re_20uPa.txt"].decode()
    assert "Levels in dB re 20 uPa." in text
    assert "Delay taken out of the phase: 2.9" in text
    assert "\n# Hz dB_re_20uPa degrees\n" in text
    frequency, values = exported_values(dataset)
    front = (dataset["azimuth_deg"].values == 0) & (dataset["elevation_deg"].values == 0)
    pascal_db = 20 * np.log10(np.abs(values[np.flatnonzero(front)[0], 0]))
    level_db = float(text.splitlines()[-len(frequency)].split()[1])
    assert level_db - pascal_db == pytest.approx(93.979, abs=1e-3)


def test_nothing_solved_is_refused():
    frequencies = patterns.sixth_octaves()
    empty = patterns.dataset(lopsided, failed=tuple(frequencies))
    with pytest.raises(InputError, match=r"Invalid directivity 'x'. Must be one with a solved"):
        exported_files(empty, "x")


def test_folders_are_written_whole_and_never_twice(tmp_path):
    write_folder(tmp_path / "new" / "c001", {"a.txt": b"1"})
    assert (tmp_path / "new" / "c001" / "a.txt").read_bytes() == b"1"
    with pytest.raises(StoreError, match=r"Invalid folder .*c001'. Must be new or empty"):
        write_folder(tmp_path / "new" / "c001", {"a.txt": b"2"})
    with pytest.raises(StoreError, match="Must be in a folder that can be written"):
        write_folder(tmp_path / "new" / "c002", {"a.txt": b"1", "no/such/place": b"2"})
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["c001"]


def test_export_of_a_run(finished_run, tmp_path, capsys, monkeypatch):
    folder = finished_run
    capsys.readouterr()
    out = tmp_path / "out"
    assert main(["export", str(folder), "c001", "--out", str(out)]) == 0
    assert f"exported: {out / 'c001'}" in capsys.readouterr().out
    solved = RunFolder(folder).load_directivity("c001")
    frequency, values = exported_values(solved)
    read = read_sofa(out / "c001" / "directivity.sofa")
    way = np.exp(-2j * np.pi * frequency / float(solved.attrs["air_sound_speed_m_s"]))
    assert np.allclose(read.transfer, values * way, rtol=1e-12, atol=0)
    assert not (out / "c001" / "impulse_responses.sofa").exists()
    assert main(["export", str(folder), "c001", "--out", str(out)]) == 2
    assert "Must be new or empty" in capsys.readouterr().err
    assert main(["export", str(folder), "c077", "--out", str(out)]) == 2
    assert (
        "candidate 'c077'. Must be all, or one that the run has solved" in capsys.readouterr().err
    )
    monkeypatch.setattr(export, "exported_files", lambda dataset, title: {"a": title.encode()})
    assert main(["export", str(folder), "all", "--out", str(tmp_path / "all")]) == 0
    assert len(list((tmp_path / "all").iterdir())) == 4


# ------------------------------------------------------------------------ impulse responses


def beam(frequency, azimuth, elevation):
    """Sound of a point 30 mm ahead of the reference point, 6 dB louder ahead than behind."""
    ahead = np.cos(np.radians(azimuth)) * np.cos(np.radians(elevation))
    k = 2 * np.pi * frequency / patterns.AIR.sound_speed
    return (1.5 + 0.5 * ahead) * np.exp(-1j * k * 0.03 * ahead)


@pytest.fixture(scope="module")
def beaming():
    """As driven: 6 dB stronger than what was solved."""
    found = patterns.dataset(beam, patterns.sixth_octaves(per_octave=12))
    return found.assign(strength_db=("frequency", np.full(found.sizes["frequency"], 6.0)))


@pytest.fixture(scope="module")
def impulses(beaming, tmp_path_factory):
    path = tmp_path_factory.mktemp("impulses") / NAME
    path.write_bytes(impulse_response_file(beaming, beaming, "A made-up lens: c001")[NAME])
    return path


def test_impulse_responses_are_those_of_the_exported_spectra(beaming, impulses):
    """Their Fourier transform is the pressure at 1 m, within what interpolation is off by."""
    read = read_sofa(impulses)
    assert read.convention == "GeneralFIR"
    assert np.allclose(read.radii_m, 1)
    assert len(read.radii_m) == (beaming["weight_sr"] > 0).sum()
    frequency, _ = exported_values(beaming)
    where = ((0, 0), (90, 0), (180, 0), (0, -90))
    places = np.array([(1, 0, 0), (0, 1, 0), (-1, 0, 0), (0, 0, -1)])
    away = np.linalg.norm(read.positions_m[:, np.newaxis] - places, axis=2)
    assert away.min(axis=0) == pytest.approx(0, abs=1e-9)
    rows = away.argmin(axis=0)
    time = np.arange(read.responses.shape[1]) / read.rate_hz
    for row, (azimuth, elevation) in zip(rows, where, strict=True):
        found = np.exp(-2j * np.pi * np.outer(frequency, time)) @ read.responses[row]
        way = np.exp(-2j * np.pi * frequency / patterns.AIR.sound_speed)
        wanted = 10 ** (6 / 20) * beam(frequency, azimuth, elevation).conj() * way
        assert np.abs(found / wanted - 1).max() < 0.01


def test_impulse_responses_are_causal_and_arrive_with_the_flight_of_a_metre(impulses):
    """The point is 0.97 m from the microphone in front, 1.03 m from the one behind."""
    read = read_sofa(impulses)
    energy = np.cumsum(read.responses**2, axis=1)
    before = int(0.5 / patterns.AIR.sound_speed * read.rate_hz)
    assert (energy[:, before] < 1e-6 * energy[:, -1]).all()
    azimuth, elevation = read.angles_deg
    for angle, way_m in ((0, 0.97), (90, 1.0), (180, 1.03)):
        row = int(np.argmin(np.abs(np.abs(azimuth) - angle) + np.abs(elevation)))
        peak = int(np.argmax(np.abs(read.responses[row])))
        assert peak / read.rate_hz == pytest.approx(
            way_m / patterns.AIR.sound_speed, abs=0.6 / read.rate_hz
        )


def test_another_library_reads_the_impulse_responses(impulses):
    """sofar also verifies the file against the rules of the convention."""
    read = sofa_library().read_sofa(str(impulses), verify=False, verbose=False)
    read.verify(issue_handling="raise")
    assert (read.GLOBAL_SOFAConventions, read.GLOBAL_SOFAConventionsVersion) == (
        "GeneralFIR",
        "1.0",
    )
    assert (read.Data_Delay == 0).all()
    assert np.array_equal(read.Data_IR.squeeze(), read_sofa(impulses).responses)
    for words in (
        "exp(+j omega t)",
        "Solved from 1000 to 16000 Hz",
        "Outside that band it is extrapolated",
    ):
        assert words in read.GLOBAL_Comment


def test_impulse_responses_end_where_nothing_is_left_of_any():
    decaying = np.exp(-np.arange(2048) / np.array([[20.0], [100.0]]))
    # Energy after n samples is exp(-2n/100) of all: -60 dB at n = 50 ln(1e6) = 691.
    assert kept_samples(decaying) == 1024
    assert kept_samples(decaying[:1]) == 512
    assert kept_samples(np.ones((1, 2048))) == 2048


def test_a_source_too_far_away_for_causal_responses_is_refused(beaming):
    far = beaming.assign(source_centre_m=(("source", "axis"), [[0.0, 0.0, -0.9]]))
    message = (
        r"Invalid distance of a source from the reference point '0.90 m'. Must be at most 0.8 m"
    )
    with pytest.raises(InputError, match=message):
        impulse_response_file(beaming, far, "x")


def test_impulse_responses_of_a_run_are_an_option(write_job, options, tmp_path, capsys):
    wide = (("from_hz = 2000", "from_hz = 1000"), ("to_hz = 4000", "to_hz = 16000"))
    folder = run_job(write_job(*wide), options).folder.path
    command = ["export", str(folder), "c001", "--impulse-responses"]
    assert main([*command, "--out", str(tmp_path / "out")]) == 0
    read = read_sofa(tmp_path / "out" / "c001" / NAME)
    assert read.responses is not None
    assert np.isfinite(read.responses).all()
    assert main([*command, "--mesh", str(tmp_path / "x.vtu")]) == 2
    assert "option '--impulse-responses' 'without '--out''" in capsys.readouterr().err


def test_too_narrow_a_run_has_no_impulse_responses(finished_run, tmp_path, capsys):
    out = tmp_path / "out"
    assert (
        main(["export", str(finished_run), "c001", "--out", str(out), "--impulse-responses"]) == 2
    )
    assert "Must be solved from at most 2000 to at least 8000 Hz" in capsys.readouterr().err
    assert not out.exists()
