# SPDX-License-Identifier: GPL-3.0-or-later
"""Angles told by file names, and what is missing or doubled among them."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.reading import file_beside, shown

SAME_DEG: Final = 1e-6
BESIDE_RULE: Final = "a name of files in the folder of the description or below it"
_ANGLE: Final = r"(?P<angle>[+-]?\d+(?:\.\d+)?)"
_REPEAT: Final = r"(?P<repeat>\d+)"
_MOST_LISTED: Final = 8


@dataclass(frozen=True)
class AngleFile:
    """A file, the turntable's reading in degrees (NaN: all angles), the number of the repeat."""

    path: Path
    reading_deg: float
    repeat: int


def files_of(folder: Path, pattern: str) -> tuple[AngleFile, ...]:
    """Return the files that match a pattern such as ``h_{angle}_{repeat}.wav``.

    Parameters
    ----------
    folder : Path
        Folder that the pattern starts from.
    pattern : str
        A path with ``{angle}`` and ``{repeat}`` at most once, both in its last part. Without
        ``{angle}`` a file holds all angles; its reading is NaN.

    Returns
    -------
    tuple of AngleFile
        Sorted by angle, then repeat.

    Raises
    ------
    InputError
        If the pattern is none, nothing matches, or two files have one angle.
    """
    place, _, name = pattern.rpartition("/")
    if file_beside(folder, pattern, in_folders=True) is None:
        raise InputError(invalid("key 'files'", shown(pattern), BESIDE_RULE))
    if "{" in place or name.count("{angle}") > 1 or name.count("{repeat}") > 1:
        rule = "a file name with {angle} and {repeat} once each at most"
        raise InputError(invalid("key 'files'", pattern, rule))
    where = folder / place
    if not where.is_dir():
        raise InputError(invalid("folder", where, "one that is there: 'files' names it"))
    expression = re.escape(name).replace(re.escape("{angle}"), _ANGLE)
    expression = expression.replace(re.escape("{repeat}"), _REPEAT)
    found = []
    names = sorted(path.name for path in where.iterdir() if path.is_file())
    for other in names:
        match = re.fullmatch(expression, other)
        if match:
            angle = float(match["angle"]) if "{angle}" in name else math.nan
            repeat = int(match["repeat"]) if "{repeat}" in name else 1
            found.append(AngleFile(where / other, angle, repeat))
    if not found:
        near = difflib.get_close_matches(name.replace("{angle}", "0"), names, n=1, cutoff=0.3)
        rule = "a name that files have" + (f"; the nearest is '{near[0]}'" if near else "")
        raise InputError(invalid("key 'files'", pattern, rule))
    found.sort(key=lambda file: (file.reading_deg, file.repeat))
    faults = [
        invalid("file", later.path, f"the only one for its angle; {first.path.name} has it too")
        for first, later in pairwise(found)
        if abs(first.reading_deg - later.reading_deg) < SAME_DEG and first.repeat == later.repeat
    ]
    if faults:
        raise InputError(faults)
    return tuple(found)


def missing_angles(readings_deg: FloatArray, declared_deg: Sequence[float] | None) -> FloatArray:
    """Return angles that are not there: of the declared ones, or in the rows of equal steps.

    Without a declaration the step that most neighbours keep is taken for the one that was
    meant, and a gap of several such steps lacks the angles in between.
    """
    there = np.sort(np.asarray(readings_deg, dtype=float))
    if declared_deg is not None:
        wanted = np.asarray(declared_deg, dtype=float)
    else:
        steps = np.diff(there)
        steps = steps[steps > SAME_DEG]
        if len(steps) < 3:
            return np.empty(0)
        values, counts = np.unique(np.round(steps, 3), return_counts=True)
        step = values[np.argmax(counts)]
        parts = [
            low + step * np.arange(1, round(gap / step))
            for low, gap in zip(there[:-1], np.diff(there), strict=True)
            if gap > 1.5 * step and abs(gap / step - round(gap / step)) < 0.01
        ]
        wanted = np.concatenate(parts) if parts else np.empty(0)
    lacks = [np.abs(there - angle).min(initial=np.inf) > SAME_DEG for angle in wanted]
    return np.asarray(wanted[np.array(lacks, dtype=bool)])


def doubled_angles(angles_deg: Sequence[float]) -> list[float]:
    """Return the angles that come more than once in a list."""
    values, counts = np.unique(
        np.round(np.asarray(angles_deg, dtype=float), 6), return_counts=True
    )
    return [float(value) for value in values[counts > 1]]


def in_one_turn(readings_deg: FloatArray, sign: int) -> FloatArray:
    """Return the turntable's readings as angles of the project, within -180 to 180 degrees.

    -180 and 180 stay what they are, so that an orbit may be closed at both ends.
    """
    angle = sign * np.asarray(readings_deg, dtype=float)
    return np.where(np.abs(angle) <= 180 + SAME_DEG, angle, (angle + 180) % 360 - 180)


def listed(angles_deg: Sequence[float] | FloatArray) -> str:
    """Return angles as people list them, the first few if there are many."""
    shown = ", ".join(f"{angle:g}" for angle in list(angles_deg)[:_MOST_LISTED])
    more = len(angles_deg) - _MOST_LISTED
    return f"{shown} and {more} more" if more > 0 else shown
