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
from bafflelens.mockup.measurement import export
from bafflelens.mockup.measurement.export import exported_files, exported_values
from bafflelens.mockup.measurement.measured import nominal_directions
from bafflelens.mockup.measurement.reading import read_measurement
from bafflelens.mockup.measurement.sofa import read_sofa
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
    assert np.array_equal(read.Data_Real[0], field.real)
    assert np.array_equal(read.Data_Imag[0], -field.imag)
    assert "exp(+j omega t)" in read.GLOBAL_Comment


def test_the_program_s_own_reader_reads_the_very_same_numbers(dataset, files, tmp_path):
    (tmp_path / "x.sofa").write_bytes(files["directivity.sofa"])
    read = read_sofa(tmp_path / "x.sofa")
    frequency, values = exported_values(dataset)
    assert np.array_equal(read.frequencies_hz, frequency)
    assert np.array_equal(read.transfer, values)
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
    loss_db = measured.setup.air.absorption(measured.frequencies_hz)
    for orbit in measured.orbits:
        assert np.array_equal(orbit.angles_deg, np.arange(-177.5, 180.1, 2.5))
        azimuth, elevation = nominal_directions(orbit.name, orbit.angles_deg)
        wanted = [
            lopsided(f, azimuth, elevation) * np.exp(-2j * np.pi * f * measured.delay_s)
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
            (tmp_path / "x.txt").write_bytes(files[f"{plane}_{angle:g}.txt"])
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
    text = files["horizontal_0.txt"].decode()
    assert "Levels in dB re 20 uPa." in text
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
    _, values = exported_values(RunFolder(folder).load_directivity("c001"))
    read = read_sofa(out / "c001" / "directivity.sofa")
    assert np.array_equal(read.transfer, values)
    assert main(["export", str(folder), "c001", "--out", str(out)]) == 2
    assert "Must be new or empty" in capsys.readouterr().err
    assert main(["export", str(folder), "c077", "--out", str(out)]) == 2
    assert (
        "candidate 'c077'. Must be all, or one that the run has solved" in capsys.readouterr().err
    )
    monkeypatch.setattr(export, "exported_files", lambda dataset, title: {"a": title.encode()})
    assert main(["export", str(folder), "all", "--out", str(tmp_path / "all")]) == 0
    assert len(list((tmp_path / "all").iterdir())) == 4
