# SPDX-License-Identifier: GPL-3.0-or-later
"""Random parameters of a shape, for its tests and for ``tests/benchmarks/random_shapes.py``."""

from __future__ import annotations

import random

from bafflelens.shapes.meshing.parameters import Shape

_KEPT_SHARES = (0.5, 0.75, 0.9)  # of parameters that keep their default
_NEAR_SHARE = 0.6  # of the others that stay near it
_NEAR = 0.25  # of the range


def draw_values(shape: Shape, draw: random.Random) -> dict[str, float]:
    """Return values over the whole range of every parameter.

    Many keep their default or stay near it, and of an edge's radius and chamfer one is 0: a shape
    with all its features at once, each of a size drawn by itself, hardly ever makes a solid.
    """
    values = {}
    kept = draw.choice(_KEPT_SHARES)
    for parameter in shape.parameters:
        span = parameter.high - parameter.low
        value = draw.uniform(parameter.low, parameter.high)
        if draw.random() < _NEAR_SHARE:
            value = parameter.default + _NEAR * span * draw.uniform(-1.0, 1.0)
        if draw.random() < kept:
            value = parameter.default
        values[parameter.key] = min(max(round(value, 1), parameter.low), parameter.high)
    for key in values:
        other = key.replace("_radius_mm", "_chamfer_mm")
        if other != key and values.get(other, 0.0) > 0:
            values[draw.choice((key, other))] = 0.0
    return values
