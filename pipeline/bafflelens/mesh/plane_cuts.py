# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a plane through the origin cuts triangles."""

from __future__ import annotations

from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray

_OFF_PLANE_M: Final = 1e-6  # beside the mirror plane, where vertices lie


def cut_by_plane(corners: FloatArray, across: int) -> FloatArray:
    """Return the segments in which a plane cuts triangles, (n_segments, 2 ends, 3), in m."""
    height = corners[:, :, across] - _OFF_PLANE_M
    ends = []
    cut = np.flatnonzero((height.min(axis=1) < 0) & (height.max(axis=1) > 0))
    for triangle, level in zip(corners[cut], height[cut], strict=True):
        points = []
        for i in range(3):
            j = (i + 1) % 3
            if level[i] * level[j] < 0:
                share = level[i] / (level[i] - level[j])
                points.append(triangle[i] + share * (triangle[j] - triangle[i]))
        if len(points) == 2:
            ends.append(points)
    return np.asarray(ends, dtype=float).reshape(-1, 2, 3)
