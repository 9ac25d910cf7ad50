# SPDX-License-Identifier: GPL-3.0-or-later
r"""Down a slope in few steps: a quasi-Newton method with a short memory, and a line search.

What is made small has two parts: f, which is dear, many seconds a value, and c, which is cheap
and may be stiff: what it costs to come near a limit. The last steps and the changes of the slope
of f along them make a model of f alone (L-BFGS in compact form, B = s 1 - W M^-1 W^T: J. Nocedal
and S. J. Wright, Numerical Optimization, 2nd edition 2006, section 7.2, from memory), and a step d
is where

.. math:: g \cdot d + \tfrac{1}{2} d^T B d + c(a + d)

is least, found by values of c alone (a proximal quasi-Newton method). So a step goes along a limit
from the first try on, and the stiffness of c never enters what is remembered. A step is shortened
until f + c falls by a share of what that promises (Armijo's rule); a limit on how far a step may
go takes the place of a search outwards. A step beyond it is searched again with a model that is
steeper across what is remembered, as a trust region does.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final, Generic, TypeVar

import numpy as np
from scipy.optimize import minimize

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
_DAMPINGS: Final = 2
_DAMPED_BY: Final = 0.7  # power of what a step is too long by
_TOO_LONG: Final = 1.3  # in largest steps
_MODEL_TRIES: Final = 60


@dataclass(frozen=True, kw_only=True, eq=False)
class DescentPoint(Generic[Found]):
    """A point on the way.

    Attributes
    ----------
    amounts : array
        Where it is.
    value : float
        The dear part of what is made small.
    slope : array
        Its slope there.
    found : object
        What came with the value.
    """

    amounts: FloatArray
    value: float
    slope: FloatArray
    found: Found


Cost = Callable[[FloatArray], tuple[float, FloatArray]]
"""A cheap cost at a point, and its slope."""


def free_of_cost(amounts: FloatArray) -> tuple[float, FloatArray]:
    """Return no cost, and no slope."""
    return 0.0, np.zeros_like(amounts)


@dataclass(frozen=True, kw_only=True, eq=False)
class Model:
    """How the slope changes with a step: B = scale 1 - left middle^-1 left^T.

    Attributes
    ----------
    scale : float
        Across what is remembered.
    left : (n, 2 m) array
        From m remembered steps.
    middle : (2 m, 2 m) array
        Its weights.
    """

    scale: float
    left: FloatArray
    middle: FloatArray

    def times(self, step: FloatArray) -> FloatArray:
        """Return B times a step of any shape."""
        flat = step.ravel()
        found = self.scale * flat
        if self.left.size:
            # As sums, since a library for matrices starts threads for products of this size.
            along = np.einsum("nm,n->m", self.left, flat)
            found = found - np.einsum("nm,m->n", self.left, np.linalg.solve(self.middle, along))
        return np.asarray(found.reshape(step.shape))


def model_of(points: Sequence[tuple[FloatArray, FloatArray]], scale: float) -> Model:
    """Return what some points, each with its slope, tell of how the slope changes.

    Parameters
    ----------
    points : sequence of (amounts, slope)
        The last points, the newest at the end.
    scale : float
        By how much the slope changes with a step where nothing is known yet.
    """
    pairs = []
    for (before, slope_before), (after, slope_after) in pairwise(points):
        step, change = (after - before).ravel(), (slope_after - slope_before).ravel()
        if step @ change > _LEAST_CURVATURE * np.linalg.norm(step) * np.linalg.norm(change):
            pairs.append((step, change))
    if not pairs:
        size = points[-1][0].size
        return Model(scale=scale, left=np.zeros((size, 0)), middle=np.zeros((0, 0)))
    steps, changes = (np.array(part).T for part in zip(*pairs, strict=True))
    step, change = pairs[-1]
    scale = float((step @ change) / (step @ step))
    products = steps.T @ changes
    lower, diagonal = np.tril(products, -1), np.diag(np.diag(products))
    return Model(
        scale=scale,
        left=np.hstack((scale * steps, changes)),
        middle=np.block([[scale * steps.T @ steps, lower], [lower.T, -diagonal]]),
    )


def step_of(
    last: tuple[FloatArray, FloatArray],
    model: Model,
    cost: Cost,
    guess: FloatArray | None = None,
) -> tuple[FloatArray, float]:
    """Return where model and cost together are least, and by how much they fall.

    Parameters
    ----------
    last : (amounts, slope)
        Where the step begins.
    model : Model
        Of the dear part.
    cost : callable
        The cheap part.
    guess : array, optional
        A step that is probably near.
    """
    amounts, slope = last
    unit = 1 / np.sqrt(model.scale)  # so that the model is near a sphere

    def value(scaled: FloatArray) -> tuple[float, FloatArray]:
        step = unit * scaled.reshape(amounts.shape)
        bent = model.times(step)
        number, by_amounts = cost(amounts + step)
        total = float((slope * step).sum() + 0.5 * (step * bent).sum() + number)
        return total, unit * (slope + bent + by_amounts).ravel()

    start = np.zeros(amounts.size) if guess is None else guess.ravel() / unit
    options = {"maxiter": _MODEL_TRIES, "maxcor": 20}
    least = minimize(value, start, jac=True, method="L-BFGS-B", options=options)
    return unit * least.x.reshape(amounts.shape), float(cost(amounts)[0] - least.fun)


def next_point(
    points: Sequence[DescentPoint[Found]],
    *,
    value: Callable[[FloatArray], tuple[float, Found] | None],
    slope: Callable[[FloatArray, Found], FloatArray],
    size: Callable[[FloatArray], float],
    first_step: float,
    largest_step: float,
    cost: Cost = free_of_cost,
) -> DescentPoint[Found] | None:
    """Return the next point on the way down; None where no step leads lower.

    Parameters
    ----------
    points : sequence of Point
        The way so far; the last `MEMORY` + 1 of it are looked at.
    value : callable
        Returns the dear part of what is made small and what comes with it; None for a point that
        is not allowed.
    slope : callable
        Returns the slope at a point whose value is known.
    size : callable
        Returns how large a step is.
    first_step, largest_step : float
        Size of the first step, and the largest of any.
    cost : callable
        The cheap part, with its slope.
    """
    last = points[-1]
    known = [(point.amounts, point.slope) for point in points[-MEMORY - 1 :]]
    steepness = size(last.slope)
    if not steepness > 0:
        return None
    model = model_of(known, steepness / first_step)
    step, promised = step_of(known[-1], model, cost)
    length = size(step)
    for _ in range(_DAMPINGS):
        if length <= _TOO_LONG * largest_step:
            break
        # Cut short it would not be the best step of its length, least of all along a limit.
        model = replace(model, scale=model.scale * (length / largest_step) ** _DAMPED_BY)
        step, promised = step_of(known[-1], model, cost, largest_step / length * step)
        length = size(step)
    if not (length > 0 and promised > 0):
        return None
    before = last.value + cost(last.amounts)[0]
    share = min(1.0, largest_step / length)
    tried = 0
    while tried < _TRIES and share * length > _LEAST_STEP * largest_step:
        amounts = last.amounts + share * step
        found = value(amounts)
        if found is None:  # not allowed, and cheap to know
            share *= _BACK_INSIDE
            continue
        if found[0] + cost(amounts)[0] <= before - _PROMISED_SHARE * share * promised:
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
            cost=cost,
        )
    return None
