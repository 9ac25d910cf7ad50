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

_PREFIXES: Final = {"": 1.0, "KILO": 1e3, "DECI": 1e-1, "CENTI": 1e-2, "MILLI": 1e-3}
_PREFIXES_SMALL: Final = {"MICRO": 1e-6}
_UNIT_NAMES: Final = {1.0: "m", 1e-2: "cm", 1e-3: "mm", 0.0254: "inch", 0.3048: "foot"}
_RECORD: Final = re.compile(r"#(\d+)\s*=\s*((?:'(?:[^']|'')*'|[^';])*);")
_REFERENCE: Final = re.compile(r"#(\d+)")
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
    try:
        text = path.read_bytes().decode("latin-1")
    except OSError as error:
        rule = f"a readable STEP file ({error.strerror})"
        raise GeometryError(invalid("STEP file", path, rule)) from error
    if not text.lstrip().startswith("ISO-10303-21"):
        rule = "a STEP file: its first line is 'ISO-10303-21;'"
        raise GeometryError(invalid("STEP file", path, rule))
    text = re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)
    records = {int(number): body.strip() for number, body in _RECORD.findall(text)}
    return StepText(unit_m=_unit(path, records), faces=tuple(_faces(records)))


def unit_name(unit_m: float) -> str:
    """Return how a unit of length is called.

    Examples
    --------
    >>> unit_name(0.001), unit_name(0.0254), unit_name(0.5)
    ('mm', 'inch', '0.5 m')
    """
    near = [name for size, name in _UNIT_NAMES.items() if abs(size / unit_m - 1) < 1e-6]
    return near[0] if near else f"{unit_m:g} m"


def _unit(path: Path, records: Mapping[int, str]) -> float:
    """Return the one unit of length of a file, in m."""
    contexts = [body for body in records.values() if "GLOBAL_UNIT_ASSIGNED_CONTEXT" in body]
    named = {
        int(number)
        for body in contexts
        for number in _REFERENCE.findall(body.split("GLOBAL_UNIT_ASSIGNED_CONTEXT")[1])
    }
    found = {
        _length(records[number], records)
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


def _length(body: str, records: Mapping[int, str]) -> float | None:
    """Return a unit of length in m, None if it cannot be understood."""
    metric = re.search(r"SI_UNIT\s*\(\s*(?:\.(\w+)\.|\$)\s*,\s*\.METRE\.", body)
    if metric:
        return (_PREFIXES | _PREFIXES_SMALL).get(metric[1] or "")
    converted = re.search(r"CONVERSION_BASED_UNIT\s*\(\s*'[^']*'\s*,\s*#(\d+)", body)
    if converted is None:
        return None
    measure = records.get(int(converted[1]), "")
    factor = re.search(r"LENGTH_MEASURE\s*\(\s*([-+.\dEe]+)\s*\)\s*,\s*#(\d+)", measure)
    if factor is None:
        return None
    base = _length(records.get(int(factor[2]), ""), records)
    return None if base is None else round(float(factor[1]) * base, 12)


def _faces(records: Mapping[int, str]) -> Iterator[FaceRecord]:
    """Yield the faces of all shells in their order."""
    for body in records.values():
        if not re.match(r"(CLOSED|OPEN)_SHELL\b", body):
            continue
        for number in _REFERENCE.findall(body):
            record = records.get(int(number), "")
            face = _FACE.match(record)
            if face:
                corners = dict.fromkeys(_corners(int(number), records, set()))
                yield FaceRecord(name=_text(face[1]), corners=tuple(corners))


def _corners(
    number: int, records: Mapping[int, str], seen: set[int]
) -> Iterator[tuple[float, float, float]]:
    """Yield the vertices that a face, loop or edge leads to."""
    if number in seen:
        return
    seen.add(number)
    body = records.get(number, "")
    kind = body.partition("(")[0].strip()
    references = [int(found) for found in _REFERENCE.findall(body)]
    if kind == "VERTEX_POINT" and references:
        place = re.search(r"\(([^()]*)\)\s*\)\s*$", records.get(references[0], ""))
        values = [float(value) for value in place[1].split(",")] if place else []
        if len(values) == 3:
            yield values[0], values[1], values[2]
        return
    if kind == "EDGE_CURVE":
        references = references[:2]  # the third is the curve
    elif kind in ("ADVANCED_FACE", "FACE_SURFACE"):
        references = references[:-1]  # the last is the surface
    for reference in references:
        yield from _corners(reference, records, seen)


def _text(written: str) -> str:
    """Return a string of a STEP file as a person would write it."""
    wide = _WIDE_TEXT.sub(lambda found: bytes.fromhex(found[1]).decode("utf-16-be"), written)
    return wide.replace("''", "'").strip()
