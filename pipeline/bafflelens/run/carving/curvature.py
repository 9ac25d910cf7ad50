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
        yy, zz, yz = (by_curvature * part for part in self.by_second)
        y, z = (by_curvature * part for part in self.by_first)
        step = self.step_m
        return (
            _second_back(yy, 0, step)
            + _second_back(zz, 1, step)
            + _first_back(_first_back(yz, 1, step) + y, 0, step)
            + _first_back(z, 1, step)
        )


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
    yy, zz = (_second(height, axis, step_m) for axis in (0, 1))
    y, z = (_first(height, axis, step_m) for axis in (0, 1))
    yz = _first(y, 1, step_m)
    p, q = along_y + y, along_z + z
    flat = 1 / (1 + p**2 + q**2)
    by_sum, by_product = flat * np.sqrt(flat), flat * flat
    sum_of = (1 + q**2) * yy - 2 * p * q * yz + (1 + p**2) * zz
    product_of = yy * zz - yz**2
    half, product = sum_of * by_sum / 2, product_of * by_product
    apart = np.sqrt(np.maximum(half**2 - product, 0.0) + _LEAST**2)
    by_half = (np.sign(half) + half / apart) / 2  # with T
    by_apart = -0.5 / apart  # with G
    in_sum, in_product = by_half * by_sum, by_apart * by_product
    steeper = -flat * (6 * half * by_half + 4 * product * by_apart)
    return Curvature(
        largest=np.abs(half) + apart,
        by_second=(
            in_sum * (1 + q**2) + in_product * zz,
            in_sum * (1 + p**2) + in_product * yy,
            -2 * (in_sum * p * q + in_product * yz),
        ),
        by_first=(
            2 * in_sum * (p * zz - q * yz) + steeper * p,
            2 * in_sum * (q * yy - p * yz) + steeper * q,
        ),
        step_m=step_m,
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


def _second(field: FloatArray, axis: int, step: float) -> FloatArray:
    """Return second differences along an axis, 0 at both ends."""
    before, inner, after = _thirds(axis)
    found = np.zeros_like(field)
    found[inner] = (field[after] - 2 * field[inner] + field[before]) / step**2
    return found


def _second_back(field: FloatArray, axis: int, step: float) -> FloatArray:
    """Return the transpose of `_second`."""
    before, inner, after = _thirds(axis)
    found, shared = np.zeros_like(field), field[inner] / step**2
    found[after] += shared
    found[inner] -= 2 * shared
    found[before] += shared
    return found


def _first(field: FloatArray, axis: int, step: float) -> FloatArray:
    """Return central differences along an axis, 0 at both ends."""
    before, inner, after = _thirds(axis)
    found = np.zeros_like(field)
    found[inner] = (field[after] - field[before]) / (2 * step)
    return found


def _first_back(field: FloatArray, axis: int, step: float) -> FloatArray:
    """Return the transpose of `_first`."""
    before, inner, after = _thirds(axis)
    found, shared = np.zeros_like(field), field[inner] / (2 * step)
    found[after] += shared
    found[before] -= shared
    return found


def _thirds(axis: int) -> tuple[tuple[slice, ...], ...]:
    """Return what picks all places but the last two, the ends, the first two along an axis."""
    parts = (slice(None, -2), slice(1, -1), slice(2, None))
    return tuple((part,) if axis == 0 else (slice(None), part) for part in parts)
