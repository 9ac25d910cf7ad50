# SPDX-License-Identifier: GPL-3.0-or-later
r"""The height by which a front is carved: smooth by construction, and within its limits.

Bumps of Gaussian shape stand on a grid; their amounts c are what is searched. With B the bumps
at a place and :math:`u = B c`,

.. math:: h = m \, s(u), \qquad s(u) = a \tanh(u / a)

where m is the share of the room and a the largest height out, or in: so no limit is ever passed.
Since c and not h is what is searched, a step down the slope of c is one down the slope of h,
smoothed twice over the length of a bump: the metric of a Gaussian.

A curvature of the finished surface near 1/R costs something (`CarvedHeight.bending`), and ever
more the nearer it is: so a descent turns and goes along the limit, where steps would else be cut
to nothing. The cost is an integral over the surface, so it does not depend on the step of the
maps. Above 1/R a step is not taken. Where the front is tighter itself, its own curvature is the
limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import ndimage

from bafflelens.base.conventions import BoolArray, FloatArray
from bafflelens.run.carving.curvature import TIGHTER, bending, curvatures, largest_curvature
from bafflelens.run.carving.narrow_bumps import NarrowBumps, limited
from bafflelens.run.carving.room import CarvingRoom

_BUMPS_APART: Final = 0.8  # in lengths of a bump
_COST_DB: Final = 4.0  # a scale of it, for 10 cm^2
_COST_AREA_M2: Final = 1e-3
_ALIKE_M: Final = 1e-6  # by which both halves of a front may differ
_MOVED_M: Final = 1e-5


@dataclass(frozen=True, kw_only=True, eq=False)
class Places:
    """Points at which heights are wanted.

    Attributes
    ----------
    left, up : (n, n_y), (n, n_z) arrays
        Bumps at each point along y and z; their product is a bump.
    share, outward_m, inward_m : (n,) arrays
        The limits there.
    """

    left: FloatArray
    up: FloatArray
    share: FloatArray
    outward_m: FloatArray
    inward_m: FloatArray


@dataclass(frozen=True)
class Radii:
    """The smallest radii of a finished surface where it was moved, in m; of all if nowhere.

    Attributes
    ----------
    radius_m, y_m, z_m : float
        Where the front keeps the radius before, and where that is.
    tight_m, tight_y_m, tight_z_m : float
        Where the front is tighter itself, infinite if it nowhere is; and where that is.
    tight_before_m : float
        The smallest there before.
    tight_share : float
        Share of the area that is tighter itself.
    """

    radius_m: float
    y_m: float = 0.0
    z_m: float = 0.0
    tight_m: float = float("inf")
    tight_y_m: float = 0.0
    tight_z_m: float = 0.0
    tight_before_m: float = float("inf")
    tight_share: float = 0.0


class CarvedHeight:
    """Heights of the front, and what they do, in terms of amounts of bumps.

    Parameters
    ----------
    room : CarvingRoom
        The limits.
    mirror : bool
        Whether left and right are alike.
    """

    def __init__(self, room: CarvingRoom, *, mirror: bool) -> None:
        self.room = room
        self._mirror = mirror
        free = room.share > 0
        step = _BUMPS_APART * room.smoothing_m
        self._y = _centres(room.y_m[free.any(axis=1)], step, room.smoothing_m, half=mirror)
        self._z = _centres(room.z_m[free.any(axis=0)], step, room.smoothing_m, half=False)
        self._left, self._up = self._bumps(room.y_m, room.z_m)
        self._look_at_part()

    @property
    def shape(self) -> tuple[int, int]:
        """How many amounts there are."""
        return (len(self._y), len(self._z))

    def places(self, points: FloatArray) -> Places:
        """Return what is needed to tell the heights at points (n, 2), y and z in m."""
        room = self.room
        left, up = self._bumps(points[:, 0], points[:, 1])
        return Places(
            left=left,
            up=up,
            share=np.clip(room.at(room.share, points), 0.0, 1.0),
            outward_m=np.maximum(room.at(room.outward_m, points), 0.0),
            inward_m=np.maximum(room.at(room.inward_m, points), 0.0),
        )

    def heights(self, amounts: FloatArray, places: Places) -> tuple[FloatArray, FloatArray]:
        """Return the heights in m, and by how much each follows its u."""
        raised = np.einsum("nz,nz->n", places.left @ amounts, places.up)
        height, follows = limited(raised, places.share, places.outward_m, places.inward_m)
        return np.asarray(height), np.asarray(follows)

    def slope(self, by_height: FloatArray, follows: FloatArray, places: Places) -> FloatArray:
        """Return the slope with respect to amounts, from that with respect to heights."""
        moved = (by_height * follows)[:, np.newaxis] * places.left
        return np.asarray(moved.T @ places.up)

    def on_map(self, amounts: FloatArray) -> FloatArray:
        """Return the heights on the maps of the room, (n_y, n_z), in m."""
        raised = self._left @ amounts @ self._up.T
        room = self.room
        return np.asarray(limited(raised, room.share, room.outward_m, room.inward_m)[0])

    def change_on_map(self, change: FloatArray) -> float:
        """Return by how much a change of the amounts moves the surface at most, in m."""
        moved = self.room.share * (self._left @ change @ self._up.T)
        return float(np.abs(moved).max())

    def radii(self, amounts: FloatArray) -> Radii:
        """Return the smallest radii of the finished surface, and where they are."""
        height = self._on_part(amounts)[0]
        found = curvatures(height, self._bends, self.room.step_m)
        y, z = self.room.y_m[self._rows], self.room.z_m[self._columns]

        def smallest(curvature: FloatArray, where: BoolArray) -> tuple[float, float, float]:
            if not where.any():
                return float("inf"), 0.0, 0.0
            place = np.argmax(np.where(where, curvature, -1.0))
            row, column = np.unravel_index(place, curvature.shape)
            return float(1 / curvature[row, column]), float(y[row]), float(z[column])

        is_free = self._weights > 0
        is_moved = np.abs(height) > _MOVED_M
        if (is_free & is_moved).any():
            is_free &= is_moved
        is_tight = is_free & ~self._limit.is_kept
        own = np.where(is_tight, self._limit.most / (1 + TIGHTER), 0.0)
        return Radii(
            *smallest(found, is_free & self._limit.is_kept),
            *smallest(found, is_tight),
            tight_before_m=smallest(own, is_tight)[0],
            tight_share=float(self._weights[is_tight].sum() / self._weights[is_free].sum()),
        )

    def keeps_radius(self, amounts: FloatArray) -> bool:
        """Whether no place is tighter than the radius, or than it is by itself if that is less."""
        beyond = self._curvatures(amounts) > self._limit.most
        return not bool((beyond & (self._weights > 0)).any())

    def bending(self, amounts: FloatArray) -> tuple[float, FloatArray]:
        """Return what curvature near the limit costs in dB, and the slope of that."""
        height, follows = self._on_part(amounts)
        cost, by_height = bending(
            height, self._bends, self._limit, self._weights, self.room.step_m
        )
        weight = _COST_DB * self.room.step_m**2 / _COST_AREA_M2
        slope = self._bumps_here.back(by_height * follows)
        return weight * cost, weight * slope

    def _curvatures(self, amounts: FloatArray) -> FloatArray:
        return curvatures(self._on_part(amounts)[0], self._bends, self.room.step_m)

    def _on_part(self, amounts: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return heights where anything may move, and how they follow; one half of alike ones."""
        raised = self._bumps_here.on(amounts)
        height, slope = limited(raised, self._share, self._outward, self._inward)
        return np.asarray(height), np.asarray(slope)

    def _look_at_part(self) -> None:
        """Keep what is asked of the maps many times a step, where anything may move."""
        room, free = self.room, self.room.share > 0
        near = ndimage.binary_dilation(free, np.ones((3, 3)), 2)
        weights = ndimage.binary_dilation(free, np.ones((3, 3))).astype(float)
        if self._mirror and _is_mirrored(room.surface_m):
            middle = len(room.y_m) // 2
            weights[:middle] = 0.0
            weights[middle + 1 :] *= 2.0
            near[: middle - 1] = False
        rows, columns = (np.flatnonzero(near.any(axis=axis)) for axis in (1, 0))
        self._rows = slice(rows[0], rows[-1] + 1)
        self._columns = slice(columns[0], columns[-1] + 1)
        part = (self._rows, self._columns)
        self._share, self._outward, self._inward, self._weights = (
            np.ascontiguousarray(values[part])
            for values in (room.share, room.outward_m, room.inward_m, weights)
        )
        self._bumps_here = NarrowBumps.of(self._left[self._rows], self._up[self._columns])
        self._bends = room.bends.only(*part)
        self._limit = largest_curvature(self._bends, room.radius_m, room.step_m)

    def _bumps(self, y: FloatArray, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        length = self.room.smoothing_m
        left, up = _bump(y, self._y, length), _bump(z, self._z, length)
        if self._mirror:
            left = left + _bump(y, -self._y, length)
        return left, up


def _bump(places: FloatArray, centres: FloatArray, length: float) -> FloatArray:
    return np.asarray(np.exp(-0.5 * ((places[:, np.newaxis] - centres) / length) ** 2))


def _centres(free: FloatArray, step: float, reach: float, *, half: bool) -> FloatArray:
    """Return where bumps stand along one axis, alike on both sides of 0 but for what is free."""
    low, high = free.min() - reach, free.max() + reach
    first = 0 if half else int(np.floor(low / step))
    return np.asarray(np.arange(first, int(np.ceil(high / step)) + 1) * step, dtype=float)


def _is_mirrored(surface_m: FloatArray) -> bool:
    """Return whether a front is the same on both sides."""
    alike = np.abs(surface_m - surface_m[::-1]) < _ALIKE_M
    return bool((alike | np.isnan(surface_m)).all())
