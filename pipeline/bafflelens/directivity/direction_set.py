# SPDX-License-Identifier: GPL-3.0-or-later
"""The directions that every candidate is heard from: a sphere, and two orbits around it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray, direction_vectors

ORBIT_STEP_DEG: Final = 2.5
SPHERE_STEP_DEG: Final = 5.0


@dataclass(frozen=True, eq=False)
class DirectionSet:
    """Directions in which the far field is evaluated.

    Attributes
    ----------
    azimuth_deg, elevation_deg : (n_directions,) array
        Angles in degrees, in the sense of `bafflelens.base.conventions`.
    weight : (n_directions,) array
        Quadrature weight over the sphere in sr; the sum is 4 pi. Zero for the directions that
        only the orbits have.
    """

    azimuth_deg: FloatArray
    elevation_deg: FloatArray
    weight: FloatArray

    @property
    def n_directions(self) -> int:
        """Number of directions."""
        return int(self.azimuth_deg.size)

    @cached_property
    def vectors(self) -> FloatArray:
        """Unit vectors, (n_directions, 3)."""
        return direction_vectors(self.azimuth_deg, self.elevation_deg)

    def only(self, numbers: Sequence[int]) -> DirectionSet:
        """Return some of the directions; all where none is named."""
        if not len(numbers):
            return self
        chosen = np.asarray(numbers, dtype=np.int64)
        return DirectionSet(
            self.azimuth_deg[chosen], self.elevation_deg[chosen], self.weight[chosen]
        )


@cache
def directions() -> DirectionSet:
    """Return both orbits at 2.5 degrees and a sphere grid at 5 degrees, shared points once.

    The first 144 directions are the horizontal orbit, the next 142 the rest of the vertical
    orbit, then come those of the sphere that neither orbit has. All angles are multiples of
    2.5 degrees and so exact in binary. Each pole is one direction with azimuth 0.

    Returns
    -------
    DirectionSet
        2,666 directions.
    """
    orbit = np.arange(-180 + ORBIT_STEP_DEG, 180 + ORBIT_STEP_DEG, ORBIT_STEP_DEG)
    ring_azimuth = np.arange(-180 + SPHERE_STEP_DEG, 180 + SPHERE_STEP_DEG, SPHERE_STEP_DEG)
    ring_elevation = np.arange(-90, 90 + SPHERE_STEP_DEG, SPHERE_STEP_DEG)

    weight_of: dict[tuple[float, float], float] = {(float(angle), 0.0): 0.0 for angle in orbit}
    weight_of |= {_over_the_top(float(angle)): 0.0 for angle in orbit}
    ring_weight = _ring_weights(len(ring_elevation)) * 2 * np.pi
    for elevation, weight in zip(ring_elevation, ring_weight, strict=True):
        if abs(elevation) == 90:
            weight_of[(0.0, float(elevation))] = float(weight)
        else:
            weight_of |= {
                (float(azimuth), float(elevation)): float(weight) / len(ring_azimuth)
                for azimuth in ring_azimuth
            }
    angles = np.array(list(weight_of))
    weights = np.array(list(weight_of.values()))
    for kept in (angles, weights):
        kept.flags.writeable = False  # all share them
    return DirectionSet(angles[:, 0], angles[:, 1], weights)


def _over_the_top(angle_deg: float) -> tuple[float, float]:
    """Return azimuth and elevation of an angle on the vertical orbit, in degrees."""
    if abs(angle_deg) <= 90:
        return 0.0, angle_deg
    return 180.0, float(np.copysign(180 - abs(angle_deg), angle_deg))


def _ring_weights(n_rings: int) -> FloatArray:
    """Return Clenshaw-Curtis weights of equal steps from pole to pole; their sum is 2.

    They integrate polynomials in sin(elevation) exactly up to degree n_rings - 1, where the
    solid angles of the cells would be 0.001 dB off for a dipole. All are positive. For an even
    number of steps: J. Waldvogel, BIT 46 (2006) 195-202.
    """
    steps = n_rings - 1
    angle = np.arange(n_rings) * np.pi / steps
    order = np.arange(1, steps // 2 + 1)
    factor = np.where(order == steps // 2, 1.0, 2.0) / (4 * order**2 - 1)
    weight = 2 / steps * (1 - np.cos(2 * np.outer(angle, order)) @ factor)
    weight[[0, -1]] /= 2
    return np.asarray(weight)
