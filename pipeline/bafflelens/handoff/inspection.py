# SPDX-License-Identifier: GPL-3.0-or-later
"""After making: caliper readings against the nominal dimensions and what they may be off.

Depends on: errors, handoff.manifest.
"""

from __future__ import annotations

import csv
import io
import math
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from bafflelens.errors import InputError, StoreError, invalid
from bafflelens.handoff.manifest import NAME, read_manifest

PASS: Final = "pass"
REWORK: Final = "rework"
SIMULATE: Final = "re-simulate"

_COLUMNS: Final = ("parameter", "reading")
_LINEAR_MM: Final = ((6, 0.1), (30, 0.2), (120, 0.3), (400, 0.5), (1000, 0.8), (math.inf, 1.2))
"""Permissible deviations up to a size, ISO 2768-1 class m; from memory."""
_ANGULAR_DEG: Final = 1.0  # the same standard's for a leg of up to 10 mm; from memory


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

    @property
    def text(self) -> str:
        """All of it in a line."""
        whose = "costs 0.5 dB" if self.is_acoustic else "ISO 2768-m; acoustic one not computed"
        allowed = f"{self.allowed:.2g} {self.unit}" if self.allowed < math.inf else "any"
        what = {
            PASS: "",
            REWORK: f" by {-self.off:+.3g} {self.unit}",
            SIMULATE: " with the reading: nobody knows what it costs",
        }[self.verdict]
        return (
            f"{self.verdict}{what}: {self.key} {self.nominal + self.off:g} {self.unit}, nominal "
            f"{self.nominal:g}, off by {self.off:+.3g}, allowed {allowed} ({whose})"
        )


def inspect_readings(folder: Path, readings: Path, candidate: str = "") -> tuple[Reading, ...]:
    """Compare caliper readings with a hand-off.

    Parameters
    ----------
    folder : Path
        The hand-off.
    readings : Path
        CSV file with the columns parameter and reading, in the parameter's unit.
    candidate : str
        Which one, if the folder holds several.

    Raises
    ------
    StoreError
        If it is no hand-off.
    InputError
        If the readings make no sense.
    """
    manifest = _manifest_of(folder, candidate)
    found = []
    for line, key, value in _rows(readings):
        if key not in manifest["values"]:
            rule = "one of " + ", ".join(manifest["values"])
            raise InputError(f"{readings}, line {line}: " + invalid("parameter", key, rule))
        found.append(_judged(manifest, key, value))
    if not found:
        raise InputError(invalid("readings", readings, "a CSV file with at least one reading"))
    return tuple(found)


def _manifest_of(folder: Path, candidate: str) -> dict[str, Any]:
    path = folder / NAME
    try:
        whole = read_manifest(str(path), path.read_bytes())
        names = [str(name) for name in whole["candidates"]]
        if not candidate and len(names) == 1:
            candidate = names[0]
        if candidate not in names:
            rule = "one of " + ", ".join(names)
            raise InputError(invalid("option '--candidate'", candidate, rule))
        archive = folder / f"{whole['run']}_{candidate}.zip"
        with zipfile.ZipFile(io.BytesIO(archive.read_bytes())) as opened:
            return read_manifest(f"{archive}/{NAME}", opened.read(NAME))
    except (OSError, KeyError, zipfile.BadZipFile) as error:
        rule = f"one that `bafflelens handoff` wrote ({error})"
        raise StoreError(invalid("folder", folder, rule)) from error


def _rows(path: Path) -> list[tuple[int, str, float]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        rule = f"a CSV file of text with the columns {', '.join(_COLUMNS)} ({error})"
        raise InputError(invalid("readings", path, rule)) from error
    table = csv.DictReader(io.StringIO(text))
    if table.fieldnames is None or not set(_COLUMNS) <= set(table.fieldnames):
        rule = f"a CSV file with the columns {', '.join(_COLUMNS)}; scans go to `bafflelens scan`"
        raise InputError(invalid("readings", path, rule))
    rows = []
    for row in table:
        try:
            value = float(row["reading"])
            int(value)  # refuses what is not finite
        except (TypeError, ValueError, OverflowError) as error:
            fault = invalid("reading", row["reading"], "a number")
            message = f"{path}, line {table.line_num}: {fault}"
            raise InputError(message) from error
        rows.append((table.line_num, row["parameter"].strip(), value))
    return rows


def _judged(manifest: dict[str, Any], key: str, value: float) -> Reading:
    nominal, unit = float(manifest["values"][key]), str(manifest["units"].get(key, ""))
    tolerances = manifest["tolerances"]
    is_acoustic = isinstance(tolerances, dict) and key in tolerances
    if is_acoustic:
        allowed = math.inf if tolerances[key] is None else float(tolerances[key])
    else:
        allowed = _ANGULAR_DEG
        if unit == "mm":
            allowed = next(limit for size, limit in _LINEAR_MM if abs(nominal) <= size)
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
