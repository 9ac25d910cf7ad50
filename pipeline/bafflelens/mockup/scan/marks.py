# SPDX-License-Identifier: GPL-3.0-or-later
"""Marks on the clay whose nominal places are known, in a TOML file of ``[[marks]]``."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import GeometryError, invalid
from bafflelens.base.reading import read_toml

_LARGEST_MISMATCH_M: Final = 0.003
_LEAST_SPREAD_M: Final = 0.02  # of marks that are not on a line
_KEYS: Final = {"name", "scan", "nominal_mm"}


@dataclass(frozen=True, kw_only=True)
class Mark:
    """One mark.

    Attributes
    ----------
    name : str
        What it is called.
    scan, nominal : (3,) array
        Its place on the scan, in the scan's own frame, and in the reference frame, in m.
    """

    name: str
    scan: FloatArray
    nominal: FloatArray


def read_marks(path: Path, unit_m: float) -> tuple[Mark, ...]:
    """Read marks and check that they can tell a pose.

    Parameters
    ----------
    path : Path
        The file: ``[[marks]]`` with ``name``, ``scan = [x, y, z]`` as the scanner's program shows
        it, in the scan's unit, and ``nominal_mm = [x, y, z]`` in the reference frame.
    unit_m : float
        The scan's unit of length in m.

    Raises
    ------
    GeometryError
        If there are fewer than three, they lie on a line, or distances between them disagree.
    """
    table = read_toml(path, "file of marks", GeometryError)
    entries = table.get("marks")
    if not isinstance(entries, list) or set(table) != {"marks"}:
        raise GeometryError(invalid("file of marks", path, "tables [[marks]] and nothing else"))
    marks = tuple(_mark(path, entry, unit_m) for entry in entries)
    if len(marks) < 3:
        rule = "at least three marks"
        raise GeometryError(invalid("file of marks", f"{path}' with '{len(marks)}", rule))
    for places in (np.array([m.scan for m in marks]), np.array([m.nominal for m in marks])):
        spread = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)[1]
        if spread < _LEAST_SPREAD_M:
            rule = f"at least {_LEAST_SPREAD_M * 1e3:g} mm wide across the line through the marks"
            raise GeometryError(invalid("marks", f"{path}' on '{spread * 1e3:.1f} mm", rule))
    faults = []
    for one, other in itertools.combinations(marks, 2):
        found = math.dist(one.scan, other.scan) * 1e3
        wanted = math.dist(one.nominal, other.nominal) * 1e3
        if abs(found - wanted) > _LARGEST_MISMATCH_M * 1e3:
            value = f"{one.name} to {other.name}, {found:.2f} mm on the scan"
            rule = f"within {_LARGEST_MISMATCH_M * 1e3:g} mm of the nominal {wanted:.2f} mm"
            faults.append(f"{path}: {invalid('distance of marks', value, rule)}")
    if faults:
        raise GeometryError(faults)
    return marks


def _mark(path: Path, entry: object, unit_m: float) -> Mark:
    try:
        if not isinstance(entry, dict) or set(entry) != _KEYS:
            raise ValueError
        places = [np.array([float(v) for v in entry[key]]) for key in ("scan", "nominal_mm")]
        if any(place.shape != (3,) or not np.isfinite(place).all() for place in places):
            raise ValueError
    except (ValueError, TypeError) as error:
        rule = "name, scan = [x, y, z] and nominal_mm = [x, y, z]"
        msg = f"{path}: {invalid('mark', entry, rule)}"
        raise GeometryError(msg) from error
    return Mark(name=str(entry["name"]), scan=places[0] * unit_m, nominal=places[1] * 1e-3)
