# SPDX-License-Identifier: GPL-3.0-or-later
"""Where lines along the reference axis, one a place of a map, cut the triangles of a body."""

from __future__ import annotations

from typing import Final

import numpy as np
from numba import njit

_APART_M: Final = 1e-6  # what lies behind is farther
_LEVEL: Final = 1e-9  # x of a normal: the axis runs along the triangle
_ROUNDING: Final = 1e-12  # in m^2


@njit(cache=True, error_model="numpy")
def set_frontmost(corners, normals, y, z, step, surface, owner):
    """Set x and number of the triangle that each line along the axis meets first."""
    for number in range(len(corners)):
        rows, columns = _reach(corners[number], y, z, step)
        for i in range(*rows):
            for j in range(*columns):
                x = _cut(corners[number], normals[number], y[i], z[j])
                if x > surface[i, j]:
                    surface[i, j], owner[i, j] = x, number


@njit(cache=True, error_model="numpy")
def set_behind(corners, normals, y, z, step, surface, behind):
    """Set x of the nearest triangle behind the frontmost one that faces backwards."""
    for number in range(len(corners)):
        if normals[number, 0] >= 0:
            continue
        rows, columns = _reach(corners[number], y, z, step)
        for i in range(*rows):
            for j in range(*columns):
                x = _cut(corners[number], normals[number], y[i], z[j])
                if behind[i, j] < x < surface[i, j] - _APART_M:
                    behind[i, j] = x


@njit(cache=True, error_model="numpy")
def _reach(corners, y, z, step):
    """Return which rows and columns of a map a triangle may cover, each as (first, end)."""
    low_y, low_z, high_y, high_z = np.inf, np.inf, -np.inf, -np.inf
    for c in range(3):
        low_y, high_y = min(low_y, corners[c, 1]), max(high_y, corners[c, 1])
        low_z, high_z = min(low_z, corners[c, 2]), max(high_z, corners[c, 2])
    rows = (
        max(int(np.floor((low_y - y[0]) / step)), 0),
        min(int(np.ceil((high_y - y[0]) / step)), len(y) - 1) + 1,
    )
    columns = (
        max(int(np.floor((low_z - z[0]) / step)), 0),
        min(int(np.ceil((high_z - z[0]) / step)), len(z) - 1) + 1,
    )
    return rows, columns


@njit(cache=True, error_model="numpy")
def _cut(corners, normal, y, z):
    """Return x where the line at a place meets a triangle; -inf where it does not."""
    if abs(normal[0]) < _LEVEL:
        return -np.inf
    turn = 1.0 if normal[0] > 0 else -1.0
    for one in range(3):
        other = (one + 1) % 3
        along_y = corners[other, 1] - corners[one, 1]
        along_z = corners[other, 2] - corners[one, 2]
        side = along_y * (z - corners[one, 2]) - along_z * (y - corners[one, 1])
        if turn * side < -_ROUNDING:
            return -np.inf
    away = (y - corners[0, 1]) * normal[1] + (z - corners[0, 2]) * normal[2]
    return corners[0, 0] - away / normal[0]
