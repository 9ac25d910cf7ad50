# SPDX-License-Identifier: GPL-3.0-or-later
"""What is to be done with the scan of a clay model, and what came of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from bafflelens.mockup.scan.findings import DeviationPlace, Spread
from bafflelens.mockup.scan.registration import Pose
from bafflelens.mockup.scan.repair import Repairs
from bafflelens.shapes.meshing.mesh_morph import SurfaceDeviation
from bafflelens.shapes.meshing.parameters import Shape

OFF_M: Final = 1e-3


@dataclass(frozen=True, kw_only=True)
class ClayScanRequest:
    """What is to be done with a scan.

    Attributes
    ----------
    scan : Path
        The scanner's file.
    shape : Shape
        The nominal shape.
    values : mapping of str to float
        Its parameters.
    nominal_name : str
        Which candidate of which job that is, for people.
    out : Path
        Folder that is made.
    unit : str
        Unit of the scanner's file.
    marks : Path or None
        File of marks that tell the pose.
    refine : bool
        Whether the pose by marks is refined by registration.
    """

    scan: Path
    shape: Shape
    values: Mapping[str, float]
    nominal_name: str
    out: Path
    unit: str = "mm"
    marks: Path | None = None
    refine: bool = False


@dataclass(frozen=True, kw_only=True)
class ClayModel:
    """What came of a scan.

    Attributes
    ----------
    n_triangles : int
        Of the scan as it was read.
    repairs : Repairs
        What was mended; places in the reference frame.
    turned_inside_out : bool
        Whether the whole open scan had to be turned to face outwards.
    pose : Pose
        From the scan's frame to the reference frame.
    marks : tuple of (name, residual in m)
        How far each mark is off, if there were any.
    deviation : Deviation
        From the nominal shape.
    spreads, places : tuple
        Its statistics, its dents and humps.
    fit_rms_m, fit_p99_m, off_share : float
        Distances of the scan from the finished solid, and the share of it over 1 mm off.
    """

    n_triangles: int
    repairs: Repairs
    turned_inside_out: bool
    pose: Pose
    marks: tuple[tuple[str, float], ...]
    deviation: SurfaceDeviation
    spreads: tuple[Spread, ...]
    places: tuple[DeviationPlace, ...]
    fit_rms_m: float
    fit_p99_m: float
    off_share: float
