# SPDX-License-Identifier: GPL-3.0-or-later
"""How far the exported solid is from the mesh that was analysed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.closest_point import closest, searchable
from bafflelens.handoff.solid import Solid
from bafflelens.mesh.mesh import Mesh

_LARGEST_VOLUME_SHARE: Final = 1e-3


@dataclass(frozen=True, kw_only=True)
class Likeness:
    """How far what is exported is from what was analysed.

    Attributes
    ----------
    volume_share : float
        Difference of the volumes over that of the solid.
    largest_mm : float
        Largest distance of the surfaces: from either to the other, at corners and middles.
    corners_mm : float
        Largest distance of the analysed corners alone: the rest is that its triangles are flat.
    where_mm : tuple of float
        Where the largest distance is.
    """

    volume_share: float
    largest_mm: float
    corners_mm: float
    where_mm: tuple[float, ...]

    @property
    def fits(self) -> bool:
        """Whether the volumes agree within 0.1 per cent."""
        return abs(self.volume_share) <= _LARGEST_VOLUME_SHARE

    @property
    def text(self) -> str:
        """All of it in a line."""
        x, y, z = self.where_mm
        return (
            f"analysed mesh against exported solid: volume {self.volume_share:+.4%}, largest "
            f"distance {self.largest_mm:.3f} mm at ({x:.1f}, {y:.1f}, {z:.1f}) mm, corners within "
            f"{self.corners_mm:.3f} mm"
        )


def likeness(analysed: Mesh, symmetry: Sequence[str], solid: Solid) -> Likeness:
    """Compare the mesh that was analysed with the solid.

    Parameters
    ----------
    analysed : Mesh
        The mesh, or the kept part of it.
    symmetry : sequence of {"x", "y", "z"}
        Planes in which it is mirrored.
    solid : Solid
        The solid.
    """
    analysed = analysed.whole(symmetry)
    there = np.concatenate((analysed.vertices, analysed.centroids))
    exported = searchable(solid.mesh.vertices, solid.mesh.triangles)
    away = closest(exported, there).distance
    back = closest(searchable(analysed.vertices, analysed.triangles), solid.mesh.vertices)
    points = np.concatenate((there, solid.mesh.vertices))
    distances = np.concatenate((away, back.distance))
    worst = int(distances.argmax())
    return Likeness(
        volume_share=analysed.volume / solid.volume_m3 - 1,
        # What the mesh for printing is off the solid may add to it.
        largest_mm=float(distances[worst] + solid.chord_m) * 1e3,
        corners_mm=float(away[: len(analysed.vertices)].max() + solid.chord_m) * 1e3,
        where_mm=tuple(float(value) * 1e3 for value in points[worst]),
    )
