# SPDX-License-Identifier: GPL-3.0-or-later
r"""Numbers that remember how they were made, so that a slope can be taken back through them.

A `Traced` is an array with the steps that led to it. `slopes` goes back from one number to the
arrays it began with: reverse accumulation (A. Griewank and A. Walther, Evaluating Derivatives,
2nd edition, 2008, chapter 3, from memory). All slopes of one number together cost about as much
as the number itself. Only the steps that criteria take are here.

Kinks
-----
A largest value, a positive part and a modulus have no slope where two values, or zero, are met.
Each of them may be given a softness s in dB. With s = 0 it is exact, and the slope there is that
of one side: of the first of equal values, and 0 at zero. With s > 0 it is smooth:

- a largest value becomes :math:`s \ln \sum_i e^{x_i / s}`, at most s ln n above it, so that all
  values within about s of the largest take part in the slope;
- a positive part becomes 0 below zero, :math:`x^2 / 2 s` to s and :math:`x - s / 2` above;
- a modulus becomes the same on both sides of zero.

What is met stays free: below zero a softened positive part is exactly 0, and so is its slope.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray

_Pull = Callable[[FloatArray], FloatArray]

_LEAST_ENERGY: Final = 1e-60  # stands for an exact null, so that its level stays finite
_DB: Final = 10 / np.log(10)


@dataclass(frozen=True, eq=False)
class Traced:
    """An array, and where it comes from.

    Attributes
    ----------
    value : array
        The numbers.
    origins : tuple of (Traced, function)
        What it was made of, each with the function that takes a slope with respect to this
        array to the part of the slope with respect to that one.
    """

    value: FloatArray
    origins: tuple[tuple[Traced, _Pull], ...] = ()

    def __add__(self, other: Traced | FloatArray | float) -> Traced:
        """Return the sum; the other may be a constant of the same shape, or one number."""
        if not isinstance(other, Traced):
            return Traced(self.value + other, ((self, _same),))
        return Traced(self.value + other.value, ((self, _same), (other, _same)))

    def __sub__(self, other: Traced | FloatArray | float) -> Traced:
        """Return the difference, as for the sum."""
        if not isinstance(other, Traced):
            return Traced(self.value - other, ((self, _same),))
        return Traced(self.value - other.value, ((self, _same), (other, np.negative)))

    def __mul__(self, factor: FloatArray | float) -> Traced:
        """Return the product with a constant of the same shape, or one number."""
        return Traced(self.value * factor, ((self, lambda slope: slope * factor),))

    def __neg__(self) -> Traced:
        """Return the negative."""
        return Traced(-self.value, ((self, np.negative),))

    def __getitem__(self, index: Any) -> Traced:
        """Return some of the numbers; one that is chosen twice counts twice."""

        def pull(slope: FloatArray) -> FloatArray:
            whole = np.zeros_like(self.value)
            np.add.at(whole, index, slope)
            return whole

        return Traced(np.asarray(self.value[index]), ((self, pull),))


def slopes(result: Traced, inputs: Sequence[Traced]) -> list[FloatArray]:
    """Return the slopes of one number with respect to the arrays it was made of.

    Parameters
    ----------
    result : Traced
        One number.
    inputs : sequence of Traced
        What the slopes are wanted for.

    Returns
    -------
    list of array
        One for each input, of its shape; zero where the number does not depend on it.
    """
    found: dict[int, FloatArray] = {id(result): np.ones_like(result.value)}
    for node in _latest_first(result):
        slope = found.get(id(node))
        if slope is None:
            continue
        for origin, pull in node.origins:
            known = found.get(id(origin))
            part = pull(slope)
            found[id(origin)] = part if known is None else known + part
    return [found.get(id(given), np.zeros_like(given.value)) for given in inputs]


def from_left(matrix: FloatArray, x: Traced) -> Traced:
    """Return ``matrix @ x``: means over frequencies, straight lines between them."""
    return Traced(matrix @ x.value, ((x, lambda slope: matrix.T @ slope),))


def from_right(x: Traced, matrix: FloatArray) -> Traced:
    """Return ``x @ matrix``: means over directions."""
    return Traced(x.value @ matrix, ((x, lambda slope: _outer_or_product(slope, matrix)),))


def over(x: Traced, reference: Traced) -> Traced:
    """Return (n_frequencies, n) energies over those of a reference, (n_frequencies,)."""
    below = reference.value[:, np.newaxis]
    ratio = x.value / below

    def pull_reference(slope: FloatArray) -> FloatArray:
        return np.asarray(-(slope * ratio / below).sum(axis=1))

    return Traced(ratio, ((x, lambda slope: slope / below), (reference, pull_reference)))


def traced_level_db(energy: Traced) -> Traced:
    """Return 10 lg of an energy; an exact null is very low but finite, and has no slope."""
    kept = np.maximum(energy.value, _LEAST_ENERGY)
    factor = np.where(energy.value > _LEAST_ENERGY, _DB / kept, 0.0)
    return Traced(10 * np.log10(kept), ((energy, lambda slope: slope * factor),))


def not_below(x: Traced, least: float) -> Traced:
    """Return the larger of each number and a constant; no slope where the constant holds."""
    free = x.value > least
    return Traced(np.maximum(x.value, least), ((x, lambda slope: slope * free),))


def positive(x: Traced, softness: float = 0.0) -> Traced:
    """Return the positive part of each number: see the head of the module."""
    if softness <= 0:
        return not_below(x, 0.0)
    slope_of = np.clip(x.value / softness, 0.0, 1.0)
    value = slope_of * (np.maximum(x.value, 0.0) - softness * slope_of / 2)
    return Traced(value, ((x, lambda slope: slope * slope_of),))


def modulus(x: Traced, softness: float = 0.0) -> Traced:
    """Return the modulus of each number: see the head of the module."""
    if softness <= 0:
        return Traced(np.abs(x.value), ((x, lambda slope: slope * np.sign(x.value)),))
    slope_of = np.clip(x.value / softness, -1.0, 1.0)
    value = slope_of * (x.value - softness * slope_of / 2)
    return Traced(value, ((x, lambda slope: slope * slope_of),))


def largest(x: Traced, axis: int, softness: float = 0.0) -> Traced:
    """Return the largest along an axis: see the head of the module."""
    top = x.value.max(axis=axis, keepdims=True)
    if softness > 0:
        share = np.exp((x.value - top) / softness)
        total = share.sum(axis=axis, keepdims=True)
        share = share / total
        value = (top + softness * np.log(total)).squeeze(axis)
    else:
        share = np.zeros_like(x.value)
        first = np.expand_dims(x.value.argmax(axis=axis), axis)
        np.put_along_axis(share, first, 1.0, axis=axis)
        value = top.squeeze(axis)
    return Traced(value, ((x, lambda slope: np.expand_dims(slope, axis) * share),))


def smallest(x: Traced, axis: int, softness: float = 0.0) -> Traced:
    """Return the smallest along an axis, as `largest` does."""
    return -largest(-x, axis, softness)


def largest_so_far(x: Traced) -> Traced:
    """Return the largest of each row from its beginning to each of its numbers, (n, m)."""
    rises = np.ones(x.value.shape, dtype=bool)
    rises[:, 1:] = x.value[:, 1:] > np.maximum.accumulate(x.value, axis=1)[:, :-1]
    columns = np.where(rises, np.arange(x.value.shape[1]), 0)
    where = np.maximum.accumulate(columns, axis=1)
    rows = np.broadcast_to(np.arange(len(where))[:, np.newaxis], where.shape)
    return x[rows, where]


def stacked(parts: Sequence[Traced]) -> Traced:
    """Return arrays of one shape as one, along a new first axis."""

    def pull_of(number: int) -> _Pull:
        return lambda slope: slope[number]

    origins = tuple((part, pull_of(number)) for number, part in enumerate(parts))
    return Traced(np.stack([part.value for part in parts]), origins)


def total(parts: Sequence[Traced]) -> Traced:
    """Return the sum of arrays of one shape."""
    found = parts[0]
    for part in parts[1:]:
        found = found + part
    return found


def _same(slope: FloatArray) -> FloatArray:
    return slope


def _outer_or_product(slope: FloatArray, matrix: FloatArray) -> FloatArray:
    if matrix.ndim == 1:
        return np.asarray(slope[..., np.newaxis] * matrix)
    return np.asarray(slope @ matrix.T)


def _latest_first(result: Traced) -> list[Traced]:
    """Return all that a number was made of, each before what it was made of itself."""
    order: list[Traced] = []
    seen: set[int] = set()
    waiting: list[tuple[Traced, bool]] = [(result, False)]
    while waiting:
        node, is_done = waiting.pop()
        if is_done:
            order.append(node)
        elif id(node) not in seen:
            seen.add(id(node))
            waiting.append((node, True))
            waiting.extend((origin, False) for origin, _ in node.origins)
    return order[::-1]
