# SPDX-License-Identifier: GPL-3.0-or-later
"""Sums of bumps on a map, which a step asks for a hundred times.

A bump is narrow beside the map, so most products of a matrix with all of them are by nothing.
They are left out here. Nor does this start threads of a library for matrices, whose waiting takes
longer than these sums where workers have all processors.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numba import njit

from bafflelens.base.conventions import FloatArray, IntArray

_LEAST_LIMIT_M: Final = 1e-9
_NOTHING: Final = 1e-12  # of a bump


@dataclass(frozen=True, eq=False)
class NarrowBumps:
    """Bumps on a map: left (n_y, n_bumps_y) and up (n_z, n_bumps_z); their product is a bump.

    Attributes
    ----------
    left, up : arrays
        The bumps along y and z.
    left_ends, up_ends : (n_y, 2), (n_z, 2) integer arrays
        The first bump that reaches each place, and the one after the last.
    """

    left: FloatArray
    up: FloatArray
    left_ends: IntArray
    up_ends: IntArray

    @classmethod
    def of(cls, left: FloatArray, up: FloatArray) -> NarrowBumps:
        """Return the bumps with where they reach."""
        left, up = np.ascontiguousarray(left), np.ascontiguousarray(up)
        return cls(left, up, _ends(left), _ends(up))

    def on(self, amounts: FloatArray) -> FloatArray:
        """Return the sum of amounts of bumps, left @ amounts @ up.T, (n_y, n_z)."""
        return np.asarray(
            _sums(np.ascontiguousarray(amounts), self.left, self.up, self.left_ends, self.up_ends)
        )

    def back(self, by_place: FloatArray) -> FloatArray:
        """Return the slope with the amounts from that with the places, left.T @ by_place @ up."""
        return np.asarray(_slopes(by_place, self.left, self.up, self.left_ends, self.up_ends))


def _ends(bumps: FloatArray) -> IntArray:
    reaches = bumps > _NOTHING
    first = reaches.argmax(axis=1)
    last = bumps.shape[1] - reaches[:, ::-1].argmax(axis=1)
    return np.stack((first, np.where(reaches.any(axis=1), last, first)), axis=1)


@njit(cache=True)
def limited(raised, share, outward, inward):
    """Return share of what stays within the limits, and how fast it follows: a tanh(u / a).

    All four are arrays of one shape.
    """
    height, follows = np.zeros(raised.size), np.zeros(raised.size)
    up, part_of, out, into = raised.ravel(), share.ravel(), outward.ravel(), inward.ravel()
    for n in range(up.size):
        if part_of[n] == 0:
            continue
        limit = max(out[n] if up[n] >= 0 else into[n], _LEAST_LIMIT_M)
        part = math.tanh(up[n] / limit)
        height[n] = part_of[n] * limit * part
        follows[n] = part_of[n] * (1 - part * part)
    return height.reshape(raised.shape), follows.reshape(raised.shape)


@njit(cache=True)
def _sums(amounts, left, up, left_ends, up_ends):
    rows, columns = len(left), len(up)
    across = np.empty((len(amounts), columns))
    for c in range(len(amounts)):
        for j in range(columns):
            found = 0.0
            for k in range(up_ends[j, 0], up_ends[j, 1]):
                found += amounts[c, k] * up[j, k]
            across[c, j] = found
    raised = np.zeros((rows, columns))
    for i in range(rows):
        for c in range(left_ends[i, 0], left_ends[i, 1]):
            factor = left[i, c]
            for j in range(columns):
                raised[i, j] += factor * across[c, j]
    return raised


@njit(cache=True)
def _slopes(by_place, left, up, left_ends, up_ends):
    rows, columns = by_place.shape
    across = np.zeros((left.shape[1], columns))
    for i in range(rows):
        if not by_place[i].any():
            continue
        for c in range(left_ends[i, 0], left_ends[i, 1]):
            factor = left[i, c]
            for j in range(columns):
                across[c, j] += factor * by_place[i, j]
    found = np.zeros((left.shape[1], up.shape[1]))
    for c in range(len(found)):
        for j in range(columns):
            if across[c, j] == 0:
                continue
            for k in range(up_ends[j, 0], up_ends[j, 1]):
                found[c, k] += across[c, j] * up[j, k]
    return found
