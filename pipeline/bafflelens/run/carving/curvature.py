# SPDX-License-Identifier: GPL-3.0-or-later
r"""How sharply what is added or taken bends, on the surface as it slopes.

A height h is added along the reference axis to a front :math:`x = s(y, z)`. With the slopes
:math:`p = s_y + h_y, q = s_z + h_z` of what comes of it, :math:`D = 1 + p^2 + q^2`, the shape
operator that the second derivatives of h make on that surface has the invariants

.. math::

    T = \frac{(1 + q^2) h_{yy} - 2 p q h_{yz} + (1 + p^2) h_{zz}}{D^{3/2}}, \qquad
    G = \frac{h_{yy} h_{zz} - h_{yz}^2}{D^2}

(M. do Carmo, Differential Geometry of Curves and Surfaces, section 3-3, example 5, from memory),
and the larger principal curvature is :math:`|T/2| + \sqrt{T^2/4 - G}`. On a plane that is the
curvature of h itself; on a wall that runs along the axis h may bend more before a cutter or a
thumb meets a tight radius. Where the front has a crease, the gentler of its slopes counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numba import njit
from scipy import ndimage

from bafflelens.base.conventions import FloatArray

_LEAST: Final = 1e-3  # in 1/m, so that a flat place has a slope
_CREASE_STEPS: Final = 5  # wide, where the gentlest slope is taken


@dataclass(frozen=True, kw_only=True, eq=False)
class Curvature:
    """The larger principal curvature on a map, and what it follows.

    Attributes
    ----------
    largest : (n_y, n_z) array
        In 1/m.
    by_second : (yy, zz, yz)
        Its slopes with the second derivatives of the height, in m m^-1.
    by_first : (y, z)
        Its slopes with the first ones, in 1/m.
    step_m : float
        Step of the map.
    """

    largest: FloatArray
    by_second: tuple[FloatArray, FloatArray, FloatArray]
    by_first: tuple[FloatArray, FloatArray]
    step_m: float

    def slope(self, by_curvature: FloatArray) -> FloatArray:
        """Return a slope with the heights of the map from that with the curvatures."""
        found = np.zeros_like(self.largest)
        _add_back(by_curvature, *self.by_second, *self.by_first, self.step_m, found)
        return found


def curvature_of(
    height: FloatArray, along_y: FloatArray, along_z: FloatArray, step_m: float
) -> Curvature:
    """Return the curvature that a height makes.

    Parameters
    ----------
    height : (n_y, n_z) array
        What is added to the front, in m.
    along_y, along_z : (n_y, n_z) arrays
        Slopes of the front before, from `gentlest`.
    step_m : float
        Step of the map.
    """
    largest, *parts = np.zeros((6, *height.shape))
    _set_curvatures(height, along_y, along_z, step_m, largest, *parts)
    return Curvature(
        largest=largest, by_second=tuple(parts[:3]), by_first=tuple(parts[3:]), step_m=step_m
    )


def gentlest(along_y: FloatArray, along_z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return at every place the gentlest of the slopes around it, both of the same place.

    Parameters
    ----------
    along_y, along_z : (n_y, n_z) arrays
        Slopes of a front; 0 beside it.
    """
    steepness = np.hypot(along_y, along_z)
    places = np.arange(steepness.size).reshape(steepness.shape)
    order = np.argsort(steepness, axis=None, kind="stable")
    rank = np.empty(steepness.size, dtype=int)
    rank[order] = places.ravel()
    least = ndimage.minimum_filter(rank.reshape(steepness.shape), size=_CREASE_STEPS)
    chosen = order[least]
    return along_y.ravel()[chosen], along_z.ravel()[chosen]


@njit(cache=True, error_model="numpy")
def _set_curvatures(height, along_y, along_z, step, largest, by_yy, by_zz, by_yz, by_y, by_z):
    """Set what a `Curvature` holds; no difference goes beyond the ends of the map."""
    rows, columns = height.shape
    for i in range(rows):
        for j in range(columns):
            inner_y, inner_z = 0 < i < rows - 1, 0 < j < columns - 1
            yy = zz = yz = y = z = 0.0
            if inner_y:
                after, before = height[i + 1, j], height[i - 1, j]
                yy = (after - 2 * height[i, j] + before) / step**2
                y = (after - before) / (2 * step)
            if inner_z:
                after, before = height[i, j + 1], height[i, j - 1]
                zz = (after - 2 * height[i, j] + before) / step**2
                z = (after - before) / (2 * step)
            if inner_y and inner_z:
                above = height[i + 1, j + 1] - height[i - 1, j + 1]
                yz = (above - height[i + 1, j - 1] + height[i - 1, j - 1]) / (4 * step**2)
            if yy == 0 and zz == 0 and yz == 0:
                largest[i, j] = _LEAST
                continue
            p, q = along_y[i, j] + y, along_z[i, j] + z
            flat = 1 / (1 + p * p + q * q)
            by_sum, by_product = flat * np.sqrt(flat), flat * flat
            sum_of = (1 + q * q) * yy - 2 * p * q * yz + (1 + p * p) * zz
            half, product = sum_of * by_sum / 2, (yy * zz - yz * yz) * by_product
            apart = np.sqrt(max(half * half - product, 0.0) + _LEAST * _LEAST)
            largest[i, j] = abs(half) + apart
            by_half = (np.sign(half) + half / apart) / 2  # with T
            by_apart = -0.5 / apart  # with G
            in_sum, in_product = by_half * by_sum, by_apart * by_product
            by_yy[i, j] = in_sum * (1 + q * q) + in_product * zz
            by_zz[i, j] = in_sum * (1 + p * p) + in_product * yy
            by_yz[i, j] = -2 * (in_sum * p * q + in_product * yz)
            steeper = -flat * (6 * half * by_half + 4 * product * by_apart)
            by_y[i, j] = 2 * in_sum * (p * zz - q * yz) + steeper * p
            by_z[i, j] = 2 * in_sum * (q * yy - p * yz) + steeper * q


@njit(cache=True, error_model="numpy")
def _add_back(by_curvature, by_yy, by_zz, by_yz, by_y, by_z, step, out):
    """Add the slope with each height: the differences of `_set_curvatures`, transposed."""
    rows, columns = out.shape
    for i in range(rows):
        for j in range(columns):
            weight = by_curvature[i, j]
            if weight == 0:
                continue
            inner_y, inner_z = 0 < i < rows - 1, 0 < j < columns - 1
            if inner_y:
                bend, tilt = weight * by_yy[i, j] / step**2, weight * by_y[i, j] / (2 * step)
                out[i + 1, j] += bend + tilt
                out[i, j] -= 2 * bend
                out[i - 1, j] += bend - tilt
            if inner_z:
                bend, tilt = weight * by_zz[i, j] / step**2, weight * by_z[i, j] / (2 * step)
                out[i, j + 1] += bend + tilt
                out[i, j] -= 2 * bend
                out[i, j - 1] += bend - tilt
            if inner_y and inner_z:
                twist = weight * by_yz[i, j] / (4 * step**2)
                out[i + 1, j + 1] += twist
                out[i - 1, j + 1] -= twist
                out[i + 1, j - 1] -= twist
                out[i - 1, j - 1] += twist
