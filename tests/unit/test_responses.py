# SPDX-License-Identifier: GPL-3.0-or-later
"""Three-column text files: what is read, and the one line said about what is not."""

import re

import numpy as np
import pytest

from bafflelens.base.errors import InputError
from bafflelens.directivity.responses import Response, read_response, write_response

GOOD = "100 80 10\n200 81.5 -20\n400 82 -60\n"


@pytest.fixture
def file(tmp_path):
    def write(text, name="tweeter.txt"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


@pytest.mark.parametrize(
    "text",
    [
        GOOD,
        GOOD.replace(" ", "\t"),
        GOOD.replace(" ", ","),
        GOOD.replace(" ", ", "),
        GOOD.replace(" ", ";"),
        GOOD.replace("\n", "\r\n"),
        "* a remark\n# another\n// a third\n" + GOOD,
        "Freq(Hz) SPL(dB) Phase(degrees)\n" + GOOD,
        '"Hz";"dB";"deg"\n' + GOOD,
        "\ufeff" + GOOD,
        GOOD + "\n\n",
        GOOD.rstrip("\n"),
        "1e2 80 10\n2.0E2 81.5 -20\n4e2 82 -60\n",
    ],
)
def test_the_usual_ways_of_writing_are_read(file, text):
    found = read_response(file(text))
    np.testing.assert_array_equal(found.frequency_hz, [100, 200, 400])
    np.testing.assert_array_equal(found.level_db, [80, 81.5, 82])
    np.testing.assert_array_equal(found.phase_deg, [10, -20, -60])
    assert found.name == "tweeter.txt"
    assert found.band_hz == (100, 400)


WRONG = {
    "decimal commas, blanks": ("100,0 80,5 10,1\n" * 3, r"line 1: .*decimal points, not commas"),
    "decimal commas, semicolons": ("100,0;80,5;10\n" * 3, r"line 1: .*points, not commas"),
    "decimal commas, commas": ("100,0,80,5,10,1\n" * 3, r"line 1: .*decimal points, not commas"),
    "two columns": (
        "100 80\n200 80\n300 80\n",
        r"line 1: .*3 numbers: frequency in Hz, .*it has 2",
    ),
    "column missing later": (GOOD + "800 82\n", r"line 4: Invalid row '800 82'.*it has 2"),
    "four columns": ("100 80 10 1\n" * 3, r"line 1: .*it has 4"),
    "unsorted": (GOOD + "300 80 0\n", r"line 4: .*in Hz '300'.*row before, 400 Hz: rows are sor"),
    "doubled": (GOOD + "400 80 0\n", r"line 4: .*in Hz '400'.*400 Hz: it comes twice"),
    "not a number": (GOOD + "800 loud 0\n", r"line 4: Invalid level in dB 'loud'.*a number"),
    "NaN": (GOOD + "800 nan 0\n", r"line 4: Invalid level in dB 'nan'.*a finite number"),
    "NaN first": ("nan 1 0\n" + GOOD, r"line 1: Invalid frequency in Hz 'nan'"),
    "infinite phase": (GOOD + "800 80 -inf\n", r"line 4: Invalid phase in degrees '-inf'"),
    "zero hertz": ("0 80 0\n" + GOOD, r"line 1: Invalid frequency in Hz '0'.*above 0"),
    "absurd level": (GOOD + "800 8000 0\n", r"line 4: Invalid level in dB '8000'"),
    "empty": ("", r"Invalid response file '.*tweeter.txt' with '0 rows'.*at least 3 rows"),
    "too short": ("100 80 10\n", r"with '1 rows'.*it may be cut short"),
    "cut in a row": (GOOD + "800 8", r"line 4: Invalid row '800 8'.*it has 2"),
    "cut in a number": (
        "100.0 80.00 10.25\n200.0 81.00 20.25\n300.0 80.00 12.25\n400.0 80.00 1",
        r"line 4: Invalid row '400.0 80.00 1'.*cut short",
    ),
    "binary": (b"100 80 10\n200 80\x00 10\n300 80 1\n", r"plain text, not binary"),
    "not UTF-8": (b"\xff\xfe1\x000\x00", r"Must be text in UTF-8 \(byte 0 is not\)"),
}


@pytest.mark.parametrize(("text", "message"), WRONG.values(), ids=WRONG)
def test_what_is_wrong_is_one_line_with_file_and_row(file, text, message):
    path = file(text)
    with pytest.raises(InputError, match=message) as caught:
        read_response(path)
    assert len(caught.value.faults) == 1
    assert str(path) in caught.value.faults[0]


def test_a_missing_file_is_said(tmp_path):
    with pytest.raises(InputError, match=r"none.txt'. Must be a readable text file"):
        read_response(tmp_path / "none.txt")


@pytest.mark.parametrize("wrapped", [True, False])
def test_radians_are_suspected(file, wrapped):
    frequency = np.geomspace(100, 10_000, 40)
    s = 1j * frequency / 1000
    value = (1 / (1 + s)) ** (4 if wrapped else 1)
    rows = zip(frequency, 20 * np.log10(np.abs(value)), np.angle(value), strict=True)
    path = file("".join(f"{f:.3f} {level:.3f} {phase:.4f}\n" for f, level, phase in rows))
    with pytest.raises(InputError, match=r"phase column .*Must be in degrees.*as radians do"):
        read_response(path)


def test_small_phases_in_degrees_are_no_radians(file):
    assert read_response(file("100 -6 1\n200 -6.1 -2\n400 -6 3\n")).phase_deg.max() == 3
    assert read_response(file("100 0 0\n200 -20 0\n400 -30 0\n")).phase_deg.max() == 0


def test_between_points_level_and_phase_are_straight():
    found = Response(
        name="",
        frequency_hz=np.array([100.0, 400.0, 800.0]),
        level_db=np.array([0.0, 12.0, 12.0]),
        phase_deg=np.array([0.0, -90.0, 110.0]),  # wrapped: -90 to -250
    )
    value = found.at(np.array([200.0, 250.0, 600.0]))
    assert 20 * np.log10(abs(value[0])) == pytest.approx(6)  # the middle in octaves
    assert np.degrees(np.angle(value[1])) == pytest.approx(-45)  # the middle in Hz
    assert np.degrees(np.angle(value[2])) == pytest.approx(-170)


def test_a_known_delay_is_followed_over_many_turns():
    """At 1 m the phase turns 2.9 times a kHz; points 1 kHz apart could not be followed."""
    frequency = np.arange(1000.0, 10_001, 1000)
    delay_s = 1 / 343.2
    found = Response(
        name="",
        frequency_hz=frequency,
        level_db=np.zeros_like(frequency),
        phase_deg=np.degrees(np.angle(np.exp(-2j * np.pi * frequency * delay_s))),
    )
    asked = np.array([1250.0, 3333.0, 9876.0])
    truth = np.exp(-2j * np.pi * asked * delay_s)
    np.testing.assert_allclose(found.at(asked, delay_s=delay_s), truth, atol=1e-9)
    assert np.abs(found.at(asked) - truth).max() > 0.5
    assert found.excess_delay_s(delay_s) == pytest.approx(0, abs=2e-5)


def test_outside_the_band_the_ends_are_held():
    found = Response(
        name="",
        frequency_hz=np.array([100.0, 200.0, 400.0]),
        level_db=np.array([3.0, 0.0, -3.0]),
        phase_deg=np.array([30.0, 0.0, -30.0]),
    )
    low, high = found.at(np.array([50.0, 900.0]))
    assert low == pytest.approx(10 ** (3 / 20) * np.exp(1j * np.pi / 6))
    assert high == pytest.approx(10 ** (-3 / 20) * np.exp(-1j * np.pi / 6))
    np.testing.assert_array_equal(found.covers(np.array([50, 100.05, 400, 900])), [0, 1, 1, 0])


def test_a_written_file_reads_back(tmp_path):
    rng = np.random.default_rng(3)
    frequency = np.geomspace(20, 20_000, 50)
    sent = Response(
        name="out.txt",
        frequency_hz=frequency,
        level_db=rng.normal(80, 5, 50),
        phase_deg=rng.uniform(-180, 180, 50),
    )
    path = tmp_path / "out.txt"
    write_response(sent, path, "A made-up driver.\nInvented.")
    back = read_response(path)
    np.testing.assert_allclose(back.at(frequency), sent.at(frequency), rtol=1e-6)
    assert re.match(r"# A made-up driver\.\n# Invented\.\n# Hz dB degrees\n20", path.read_text())
