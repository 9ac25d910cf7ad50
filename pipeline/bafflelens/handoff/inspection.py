# SPDX-License-Identifier: GPL-3.0-or-later
"""After making: caliper readings against the nominal dimensions and what they may be off."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.parameter_words import called
from bafflelens.base.reading import LARGEST_TOML, read_text, shown_text
from bafflelens.handoff.limits import general_limit, limit_of
from bafflelens.handoff.manifest import nominal_dimensions, open_archive

PASS: Final = "pass"
REWORK: Final = "rework"
SIMULATE: Final = "re-simulate"

_COLUMNS: Final = ("parameter", "reading")
_LARGEST: Final = 1e6
_EXAMPLE: Final = "lens.depth_mm,20.4"


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One reading and what follows from it.

    Attributes
    ----------
    key, unit : str
        The parameter.
    nominal, off : float
        What it should be, and by how much the reading is larger.
    allowed : float
        What it may be off; infinite where nothing that was solved costs anything.
    is_acoustic : bool
        Whether that is the change that costs 0.5 dB, or the general tolerance.
    is_fit : bool
        Whether nothing that sound meets depends on it: driver, screws and joints do.
    verdict : {"pass", "rework", "re-simulate"}
        What follows.
    """

    key: str
    unit: str
    nominal: float
    off: float
    allowed: float
    is_acoustic: bool
    verdict: str
    is_fit: bool = False

    @property
    def text(self) -> str:
        """All of it in a line."""
        whose = "costs 0.5 dB" if self.is_acoustic else "ISO 2768-m; acoustic one not computed"
        if self.is_fit:
            whose = "fit, ISO 2768-m; nothing that sound meets"
        allowed = f"{self.allowed:.2g} {self.unit}" if self.allowed < math.inf else "any"
        what = {
            PASS: "",
            REWORK: f" by {-self.off:+.3g} {self.unit}",
            SIMULATE: " with the reading: what it costs is not known",
        }[self.verdict]
        return (
            f"{self.verdict}{what}: {called(self.key)} {self.nominal + self.off:g} {self.unit}, "
            f"nominal {self.nominal:g}, off by {self.off:+.3g}, allowed {allowed} ({whose})"
        )


def inspect_readings(folder: Path, readings: Path, candidate: str = "") -> tuple[Reading, ...]:
    """Compare caliper readings with a hand-off.

    Parameters
    ----------
    folder : Path
        The hand-off: its folder, one of its zip files, or the folder that one was unpacked in.
    readings : Path
        CSV file with the columns parameter (or symbol of the drawing) and reading, in the
        parameter's unit; lines without a reading are left out.
    candidate : str
        Which one, if the folder holds several.

    Raises
    ------
    StoreError
        If it is no hand-off.
    InputError
        If the readings make no sense.
    """
    manifest = open_archive(folder, candidate).manifest
    known, symbols = nominal_dimensions(manifest), manifest.get("symbols", {})
    found = []
    for line, key, value in _rows(readings):
        if key in known:
            found.append(_judged(manifest, key, value))
        elif key in symbols:
            found.append(_judged_symbol(key, symbols[key], value))
        else:
            rule = "one of " + ", ".join((*symbols, *known))
            fault = invalid("parameter", shown_text(key), rule)
            raise InputError(f"{readings}, line {line}: " + fault)
    if not found:
        raise InputError(invalid("readings", readings, "a CSV file with at least one reading"))
    return tuple(found)


def _rows(path: Path) -> list[tuple[int, str, float]]:
    table = csv.DictReader(
        io.StringIO(read_text(path, "readings", most=LARGEST_TOML)), skipinitialspace=True
    )
    try:
        if table.fieldnames is None or not set(_COLUMNS) <= set(table.fieldnames):
            rule = f"a CSV file with the columns {', '.join(_COLUMNS)}, parted by commas"
            raise InputError(invalid("readings", path, rule))
        rows = [_row(f"{path}, line {table.line_num}", table.line_num, row) for row in table]
        return [row for row in rows if row is not None]
    except csv.Error as error:  # a row that is endless
        rule = f"a CSV file of short rows ({error})"
        raise InputError(invalid("readings", path, rule)) from error


def _row(where: str, number: int, row: dict[str | Any, Any]) -> tuple[int, str, float] | None:
    """Return line, parameter and reading of a row of the file; None if it is not filled in."""
    further = row.pop(None, [])
    if further or None in row.values():
        values = [str(value) for value in (*row.values(), *further) if value is not None]
        rule = f"as many values as there are columns; a decimal point, no comma ({_EXAMPLE})"
        raise InputError(f"{where}: " + invalid("line", shown_text(",".join(values)), rule))
    if not row["reading"].strip():
        return None
    try:
        value = float(row["reading"])
    except ValueError:
        value = math.nan
    if not abs(value) <= _LARGEST:
        rule = f"a number with a decimal point ({_EXAMPLE})"
        raise InputError(f"{where}: " + invalid("reading", shown_text(row["reading"]), rule))
    return number, row["parameter"].strip(), value


def _judged(manifest: dict[str, Any], key: str, value: float) -> Reading:
    nominal, unit = nominal_dimensions(manifest)[key], str(manifest["units"].get(key, ""))
    allowed, is_acoustic = limit_of(manifest, key)
    off = value - nominal
    verdict = PASS
    if abs(off) > allowed + 1e-9:
        verdict = REWORK if is_acoustic else SIMULATE
    return Reading(
        key=key,
        unit=unit,
        nominal=nominal,
        off=off,
        allowed=allowed,
        is_acoustic=is_acoustic,
        verdict=verdict,
    )


def _judged_symbol(symbol: str, fact: dict[str, Any], value: float) -> Reading:
    unit = str(fact.get("unit", "mm"))
    nominal = float(fact["nominal"] if "nominal" in fact else fact["nominal_mm"])
    is_fit = bool(fact.get("fit", False))
    allowed, off = float(fact.get("limit", general_limit(nominal, unit))), value - nominal
    return Reading(
        key=f"{symbol} ({fact['name']})",
        unit=unit,
        nominal=nominal,
        off=off,
        allowed=allowed,
        is_acoustic=False,
        verdict=PASS if abs(off) <= allowed + 1e-9 else REWORK if is_fit else SIMULATE,
        is_fit=is_fit,
    )
