# SPDX-License-Identifier: GPL-3.0-or-later
"""Tables of velocities and admittances that a job names, in text (`bafflelens.base.number_table`).

Phases and imaginary parts are those of measuring systems, exp(+jwt); they are turned into the
project's exp(-i omega t) here and nowhere else.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.number_table import MOST_FAULTS, read_number_table
from bafflelens.mesh.absorbers import AdmittanceTable
from bafflelens.mesh.source_motion import VelocityTable

VELOCITY_COLUMNS: Final = ("frequency in Hz", "radius in mm", "magnitude", "phase in degrees")
ADMITTANCE_COLUMNS: Final = ("frequency in Hz", "real part", "imaginary part")


@dataclass(frozen=True)
class Row:
    """One row of a table and where it stands."""

    where: str
    values: tuple[float, ...]


def read_velocity_table(path: Path) -> VelocityTable:
    """Read how a dome moves that does not move as a whole.

    Columns: frequency in Hz, radius from the axis in mm, magnitude and phase in degrees of the
    axial velocity over that of the rim (or voice coil). Every frequency has the same radii.

    Raises
    ------
    InputError
        With file, row, value and rule for every fault.
    """
    return velocity_table(read_rows(path, VELOCITY_COLUMNS), str(path))


def read_admittance_table(path: Path) -> AdmittanceTable:
    """Read a normalised admittance rho c v / p into a surface.

    Columns: frequency in Hz, real and imaginary part; a spring has a positive imaginary part.

    Raises
    ------
    InputError
        With file, row, value and rule for every fault.
    """
    return admittance_table(read_rows(path, ADMITTANCE_COLUMNS), str(path))


def rows_of(table: Iterable[Sequence[float]], columns: Sequence[str], where: str) -> list[Row]:
    """Return rows that a geometry script gives as lists of numbers.

    Raises
    ------
    InputError
        If a row has not as many numbers as there are columns.
    """
    rows = []
    for number, values in enumerate(table, start=1):
        try:
            found = tuple(float(value) for value in values)
        except (TypeError, ValueError):
            found = ()
        if len(found) != len(columns):
            rule = f"{len(columns)} numbers: {', '.join(columns)}"
            raise InputError(f"{where}, row {number}: " + invalid("row", values, rule))
        rows.append(Row(f"{where}, row {number}", found))
    return rows


def read_rows(path: Path, columns: Sequence[str]) -> list[Row]:
    """Return the rows of a text file.

    Raises
    ------
    InputError
        If the file cannot be read, or a line does not hold one number a column.
    """
    table = read_number_table(path, "table", columns)
    return [Row(table.where(i), tuple(row)) for i, row in enumerate(table.values.tolist())]


def velocity_table(rows: Sequence[Row], where: str) -> VelocityTable:
    """Return the motion that rows of frequency, radius, magnitude and phase describe.

    Raises
    ------
    InputError
        If a value is out of range, or a frequency lacks a radius or has it twice.
    """
    faults = []
    for row in rows:
        hz, radius_mm, magnitude, _ = row.values
        if not hz > 0:
            faults.append(f"{row.where}: {invalid('frequency', f'{hz:g} Hz', 'above 0 Hz')}")
        if not radius_mm >= 0:
            faults.append(f"{row.where}: {invalid('radius', f'{radius_mm:g} mm', 'at least 0')}")
        if not magnitude >= 0:
            rule = "at least 0: turn the phase by 180 degrees instead"
            faults.append(f"{row.where}: {invalid('magnitude', f'{magnitude:g}', rule)}")
    frequencies = sorted({row.values[0] for row in rows})
    radii = sorted({row.values[1] for row in rows})
    times = Counter(row.values[:2] for row in rows)
    for row in rows:
        hz, radius_mm = row.values[:2]
        if times[hz, radius_mm] > 1:
            given = f"{hz:g} Hz, {radius_mm:g} mm"
            faults.append(f"{row.where}: {invalid('row', given, 'there only once')}")
    for hz in frequencies:
        missing = [radius for radius in radii if (hz, radius) not in times]
        if missing:
            given = f"{hz:g} Hz without {missing[0]:g} mm"
            rule = f"a table in which every frequency has the same {len(radii)} radii"
            faults.append(f"{where}: {invalid('table', given, rule)}")
    if faults:
        raise InputError(faults[:MOST_FAULTS])
    value = {
        row.values[:2]: row.values[2] * np.exp(-1j * np.radians(row.values[3])) for row in rows
    }
    return VelocityTable(
        frequencies_hz=np.array(frequencies),
        radii_m=1e-3 * np.array(radii),
        ratio=np.array([[value[hz, radius] for radius in radii] for hz in frequencies]),
    )


def admittance_table(rows: Sequence[Row], where: str) -> AdmittanceTable:
    """Return the admittance that rows of frequency, real and imaginary part describe.

    Raises
    ------
    InputError
        If frequencies do not rise, or a real part is negative.
    """
    faults = []
    before = 0.0
    for row in rows:
        hz, real, _ = row.values
        if not hz > before:
            rule = f"above that of the row before, {before:g} Hz"
            faults.append(f"{row.where}: {invalid('frequency', f'{hz:g} Hz', rule)}")
        if not real >= 0:
            rule = "at least 0: a surface gives no power"
            faults.append(f"{row.where}: {invalid('real part', f'{real:g}', rule)}")
        before = hz
    if faults:
        raise InputError(faults[:MOST_FAULTS])
    hz, real, imaginary = np.array([row.values for row in rows]).T
    return AdmittanceTable(frequencies_hz=hz, values=real - 1j * imaginary)
