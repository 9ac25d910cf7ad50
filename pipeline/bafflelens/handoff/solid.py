# SPDX-License-Identifier: GPL-3.0-or-later
"""The solid that the shop gets: exact geometry, its sections, and a mesh within a tolerance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion


@dataclass(frozen=True, kw_only=True)
class Section:
    """A section of the solid at one station.

    Attributes
    ----------
    kind : str
        ``vertical`` (x to the right, z up), ``horizontal`` (x to the right, y up), or ``radial``
        (x to the right, up the way from the axis).
    station : float
        Where it is: y of a vertical one, z of a horizontal one, in mm; of a radial one the angle
        from up towards the loudspeaker's left, in degrees.
    whole, profile, scraper : tuple of (n, 2) array
        Closed outlines in mm: of the solid; of its front, as a template to hold inside; of what
        is in front of it, to scrape with.
    """

    kind: str
    station: float
    whole: tuple[FloatArray, ...]
    profile: tuple[FloatArray, ...]
    scraper: tuple[FloatArray, ...]

    @property
    def name(self) -> str:
        """As in file names, such as ``vertical_y+30`` or ``radial_60deg``."""
        if self.kind == "radial":
            return f"radial_{self.station:g}deg"
        axis = "y" if self.kind == "vertical" else "z"
        return f"{self.kind}_{axis}{self.station:+g}"

    @property
    def text(self) -> str:
        """For people, such as ``vertical, y = 30 mm``."""
        if self.kind == "radial":
            return f"through the axis, {self.station:g} degrees from the top to the left"
        axis = "y" if self.kind == "vertical" else "z"
        return f"{self.kind}, {axis} = {self.station:g} mm"


@dataclass(frozen=True, kw_only=True)
class SolidEdge:
    """An edge of the solid.

    Attributes
    ----------
    points_m : (n, 3) array
        Along it.
    is_smooth : bool
        Whether its faces meet in it without a bend.
    """

    points_m: FloatArray
    is_smooth: bool


@dataclass(frozen=True, kw_only=True)
class SmoothFit:
    """How near the smooth faces of a carved solid are to what was carved.

    Attributes
    ----------
    largest_mm, rms_mm : float
        Largest and root mean square distance of the faces from the places that were carved, and
        of these from the faces.
    where_mm : tuple of float
        Where the largest is.
    n_faces : int
        How many faces became B-splines.
    """

    largest_mm: float
    rms_mm: float
    where_mm: tuple[float, ...]
    n_faces: int

    @property
    def text(self) -> str:
        """All of it in a line."""
        x, y, z = self.where_mm
        return (
            f"smooth faces through the carved places: largest distance {self.largest_mm:.3f} mm "
            f"at ({x:.1f}, {y:.1f}, {z:.1f}) mm, r.m.s. {self.rms_mm:.3f} mm"
        )


@dataclass(frozen=True, kw_only=True)
class MadePiece:
    """One piece of the part as it is made.

    Attributes
    ----------
    name : str
        ``panel``, ``insert`` or ``shell``.
    step : bytes
        STEP AP214, in mm, faces named: those of the analysed body as there, others by what cut
        them.
    mesh : Mesh
        A closed mesh of it, for printing.
    chord_m : float
        Its measured distance from the piece, in m.
    volume_m3 : float
        Of the exact piece.
    areas_m2 : mapping of str to float
        Of its faces, by name.
    off_m, where_m : float, tuple of float
        How far the faces that it has of the analysed body are at most from that, in the kernel,
        and where.
    edges : tuple of SolidEdge
        The edges of its faces.
    section : Section
        The vertical one through the driver's axis.
    """

    name: str
    step: bytes
    mesh: Mesh
    chord_m: float
    volume_m3: float
    areas_m2: Mapping[str, float]
    off_m: float
    where_m: tuple[float, ...]
    edges: tuple[SolidEdge, ...]
    section: Section


@dataclass(frozen=True, kw_only=True)
class Rounded:
    """What became of the sharp inner corners of a part.

    Attributes
    ----------
    n_rounded : int
        How many the kernel has rounded.
    left_mm : (n, 3) array
        A place on each that it could not.
    """

    n_rounded: int
    left_mm: FloatArray


@dataclass(frozen=True, kw_only=True)
class Solid:
    """One candidate as a solid.

    Attributes
    ----------
    step : bytes
        STEP AP214, in mm.
    mesh : Mesh
        A closed mesh of the whole solid, for printing.
    chord_m : float
        Its measured distance from the solid, in m.
    volume_m3, area_m2 : float
        Of the exact solid.
    box_m : (2, 3) array
        Lowest and highest corner.
    concave : (n, 4) array
        Places that a cutter must fit into, x, y, z, and their radius, in m.
    edges : tuple of Edge
        The edges of the faces.
    sections : tuple of Section
        Through the axis, then further stations.
    fit : SmoothFit, optional
        Of a carved one.
    before : tuple of Section
        Of a carved one: the profiles that the same sections had before.
    pieces : tuple of MadePiece
        The part as it is made; none where the job does not say how.
    rounded : Rounded, optional
        Where the part's sharp inner corners were to be rounded.
    """

    step: bytes
    mesh: Mesh
    chord_m: float
    volume_m3: float
    area_m2: float
    box_m: FloatArray
    concave: FloatArray
    edges: tuple[SolidEdge, ...]
    sections: tuple[Section, ...]
    fit: SmoothFit | None = None
    before: tuple[Section, ...] = ()
    pieces: tuple[MadePiece, ...] = ()
    rounded: Rounded | None = None


def through_the_axis(sections: Sequence[Section], kind: str) -> Section:
    """Return the first section of a kind: that through the axis."""
    return next(section for section in sections if section.kind == kind)


def part_box(solid: Solid, motions: Sequence[SourceMotion]) -> FloatArray:
    """Return lowest and highest corner in mm, (2, 3), without what moves: domes may stand out."""
    moving = {n for m in motions for n in m.surfaces}
    resting = np.array([name not in moving for name in solid.mesh.surface])
    box = solid.box_m * 1e3
    if resting.any():
        corners = solid.mesh.corners[resting].reshape(-1, 3) * 1e3
        box[1, 0] = corners[:, 0].max()
    return box
