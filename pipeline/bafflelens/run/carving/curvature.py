# SPDX-License-Identifier: GPL-3.0-or-later
r"""How sharply a carved front bends, and what it costs to come near the limit.

The front is :math:`x = s(y, z)`, and a height h is added along the reference axis. With the slopes
:math:`p = s_y + h_y, q = s_z + h_z` of what comes of it, its second derivatives
:math:`b_{yy} = s_{yy} + h_{yy}` and so on, and :math:`D = 1 + p^2 + q^2`, the shape operator of
the finished surface has the invariants

.. math::

    T = \frac{(1 + q^2) b_{yy} - 2 p q b_{yz} + (1 + p^2) b_{zz}}{D^{3/2}}, \qquad
    G = \frac{b_{yy} b_{zz} - b_{yz}^2}{D^2}

(M. do Carmo, Differential Geometry of Curves and Surfaces, section 3-3, example 5, from memory),
and the larger principal curvature is :math:`|T/2| + \sqrt{T^2/4 - G}`. So on a wall that runs
along the axis h may bend more before a cutter or a thumb meets a tight radius, and where the front
is bent itself less.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numba import njit

from bafflelens.base.conventions import FloatArray

_LEAST: Final = 1e-3  # in 1/m, so that a flat place has a slope
_FREE: Final = 0.94  # of the limit; above, curvature costs
_NEAR_WALL: Final = 0.9  # of the way between; from here on the cost goes on as a parabola

TIGHTER: Final = 0.01
"""A place that is tighter than the radius by itself may get tighter by this share: rounding."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Bends:
    """Derivatives of a front x = s(y, z) on a map, each (n_y, n_z); 0 beside it.

    Attributes
    ----------
    y, z : arrays
        Slopes.
    yy, zz, yz : arrays
        Second derivatives, in 1/m.
    """

    y: FloatArray
    z: FloatArray
    yy: FloatArray
    zz: FloatArray
    yz: FloatArray

    @classmethod
    def flat(cls, shape: tuple[int, int]) -> Bends:
        """Return those of a level front."""
        return cls(**{part.name: np.zeros(shape) for part in fields(cls)})

    def only(self, rows: slice, columns: slice) -> Bends:
        """Return a part of the map."""
        return Bends(
            **{part.name: getattr(self, part.name)[rows, columns].copy() for part in fields(self)}
        )

    @property
    def arrays(self) -> tuple[FloatArray, ...]:
        """All of them, in order."""
        return tuple(getattr(self, part.name) for part in fields(self))


@dataclass(frozen=True, kw_only=True, eq=False)
class CurvatureLimit:
    """How far each place may bend.

    Attributes
    ----------
    free : (n_y, n_z) array
        In 1/m; above, curvature costs.
    most : (n_y, n_z) array
        In 1/m; there it would cost infinitely much.
    is_kept : (n_y, n_z) array of bool
        Where the front itself keeps the radius.
    radius_m : float
        The radius.
    """

    free: FloatArray
    most: FloatArray
    is_kept: np.ndarray
    radius_m: float


def largest_curvature(before: Bends, radius_m: float, step_m: float) -> CurvatureLimit:
    """Return how far each place of a front may bend: by the radius, or as it does by itself."""
    own = curvatures(np.zeros(before.y.shape), before, step_m)
    return CurvatureLimit(
        free=np.maximum(_FREE / radius_m, own),
        most=np.maximum(1 / radius_m, (1 + TIGHTER) * own),
        is_kept=own <= 1 / radius_m,
        radius_m=radius_m,
    )


def curvatures(height: FloatArray, before: Bends, step_m: float) -> FloatArray:
    """Return the larger principal curvature of a front with a height on it.

    Parameters
    ----------
    height : (n_y, n_z) array
        What is added, in m.
    before : Bends
        The front.
    step_m : float
        Step of the map.

    Returns
    -------
    (n_y, n_z) array
        In 1/m.
    """
    found = np.empty(height.shape)
    _set_curvatures(height, *before.arrays, step_m, found)
    return found


def bending(
    height: FloatArray, before: Bends, limit: CurvatureLimit, weights: FloatArray, step_m: float
) -> tuple[float, FloatArray]:
    """Return what curvature near the limit costs, and the slope of that with the heights.

    With e the curvature above the free one and w from there to the limit, both times the radius,
    a place costs e^2 / (w - e). Near the wall it goes on as the parabola that osculates it, so
    that a search that looks beyond is told the way back.

    Parameters
    ----------
    height : (n_y, n_z) array
        What is added, in m.
    before : Bends
        The front.
    limit : CurvatureLimit
        How far it may bend.
    weights : (n_y, n_z) array
        Of each place; 0 where none is looked at.
    step_m : float
        Step of the map.
    """
    by_height = np.zeros(height.shape)
    total = _add_costs(
        height,
        *before.arrays,
        limit.free,
        limit.most,
        weights,
        limit.radius_m,
        step_m,
        by_height,
    )
    return float(total), by_height


@njit(cache=True, error_model="numpy")
def _set_curvatures(height, y, z, yy, zz, yz, step, out):
    rows, columns = height.shape
    for i in range(rows):
        for j in range(columns):
            added = _differences(height, i, j, step)
            out[i, j] = _curvature(
                y[i, j] + added[0], z[i, j] + added[1],
                yy[i, j] + added[2], zz[i, j] + added[3], yz[i, j] + added[4],
            )[0]  # fmt: skip


@njit(cache=True, error_model="numpy")
def _add_costs(height, y, z, yy, zz, yz, free, most, weights, radius, step, out):
    """Return the cost, and add its slope with each height to ``out``."""
    rows, columns = height.shape
    total = 0.0
    bent = np.empty(columns)
    for i in range(rows):
        _set_bends(height, yy, zz, yz, i, step, bent)
        for j in range(columns):
            if bent[j] < free[i, j] - _LEAST or weights[i, j] == 0:
                continue  # no slope makes more of them
            added = _differences(height, i, j, step)
            b_yy, b_zz, b_yz = yy[i, j] + added[2], zz[i, j] + added[3], yz[i, j] + added[4]
            p, q = y[i, j] + added[0], z[i, j] + added[1]
            largest, half, apart, product = _curvature(p, q, b_yy, b_zz, b_yz)
            excess = (largest - free[i, j]) * radius
            if excess <= 0:
                continue
            wide = (most[i, j] - free[i, j]) * radius
            cost, by_excess = _barrier(excess, wide)
            total += weights[i, j] * cost
            parts = _slopes(p, q, b_yy, b_zz, b_yz, half, apart, product)
            _add_back(out, i, j, weights[i, j] * by_excess * radius, parts, step)
    return total


@njit(cache=True, error_model="numpy")
def _set_bends(height, yy, zz, yz, i, step, out):
    """Set ``out`` to what no curvature of a row exceeds; short, so that it takes vectors."""
    rows, columns = height.shape
    bend = 1 / (step * step)
    if not 0 < i < rows - 1:
        out[:] = np.inf
        return
    out[0] = out[columns - 1] = np.inf
    inner = out[1 : columns - 1]
    own_yy, own_zz, own_yz = yy[i, 1:], zz[i, 1:], yz[i, 1:]
    before, here, after = height[i - 1], height[i], height[i + 1]
    for j in range(columns - 2):
        middle = here[j + 1]
        b_yy = own_yy[j] + (after[j + 1] - 2 * middle + before[j + 1]) * bend
        b_zz = own_zz[j] + (here[j + 2] - 2 * middle + here[j]) * bend
        twist = after[j + 2] - before[j + 2] - after[j] + before[j]
        inner[j] = max(abs(b_yy), abs(b_zz)) + abs(own_yz[j] + 0.25 * twist * bend)


@njit(cache=True, error_model="numpy")
def _differences(height, i, j, step):
    """Return the derivatives y, z, yy, zz, yz; none goes beyond the ends of the map."""
    rows, columns = height.shape
    inner_y, inner_z = 0 < i < rows - 1, 0 < j < columns - 1
    yy = zz = yz = y = z = 0.0
    tilt, bend = 0.5 / step, 1 / (step * step)
    if inner_y:
        after, before = height[i + 1, j], height[i - 1, j]
        yy = (after - 2 * height[i, j] + before) * bend
        y = (after - before) * tilt
    if inner_z:
        after, before = height[i, j + 1], height[i, j - 1]
        zz = (after - 2 * height[i, j] + before) * bend
        z = (after - before) * tilt
    if inner_y and inner_z:
        above = height[i + 1, j + 1] - height[i - 1, j + 1]
        yz = 0.25 * (above - height[i + 1, j - 1] + height[i - 1, j - 1]) * bend
    return y, z, yy, zz, yz


@njit(cache=True, error_model="numpy")
def _curvature(p, q, yy, zz, yz):
    """Return the larger principal curvature, T / 2, what is added to that, and G."""
    flat = 1 / (1 + p * p + q * q)
    sum_of = (1 + q * q) * yy - 2 * p * q * yz + (1 + p * p) * zz
    half, product = sum_of * flat * np.sqrt(flat) / 2, (yy * zz - yz * yz) * flat * flat
    apart = np.sqrt(max(half * half - product, 0.0) + _LEAST * _LEAST)
    return abs(half) + apart, half, apart, product


@njit(cache=True, error_model="numpy")
def _slopes(p, q, yy, zz, yz, half, apart, product):
    """Return the slopes of that curvature with y, z, yy, zz and yz."""
    flat = 1 / (1 + p * p + q * q)
    by_sum, by_product = flat * np.sqrt(flat), flat * flat
    by_half = (np.sign(half) + half / apart) / 2  # with T
    by_apart = -0.5 / apart  # with G
    in_sum, in_product = by_half * by_sum, by_apart * by_product
    steeper = -flat * (6 * half * by_half + 4 * product * by_apart)
    return (
        2 * in_sum * (p * zz - q * yz) + steeper * p,
        2 * in_sum * (q * yy - p * yz) + steeper * q,
        in_sum * (1 + q * q) + in_product * zz,
        in_sum * (1 + p * p) + in_product * yy,
        -2 * (in_sum * p * q + in_product * yz),
    )


@njit(cache=True, error_model="numpy")
def _barrier(excess, wide):
    """Return what an excess costs, and the slope of that: see `bending`."""
    joint = _NEAR_WALL * wide
    left = wide - joint
    before, beyond = min(excess, joint), max(excess - joint, 0.0)
    share = before / (wide - before)
    bend = 2 * wide**2 / left**3
    cost = before * share + (2 + joint / left) * joint / left * beyond + bend / 2 * beyond**2
    return cost, (2 + share) * share + bend * beyond


@njit(cache=True, error_model="numpy")
def _add_back(out, i, j, weight, parts, step):
    """Add the slope with each height: the differences of `_differences`, transposed."""
    rows, columns = out.shape
    inner_y, inner_z = 0 < i < rows - 1, 0 < j < columns - 1
    by_y, by_z, by_yy, by_zz, by_yz = parts
    if inner_y:
        bend, tilt = weight * by_yy / step**2, weight * by_y / (2 * step)
        out[i + 1, j] += bend + tilt
        out[i, j] -= 2 * bend
        out[i - 1, j] += bend - tilt
    if inner_z:
        bend, tilt = weight * by_zz / step**2, weight * by_z / (2 * step)
        out[i, j + 1] += bend + tilt
        out[i, j] -= 2 * bend
        out[i, j - 1] += bend - tilt
    if inner_y and inner_z:
        twist = weight * by_yz / (4 * step**2)
        out[i + 1, j + 1] += twist
        out[i - 1, j + 1] -= twist
        out[i + 1, j - 1] -= twist
        out[i - 1, j - 1] += twist
