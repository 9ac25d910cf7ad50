# SPDX-License-Identifier: GPL-3.0-or-later
"""What the text of a STEP file says that gmsh does not pass on: its unit and its faces' names.

A STEP file (ISO 10303-21) is a list of numbered records. The length unit is in a record with
``LENGTH_UNIT()``; a face is an ``ADVANCED_FACE`` whose first value is its name, and its loops
lead to its corners, by which it is found again in the geometry kernel.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from bafflelens.base.errors import GeometryError, invalid
from bafflelens.base.reading import MIB, printable, read_bytes

_PREFIXES: Final = {"": 1.0, "KILO": 1e3, "DECI": 1e-1, "CENTI": 1e-2, "MILLI": 1e-3}
_PREFIXES_SMALL: Final = {"MICRO": 1e-6}
_UNIT_NAMES: Final = {1.0: "m", 1e-2: "cm", 1e-3: "mm", 0.0254: "inch", 0.3048: "foot"}
_LARGEST: Final = 256 * MIB
_MOST_VISITS: Final = 1_000_000  # of records on the way from faces to corners
_LONGEST_CHAIN: Final = 8  # of units that are defined by others
_UNITS_M: Final = (1e-7, 1e4)
_FARTHEST: Final = 1e9
# Strings and remarks are skipped by looking for their ends, so that time grows with the length of
# the text. (Possessive groups would do, too; early releases of Python 3.11 match them wrongly.)
_SPECIAL: Final = re.compile(r"[';]|/\*")
_ENDS: Final = {"'": "'", "/*": "*/"}
_REMARK: Final = re.compile(r"('[^']*')|/\*.*?\*/", re.DOTALL)
_RECORD: Final = re.compile(r"#(\d{1,18})\s*=(.*);", re.DOTALL)
_REFERENCE: Final = re.compile(r"#(\d{1,18})(?!\d)")
_FACE: Final = re.compile(r"^(?:ADVANCED_FACE|FACE_SURFACE)\s*\(\s*'((?:[^']|'')*)'")
_WIDE_TEXT: Final = re.compile(r"\\X2\\((?:[0-9A-F]{4})+)\\X0\\")


@dataclass(frozen=True)
class FaceRecord:
    """A face as the file writes it.

    Attributes
    ----------
    name : str
        Its name, often empty.
    corners : tuple of 3-tuples of float
        Its corners in the file's unit, without repeats.
    """

    name: str
    corners: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True)
class StepText:
    """What the text of a STEP file says.

    Attributes
    ----------
    unit_m : float
        The file's unit of length in m.
    faces : tuple of FaceRecord
        Its faces, in the order in which its shells list them.
    """

    unit_m: float
    faces: tuple[FaceRecord, ...]


def read_step_text(path: Path) -> StepText:
    """Read the unit and the faces of a STEP file.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    GeometryError
        If it cannot be read, is no STEP file, or does not say its unit of length.
    """
    content = read_bytes(path, "STEP file", GeometryError, most=_LARGEST, kind="STEP file")
    text = content.decode("latin-1")
    if not text.lstrip().startswith("ISO-10303-21"):
        rule = "a STEP file: its first line is 'ISO-10303-21;'"
        raise GeometryError(invalid("STEP file", path, rule))
    records = _records(path, text)
    return StepText(unit_m=_unit(path, records), faces=tuple(_faces(path, records)))


def unit_name(unit_m: float) -> str:
    """Return how a unit of length is called.

    Examples
    --------
    >>> unit_name(0.001), unit_name(0.0254), unit_name(0.5)
    ('mm', 'inch', '0.5 m')
    """
    near = [name for size, name in _UNIT_NAMES.items() if abs(size / unit_m - 1) < 1e-6]
    return near[0] if near else f"{unit_m:g} m"


def _statement_end(text: str, at: int) -> int | None:
    """Return where the statement that begins here ends, behind its semicolon; None if it does not.

    A semicolon in a string or in a remark ends nothing; a quote in a string is written twice,
    which is two strings side by side here.
    """
    while special := _SPECIAL.search(text, at):
        if special[0] == ";":
            return special.end()
        closing = _ENDS[special[0]]
        at = text.find(closing, special.end()) + len(closing)
        if at < len(closing):
            return None
    return None


def _records(path: Path, text: str) -> dict[int, str]:
    """Return the numbered records of a file, without its remarks."""
    records = {}
    at = 0
    while (end := _statement_end(text, at)) is not None:
        written, at = text[at:end], end
        if "/*" in written:
            written = _REMARK.sub(lambda found: found[1] or " ", written)
        record = _RECORD.fullmatch(written.strip())
        if record:
            records[int(record[1])] = record[2].strip()
    if text[at:].strip():
        line = text.count("\n", 0, at) + 1
        rule = f"a whole STEP file: what begins on line {line} has no end"
        raise GeometryError(invalid("STEP file", path, rule))
    return records


def _unit(path: Path, records: Mapping[int, str]) -> float:
    """Return the one unit of length of a file, in m."""
    contexts = [body for body in records.values() if "GLOBAL_UNIT_ASSIGNED_CONTEXT" in body]
    named = {
        int(number)
        for body in contexts
        for number in _REFERENCE.findall(body.split("GLOBAL_UNIT_ASSIGNED_CONTEXT")[1])
    }
    found = {
        _length(records[number], records, _LONGEST_CHAIN)
        for number in named
        if re.search(r"\bLENGTH_UNIT\b", records.get(number, ""))
    }
    if len(found) != 1 or None in found:
        value = f"{path}' with '{'no' if not found else len(found)} units of length"
        rule = "a file that states one unit of length; export it again, in millimetres"
        raise GeometryError(invalid("STEP file", value, rule))
    (unit,) = found
    assert unit is not None
    return unit


def _length(body: str, records: Mapping[int, str], chain: int) -> float | None:
    """Return a unit of length in m, None if it cannot be understood or is none."""
    metric = re.search(r"SI_UNIT\s*\(\s*(?:\.(\w+)\.|\$)\s*,\s*\.METRE\.", body)
    if metric:
        return (_PREFIXES | _PREFIXES_SMALL).get(metric[1] or "")
    converted = re.search(r"CONVERSION_BASED_UNIT\s*\(\s*'[^']*'\s*,\s*#(\d{1,18})", body)
    if converted is None or not chain:
        return None
    measure = records.get(int(converted[1]), "")
    factor = re.search(r"LENGTH_MEASURE\s*\(\s*([-+.\dEe]+)\s*\)\s*,\s*#(\d{1,18})", measure)
    if factor is None:
        return None
    base = _length(records.get(int(factor[2]), ""), records, chain - 1)
    size = _number(factor[1])
    if base is None or size is None:
        return None
    smallest, largest = _UNITS_M
    return round(size * base, 12) if smallest <= size * base <= largest else None


def _number(written: str) -> float | None:
    """Return a number of the file, None if it is none or absurd."""
    try:
        value = float(written)
    except ValueError:
        return None
    return value if abs(value) <= _FARTHEST else None


def _faces(path: Path, records: Mapping[int, str]) -> Iterator[FaceRecord]:
    """Yield the faces of all shells in their order."""
    visits = 0
    for body in records.values():
        if not re.match(r"(CLOSED|OPEN)_SHELL\b", body):
            continue
        for number in _REFERENCE.findall(body):
            record = records.get(int(number), "")
            face = _FACE.match(record)
            if face:
                seen: set[int] = set()
                corners = dict.fromkeys(_corners(int(number), records, seen))
                visits += len(seen)
                if visits > _MOST_VISITS:
                    rule = f"one whose faces lead to at most {_MOST_VISITS} records"
                    raise GeometryError(invalid("STEP file", path, rule))
                yield FaceRecord(name=_text(face[1]), corners=tuple(corners))


def _corners(
    number: int, records: Mapping[int, str], seen: set[int]
) -> Iterator[tuple[float, float, float]]:
    """Yield the vertices that a face, loop or edge leads to."""
    left = [number]
    while left and len(seen) <= _MOST_VISITS:
        number = left.pop()
        if number in seen:
            continue
        seen.add(number)
        body = records.get(number, "")
        kind = body.partition("(")[0].strip()
        references = [int(found) for found in _REFERENCE.findall(body)]
        if kind == "VERTEX_POINT" and references:
            written = _place(records.get(references[0], ""))
            values = [value for value in written if value is not None]
            if len(written) == len(values) == 3:
                yield values[0], values[1], values[2]
            continue
        if kind == "EDGE_CURVE":
            references = references[:2]  # the third is the curve
        elif kind in ("ADVANCED_FACE", "FACE_SURFACE"):
            references = references[:-1]  # the last is the surface
        left += reversed(references)


def _place(body: str) -> list[float | None]:
    """Return the numbers at the end of a point's record."""
    inside = body.rpartition("(")[2].partition(")")[0]
    return [_number(value) for value in inside.split(",")]


def _text(written: str) -> str:
    """Return a string of a STEP file as a person would write it."""
    wide = _WIDE_TEXT.sub(
        lambda found: bytes.fromhex(found[1]).decode("utf-16-be", "replace"), written
    )
    wide = printable(wide)
    return wide.replace("''", "'").strip()
