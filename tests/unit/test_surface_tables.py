# SPDX-License-Identifier: GPL-3.0-or-later
"""Text tables of velocities and admittances: what is read, and what is told of each fault."""

import re

import numpy as np
import pytest

from bafflelens.base.errors import InputError
from bafflelens.base.medium import Air
from bafflelens.mesh.surface_tables import (
    VELOCITY_COLUMNS,
    read_admittance_table,
    read_velocity_table,
    rows_of,
)

VELOCITY = """# dome A, laser, re voice coil
1000, 0, 1.0, 0    # Hz, mm, magnitude, degrees
1000, 10, 1.0, 0

8000; 10; 1.0; 0
8000\t0\t2.0\t90
"""


@pytest.fixture
def write(tmp_path):
    def written(text):
        path = tmp_path / "table.txt"
        path.write_text(text, encoding="utf-8")
        return path

    return written


def test_a_velocity_table(write):
    found = read_velocity_table(write(VELOCITY))
    np.testing.assert_array_equal(found.frequencies_hz, [1000, 8000])
    np.testing.assert_allclose(found.radii_m, [0, 0.010])
    # A lead of 90 degrees is +j for exp(+jwt), and so -i here.
    np.testing.assert_allclose(found.ratio, [[1, 1], [-2j, 1]], atol=1e-15)


def test_an_admittance_table(write):
    found = read_admittance_table(write("500 0.1 0.4\n8000 0.9 -0.1"))
    at = found.admittance(np.array([100.0, 500.0, 2000.0, 8000.0, 20_000.0]), Air())
    np.testing.assert_allclose(at, [0.1 - 0.4j, 0.1 - 0.4j, 0.5 - 0.15j, 0.9 + 0.1j, 0.9 + 0.1j])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "1000 0 1 0\n1000 one 1 0",
            "table.txt, line 2: Invalid radius in mm 'one'. Must be a number.",
        ),
        ("1000 0 1", "line 1: Invalid row '1000 0 1'. Must be 4 numbers: frequency in Hz,"),
        ("1000 0 nan 0", "line 1: Invalid magnitude 'nan'. Must be a finite number."),
        (
            "# nothing",
            "with '0 rows'. Must be at least one row of numbers: frequency in Hz, radius in mm",
        ),
        ("0 0 1 0", "line 1: Invalid frequency '0 Hz'. Must be above 0 Hz."),
        ("1000 -2 1 0", "line 1: Invalid radius '-2 mm'. Must be at least 0."),
        (
            "1000 2 -1 0",
            "line 1: Invalid magnitude '-1'. Must be at least 0: turn the phase by 180 degrees",
        ),
        (
            "1000 2 1 0\n1000 2 1 5",
            "line 2: Invalid row '1000 Hz, 2 mm'. Must be there only once.",
        ),
        (
            "1000 0 1 0\n1000 5 1 0\n2000 0 1 0",
            "Invalid table '2000 Hz without 5 mm'. Must be a table in which every frequency has "
            "the same 2 radii.",
        ),
    ],
)
def test_faults_of_a_velocity_table(write, text, message):
    with pytest.raises(InputError, match=re.escape(message)):
        read_velocity_table(write(text))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "500 0.1",
            "line 1: Invalid row '500 0.1'. Must be 3 numbers: frequency in Hz, "
            "real part, imaginary part; it has 2.",
        ),
        (
            "500 0.1 0\n400 0.1 0",
            "line 2: Invalid frequency '400 Hz'. Must be above that of the row before, 500 Hz.",
        ),
        (
            "500 -0.1 0",
            "line 1: Invalid real part '-0.1'. Must be at least 0: a surface gives no power.",
        ),
    ],
)
def test_faults_of_an_admittance_table(write, text, message):
    with pytest.raises(InputError, match=re.escape(message)):
        read_admittance_table(write(text))


def test_all_faults_of_a_file_are_told_but_not_a_thousand(write):
    with pytest.raises(InputError) as caught:
        read_velocity_table(write("1000 0 1 0\na\nb"))
    assert len(caught.value.faults) == 2
    with pytest.raises(InputError) as caught:
        read_velocity_table(write("1000 0 1 0\n" + "prose\n" * 1000))
    assert len(caught.value.faults) == 10


def test_a_file_that_is_missing_or_no_text(write, tmp_path):
    with pytest.raises(InputError, match=r"Invalid table '.*none.txt'. Must be a readable text"):
        read_velocity_table(tmp_path / "none.txt")
    path = write("")
    path.write_bytes(b"1000 0 1 \xff")
    with pytest.raises(InputError, match=r"Must be text in UTF-8 \(byte 9 is not\)"):
        read_velocity_table(path)


def test_rows_of_a_script():
    rows = rows_of([[1000, 0, 1, 0]], VELOCITY_COLUMNS, "shape.py: sources()")
    assert rows[0].values == (1000, 0, 1, 0)
    message = r"shape.py: sources\(\), row 2: Invalid row '\[1, 2\]'. Must be 4 numbers"
    with pytest.raises(InputError, match=message):
        rows_of([[1000, 0, 1, 0], [1, 2]], VELOCITY_COLUMNS, "shape.py: sources()")
    with pytest.raises(InputError, match="Invalid row '7'"):
        rows_of([7], VELOCITY_COLUMNS, "shape.py: sources()")
