# SPDX-License-Identifier: GPL-3.0-or-later
r"""The height by which a front is carved: smooth by construction, and within its limits.

Bumps of Gaussian shape stand on a grid; their amounts c are what is searched. With B the bumps
at a place and :math:`u = B c`,

.. math:: h = m \, s(u), \qquad s(u) = a \tanh(u / a)

where m is the share of the room and a the largest height out, or in: so no limit is ever passed.
Since c and not h is what is searched, a step down the slope of c is one down the slope of h,
smoothed twice over the length of a bump: the metric of a Gaussian.

A curvature of h near 1/R costs something (`CarvedHeight.bending`), and ever more the nearer it
is: so a descent turns and goes along the limit, where steps would else be cut to nothing. The
cost is an integral over the surface, so it does not depend on the step of the maps. Above 1/R a
step is not taken.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.run.carving.curvature import Curvature, curvature_of
from bafflelens.run.carving.room import CarvingRoom

_BUMPS_APART: Final = 0.8  # in lengths of a bump
_FREE_CURVATURE: Final = 0.85  # of 1/R; above, curvature costs
_WALL_CURVATURE: Final = 1.0  # of 1/R; there it would cost infinitely much
_NEAR_WALL: Final = 0.9  # of the way between; from here on the cost goes on as a parabola
_COST_DB: Final = 4.0  # a scale of it, for 10 cm^2
_COST_AREA_M2: Final = 1e-3


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
        height, slope = _limited(raised, places.outward_m, places.inward_m)
        return places.share * height, places.share * slope

    def slope(self, by_height: FloatArray, follows: FloatArray, places: Places) -> FloatArray:
        """Return the slope with respect to amounts, from that with respect to heights."""
        moved = (by_height * follows)[:, np.newaxis] * places.left
        return np.asarray(moved.T @ places.up)

    def on_map(self, amounts: FloatArray) -> FloatArray:
        """Return the heights on the maps of the room, (n_y, n_z), in m."""
        return self._on_map(amounts)[0]

    def change_on_map(self, change: FloatArray) -> float:
        """Return by how much a change of the amounts moves the surface at most, in m."""
        moved = self.room.share * (self._left @ change @ self._up.T)
        return float(np.abs(moved).max())

    def smallest_radius_m(self, amounts: FloatArray) -> float:
        """Return the smallest radius of what is added or taken, in m."""
        return float(1 / self._curvature(self.on_map(amounts)).largest.max())

    def bending(self, amounts: FloatArray) -> tuple[float, FloatArray]:
        """Return what curvature near the limit costs in dB, and the slope of that."""
        height, follows = self._on_map(amounts)
        curvature = self._curvature(height)
        radius = self.room.radius_m
        excess = curvature.largest * radius - _FREE_CURVATURE
        is_bent = excess > 0  # elsewhere both are 0
        cost, by_excess = _barrier(excess[is_bent])
        weight = _COST_DB * self.room.step_m**2 / _COST_AREA_M2
        by_curvature = np.zeros_like(excess)
        by_curvature[is_bent] = weight * radius * by_excess
        by_height = curvature.slope(by_curvature)
        slope = self._left.T @ (by_height * follows) @ self._up
        return float(weight * cost.sum()), slope

    def _on_map(self, amounts: FloatArray) -> tuple[FloatArray, FloatArray]:
        raised = self._left @ amounts @ self._up.T
        height, slope = _limited(raised, self.room.outward_m, self.room.inward_m)
        return self.room.share * height, self.room.share * slope

    def _curvature(self, height: FloatArray) -> Curvature:
        return curvature_of(height, self.room.along_y, self.room.along_z, self.room.step_m)

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


def _limited(
    raised: FloatArray, outward: FloatArray, inward: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return what stays within the limits, and how fast it follows."""
    limit = np.maximum(np.where(raised >= 0, outward, inward), 1e-9)
    share = np.tanh(raised / limit)
    return limit * share, 1 - share**2


def _barrier(excess: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return a cost of what is above the free curvature, and its slope: e^2 / (w - e).

    Near the wall w it goes on as the parabola that osculates it, so that a search that looks
    beyond is told the way back.
    """
    wide = _WALL_CURVATURE - _FREE_CURVATURE
    joint = _NEAR_WALL * wide
    left = wide - joint
    before = np.clip(excess, 0.0, joint)
    beyond = np.maximum(excess - joint, 0.0)
    share = before / (wide - before)
    bend = 2 * wide**2 / left**3
    cost = before * share + (2 + joint / left) * joint / left * beyond + bend / 2 * beyond**2
    return cost, (2 + share) * share + bend * beyond
