# SPDX-License-Identifier: GPL-3.0-or-later
r"""Sharp inner corners of a front, and how far a round cutter stays off the surface in them.

Two faces that turn by an angle t towards each other are touched by a radius r at L = r tan(t/2)
from their corner. At s from the corner, the radius is sqrt(r^2 + (L - s)^2) - r off the face: at
most r (1 / cos(t/2) - 1), in the corner. Its square, integrated along a face from 0 to L, is

    2 r^2 L + L^3/3 - r (L sqrt(r^2 + L^2) + r^2 arsinh(L/r)).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.datum import Datum
from bafflelens.handoff.hidden_lines import finely
from bafflelens.handoff.neighbours import sides_of
from bafflelens.handoff.solid import SolidEdge
from bafflelens.handoff.solid_edges import LEAST_TURN_DEG
from bafflelens.mesh.mesh import Mesh

_EDGE_STEP_M: Final = 2e-4


@dataclass(frozen=True, kw_only=True)
class InnerCorners:
    """Sharp inner corners, in the pieces that the sides of a mesh cut them into.

    Attributes
    ----------
    ends : (n, 2, 3) array
        Both ends of each piece, in m.
    turn : (n,) array
        By what angle the faces turn towards each other, in radians.
    beside : (n, 2, 3) array
        Middles of the two triangles that meet there, in m.
    """

    ends: FloatArray
    turn: FloatArray
    beside: FloatArray

    @property
    def middles(self) -> FloatArray:
        """Middle of each piece, (n, 3), in m."""
        return np.asarray(self.ends.mean(axis=1))

    @property
    def lengths(self) -> FloatArray:
        """Length of each piece, (n,), in m."""
        return np.asarray(np.linalg.norm(self.ends[:, 1] - self.ends[:, 0], axis=1))

    @property
    def text(self) -> str:
        """How long they are together, whatever a mesh cuts them into, and how sharp, in words."""
        least, most = (f"{np.degrees(turn):.0f}" for turn in (self.turn.min(), self.turn.max()))
        span = most if least == most else f"{least} to {most}"
        long_mm = 1e3 * self.lengths.sum()
        return f"sharp inner corners along {long_mm:.0f} mm, where faces turn by {span}\u00b0"

    def off(self, radius_m: float) -> FloatArray:
        """Return how far a radius stays off each piece, (n,), in m."""
        return np.asarray(radius_m * (1 / np.cos(self.turn / 2) - 1))

    def largest_off(self, radius_m: float) -> tuple[float, FloatArray]:
        """Return how far a radius stays off at most, in m, and in which place."""
        off = self.off(radius_m)
        worst = int(off.argmax())
        return float(off[worst]), self.middles[worst]

    def near(self, points: FloatArray, radius_m: float) -> NDArray[np.bool_]:
        """Return which points, (n, 3), a radius in these corners covers."""
        if not len(self.turn):
            return np.zeros(len(points), dtype=bool)
        places = np.concatenate([finely(line, _EDGE_STEP_M) for line in self.ends])
        reach = radius_m * math.tan(float(self.turn.max()) / 2) + _EDGE_STEP_M
        return np.asarray(cKDTree(places).query(points)[0] <= reach)


@dataclass(frozen=True, kw_only=True)
class RegionOff:
    """How far a region of the front is off by what stays in its corners.

    Attributes
    ----------
    region : str
        Its name.
    largest_m, rms_m : float
        At most, and in the root mean square over its area.
    limit_m : float
        What it may be off.
    is_acoustic : bool
        Whether that is the change that costs 0.5 dB, held against the root mean square; else it
        is the general tolerance, held against the largest.
    is_borrowed : bool
        Whether it is that of the most sensitive other region: no dimension that was changed moves
        this one.
    """

    region: str
    largest_m: float
    rms_m: float
    limit_m: float
    is_acoustic: bool
    is_borrowed: bool = False

    @property
    def share(self) -> float:
        """Of its limit."""
        return (self.rms_m if self.is_acoustic else self.largest_m) / self.limit_m

    @property
    def text(self) -> str:
        """All of it in a few words."""
        is_known = math.isfinite(self.limit_m)
        limit = f"{self.limit_m * 1e3:.2g} mm" if is_known else "any size"
        if self.is_acoustic:
            whose = " of the most sensitive region" if self.is_borrowed else ""
            cost = f"where {limit}{whose} would cost" if is_known else "where none costs"
            return f"{self.region} {self.rms_m * 1e3:.2g} mm r.m.s. off, {cost} 0.5 dB"
        size = f"{self.region} {self.largest_m * 1e3:.2g} mm off at most"
        return f"{size}, where ISO 2768-m allows {limit}"


def inner_corners(
    mesh: Mesh, front: NDArray[np.bool_], edges: Sequence[SolidEdge]
) -> InnerCorners:
    """Return where two faces meet in a sharp inner corner.

    Parameters
    ----------
    mesh : Mesh
        The solid.
    front : (n_triangles,) array of bool
        What is made from the front.
    edges : sequence of SolidEdge
        Those of the exact solid: between the triangles of a small fillet there are bends, too.
    """
    sides = sides_of(mesh)
    once = sides.start < sides.end
    one, two = sides.owner[once], sides.other[once]
    away = mesh.centroids[two] - mesh.centroids[one]
    # Concave where the neighbour rises over this triangle's plane.
    rises = np.einsum("ij,ij->i", away, mesh.normals[one]) > 0
    turn = np.arccos(np.clip(np.einsum("ij,ij->i", mesh.normals[one], mesh.normals[two]), -1, 1))
    sharp = rises & (turn > math.radians(LEAST_TURN_DEG)) & front[one] & front[two]
    ends = mesh.vertices[np.column_stack((sides.start[once], sides.end[once]))]
    sharp[sharp] = _on_edges(ends[sharp], edges)
    beside = np.stack((mesh.centroids[one[sharp]], mesh.centroids[two[sharp]]), axis=1)
    return InnerCorners(ends=ends[sharp], turn=turn[sharp], beside=beside)


def _on_edges(segments: FloatArray, edges: Sequence[SolidEdge]) -> NDArray[np.bool_]:
    """Return which segments, (n, 2, 3), lie along an edge of the solid that bends."""
    bent = [finely(edge.points_m, _EDGE_STEP_M) for edge in edges if not edge.is_smooth]
    if not bent or not len(segments):
        return np.zeros(len(segments), dtype=bool)
    tree = cKDTree(np.concatenate(bent))
    # Both ends are corners of the mesh on the edge; one end alone is that of an edge across.
    away, _ = tree.query(segments.reshape(-1, 3))
    return np.asarray((away.reshape(-1, 2) < _EDGE_STEP_M).all(axis=1))


def regions_off(
    corners: InnerCorners,
    radius_m: float,
    datum: Datum,
    limits: Mapping[str, tuple[float, bool]],
) -> tuple[RegionOff, ...]:
    """Return how far a radius in all corners puts each region off that it touches.

    Parameters
    ----------
    corners : InnerCorners
        All of the part.
    radius_m : float
        The cutter's.
    datum : Datum
        The nominal surface with its regions.
    limits : mapping of str to (float, bool)
        By region, as `limits.region_limits` gives them.
    """
    is_cabinet = np.char.startswith(datum.nominal.surface.astype(str), "cabinet")
    formed = np.flatnonzero(~datum.is_driver & ~is_cabinet)
    strictest = min((limit for limit, known in limits.values() if known), default=math.inf)
    tree = cKDTree(datum.nominal.centroids[formed])
    middles = corners.middles[:, None]
    into = corners.beside - middles
    long = np.linalg.norm(into, axis=2, keepdims=True)
    places = middles + into * np.minimum(1.0, radius_m / np.maximum(long, 1e-9))
    names = datum.region[formed[tree.query(places.reshape(-1, 3))[1]]].reshape(-1, 2)
    largest = corners.off(radius_m)
    square = corners.lengths * _square(corners.turn, radius_m)
    found = []
    for name in np.unique(names).tolist():
        area = float(datum.nominal.areas[datum.region == name].sum())
        limit, is_acoustic = limits[name]
        is_borrowed = not is_acoustic and strictest < math.inf
        found.append(
            RegionOff(
                region=str(name),
                largest_m=float(largest[(names == name).any(axis=1)].max()),
                rms_m=math.sqrt(float(square @ (names == name).sum(axis=1)) / area),
                limit_m=strictest if is_borrowed else limit,
                is_acoustic=is_acoustic or is_borrowed,
                is_borrowed=is_borrowed,
            )
        )
    return tuple(found)


def _square(turn: FloatArray, radius: float) -> FloatArray:
    """Return the squared distance integrated along one of the faces, in m^3."""
    long = radius * np.tan(turn / 2)
    root = long * np.hypot(radius, long) + radius**2 * np.arcsinh(long / radius)
    return np.asarray(2 * radius**2 * long + long**3 / 3 - radius * root)
