# SPDX-License-Identifier: GPL-3.0-or-later
r"""Down a slope in few steps: a quasi-Newton method with a short memory, and a line search.

The direction comes from the last steps and the changes of the slope along them (L-BFGS, the
two-loop recursion: J. Nocedal and S. J. Wright, Numerical Optimization, 2nd edition 2006,
algorithm 7.4, from memory). A step is shortened until the value falls by a share of what the
slope promises (Armijo's rule). Values are dear here, many seconds each, so the first length tried
is nearly always taken, and a limit on how far a step may go takes the place of a search outwards.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Generic, TypeVar

import numpy as np

from bafflelens.base.conventions import FloatArray

Found = TypeVar("Found")

MEMORY: Final = 8
"""So many steps are remembered."""

_PROMISED_SHARE: Final = 1e-4
_SHORTER: Final = 0.4
_BACK_INSIDE: Final = 0.7
_TRIES: Final = 4
_LEAST_STEP: Final = 1e-3  # in largest steps
_LEAST_CURVATURE: Final = 1e-8


@dataclass(frozen=True, kw_only=True, eq=False)
class DescentPoint(Generic[Found]):
    """A point on the way.

    Attributes
    ----------
    amounts : array
        Where it is.
    value : float
        What is made small.
    slope : array
        Its slope there.
    found : object
        What came with the value.
    """

    amounts: FloatArray
    value: float
    slope: FloatArray
    found: Found


def direction(points: Sequence[tuple[FloatArray, FloatArray]]) -> FloatArray:
    """Return where to go from the last of some points, each with its slope.

    Parameters
    ----------
    points : sequence of (amounts, slope)
        The last points, the newest at the end; one is enough, and gives the steepest descent.
    """
    pairs = []
    for (before, slope_before), (after, slope_after) in pairwise(points):
        step, change = (after - before).ravel(), (slope_after - slope_before).ravel()
        if step @ change > _LEAST_CURVATURE * np.linalg.norm(step) * np.linalg.norm(change):
            pairs.append((step, change))
    slope = points[-1][1]
    wanted = slope.ravel().copy()
    shares = []
    for step, change in reversed(pairs):
        share = (step @ wanted) / (step @ change)
        shares.append(share)
        wanted -= share * change
    if pairs:
        step, change = pairs[-1]
        wanted *= (step @ change) / (change @ change)
    for (step, change), share in zip(pairs, reversed(shares), strict=True):
        wanted += step * (share - (change @ wanted) / (step @ change))
    if wanted @ slope.ravel() <= 0:  # rounding, or a kink: never uphill
        wanted = slope.ravel()
    return np.asarray(-wanted.reshape(slope.shape))


def next_point(
    points: Sequence[DescentPoint[Found]],
    *,
    value: Callable[[FloatArray], tuple[float, Found] | None],
    slope: Callable[[FloatArray, Found], FloatArray],
    size: Callable[[FloatArray], float],
    first_step: float,
    largest_step: float,
) -> DescentPoint[Found] | None:
    """Return the next point on the way down; None where no step leads lower.

    Parameters
    ----------
    points : sequence of Point
        The way so far; the last `MEMORY` + 1 of it are looked at.
    value : callable
        Returns what is made small and what comes with it; None for a point that is not allowed.
    slope : callable
        Returns the slope at a point whose value is known.
    size : callable
        Returns how large a step is.
    first_step, largest_step : float
        Size of the first step, and the largest of any.
    """
    last = points[-1]
    known = [(point.amounts, point.slope) for point in points[-MEMORY - 1 :]]
    step = direction(known)
    length = size(step)
    if not length > 0:
        return None
    promised = float((step * last.slope).sum())
    share = first_step / length if len(known) == 1 else min(1.0, largest_step / length)
    tried = 0
    while tried < _TRIES and share * length > _LEAST_STEP * largest_step:
        amounts = last.amounts + share * step
        found = value(amounts)
        if found is None:  # not allowed, and cheap to know
            share *= _BACK_INSIDE
            continue
        if found[0] <= last.value + _PROMISED_SHARE * share * promised:
            number, rest = found
            return DescentPoint(
                amounts=amounts, value=number, slope=slope(amounts, rest), found=rest
            )
        tried += 1
        share *= _SHORTER
    if len(known) > 1:  # what is remembered may mislead at a kink
        return next_point(
            points[-1:],
            value=value,
            slope=slope,
            size=size,
            first_step=first_step / 2,
            largest_step=largest_step,
        )
    return None
