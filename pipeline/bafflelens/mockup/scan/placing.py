# SPDX-License-Identifier: GPL-3.0-or-later
"""A scan laid on its nominal shape, by marks or by search, once its size is likely."""

from __future__ import annotations

from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import GeometryError, invalid
from bafflelens.base.progress import Advance
from bafflelens.mesh.mesh import Mesh
from bafflelens.mockup.scan.marks import ScanMark
from bafflelens.mockup.scan.registration import Pose, pose_from_marks, refined, register
from bafflelens.mockup.scan.repair import Scan
from bafflelens.shapes.cad.declaration import UNITS_M, nearest_of

_LIKELY_SIZE: Final = (0.25, 1.3)  # of the nominal shape, for a scan of all or a part of it


def unit_in_m(unit: str) -> float:
    """Return the length of a unit in m.

    Raises
    ------
    GeometryError
        If there is no such unit.
    """
    if unit not in UNITS_M:
        raise GeometryError(invalid("option '--unit'", unit, nearest_of(unit, UNITS_M)))
    return UNITS_M[unit]


def require_likely_size(name: str, unit: str, scan: Scan, nominal: Mesh) -> None:
    """Raise unless a scan is about as large as its nominal shape.

    Parameters
    ----------
    name : str
        Of the file, for the message.
    unit : str
        In which it was read.
    scan : Scan
        The scan.
    nominal : Mesh
        The nominal shape, both halves.

    Raises
    ------
    GeometryError
        With both sizes, and the unit in which the scan would fit.
    """
    found, wanted = _across(scan.vertices), _across(nominal.vertices)
    low, high = _LIKELY_SIZE
    if low * wanted <= found <= high * wanted:
        return
    unit_m = UNITS_M[unit]
    fitting = [
        n for n, m in UNITS_M.items() if low * wanted <= found * m / unit_m <= high * wanted
    ]
    hint = ""
    if fitting:
        best = min(fitting, key=lambda n: abs(np.log(found * UNITS_M[n] / unit_m / wanted)))
        would = found * UNITS_M[best] / unit_m * 1e3
        hint = f"; were the file in {best}, it would be {would:.0f} mm: --unit {best}"
    value = f"{found * 1e3:.3g} mm across, if its unit is {unit}"
    rule = f"about that of the nominal shape, {wanted * 1e3:.0f} mm, or of a part of it{hint}"
    raise GeometryError(invalid(f"size of scan '{name}'", value, rule))


def _across(points: FloatArray) -> float:
    """Return the largest distance between two points, nearly: the same in any pose."""
    end = points.mean(axis=0)
    largest = 0.0
    for _ in range(4):
        distance = np.linalg.norm(points - end, axis=1)
        end = points[int(distance.argmax())]
        largest = max(largest, float(distance.max())) if largest else 1e-12
    return largest


def placed(
    scan: Scan,
    nominal: Mesh,
    *,
    closed: bool,
    marks: tuple[ScanMark, ...],
    refine: bool,
    advance: Advance,
) -> tuple[Scan, Pose, bool]:
    """Return the scan in the reference frame, its pose, and whether it had to be turned.

    Parameters
    ----------
    scan : Scan
        The scan, repaired.
    nominal : Mesh
        The nominal shape, both halves.
    closed : bool
        Whether the scan came closed, so that its outside is known.
    marks : tuple of Mark
        Marks that tell the pose; without any it is found by registration.
    refine : bool
        Whether a pose by marks is refined by registration.
    advance : Advance
        Told of progress; the whole is 1.

    Raises
    ------
    GeometryError
        As `register` does; or if the marks put the scan elsewhere.
    """
    turned = False
    if marks:
        pairs = [(mark.scan, mark.nominal) for mark in marks]
        pose = pose_from_marks(pairs, scan, nominal)
        if not closed:
            other = pose_from_marks(pairs, scan.turned(), nominal)
            turned = other.score_m < 0.5 * pose.score_m
        if turned:
            scan, pose = scan.turned(), other
        _require_near(pose)
        pose = refined(pose, scan, nominal) if refine else pose
        advance(1.0)
    else:
        try:
            pose = register(scan, nominal, advance)
        except GeometryError:
            if closed:
                raise
            # An open surface does not tell its outside; a mirrored file often lost it, too.
            turned = True
            try:
                pose = register(scan.turned(), nominal, advance)
            except GeometryError as second:
                if "mirror" in str(second):
                    raise
                turned = False
            if not turned:
                raise
            scan = scan.turned()
    return scan.moved(pose.rotation, pose.shift), pose, turned


def _require_near(pose: Pose) -> None:
    """Raise if the marks put the scan where the nominal shape is not."""
    if pose.median_m > 0.01:
        value = f"{pose.median_m * 1e3:.1f} mm off the nominal shape (median) when put by marks"
        rule = "within 10 mm: check which mark is which, the candidate, and for a mirror image"
        raise GeometryError(invalid("scan", value, rule))
