# SPDX-License-Identifier: GPL-3.0-or-later
"""What solved shapes teach an `Estimator`: kernels, and how far an estimate may be off.

Lengths are found once for a few neighbouring frequencies, from the directions in which the band
must hold. How far an estimate may be off is learned by leaving out: each solved shape is estimated
from the others, and the band is widened until it holds 95 % of the levels that were left out, at
every frequency by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.live.estimate import Estimator
from bafflelens.live.field_levels import levels_db, told_db
from bafflelens.live.shape_kernel import Group, Kernel, group_of, kernel_from

COVERAGE: Final = 0.95
_GROUP_OCTAVES: Final = 1 / 3
_TURNS: Final = 5  # after which no phase changes any more
_FOUND_BESIDE_LENGTHS: Final = 3  # variances of a `Kernel`
_MORE_THAN_DIMENSIONS: Final = 3  # a trend takes one a dimension, and there must be some to spare


def fewest_shapes(n_dimensions: int) -> int:
    """Return from how many solved shapes on an estimate is tried."""
    return n_dimensions + _MORE_THAN_DIMENSIONS


def estimator_of(
    values: FloatArray,
    fields: ComplexArray,
    power: FloatArray,
    *,
    frequency_hz: FloatArray,
    low: FloatArray,
    high: FloatArray,
    window: IntArray,
    judged: IntArray,
    kernels: Sequence[Kernel] = (),
) -> Estimator:
    """Learn from solved shapes.

    Parameters
    ----------
    values : (n_shapes, n_dimensions) array
        Their searched parameters.
    fields : (n_shapes, n_frequencies, n_directions) complex array
        Their far fields, each about its source (`about_source`), in Pa.m.
    power : (n_shapes, n_frequencies) array
        Their sound power in W.
    frequency_hz : (n_frequencies,) array
        Rising, in Hz.
    low, high : (n_dimensions,) array
        Range of each parameter.
    window : (n,) int array
        Numbers of the directions of the listening window.
    judged : (n,) int array
        Numbers of the directions in which the band must hold what it should.
    kernels : sequence of Kernel, optional
        Those that were found for these shapes before, `Estimator.kernels`; they are not looked
        for again, which is most of the work.

    Raises
    ------
    InputError
        If there are too few shapes.
    """
    least = fewest_shapes(values.shape[1])
    if len(values) < least:
        rule = f"at least {least}, for {values.shape[1]} dimensions"
        raise InputError(invalid("number of solved shapes", len(values), rule))
    points = (values - low) / (high - low)
    fields = _in_phase(fields).astype(np.complex64)
    neighbours = _neighbours(frequency_hz)
    if len(kernels) != len(neighbours):
        middles = [fields[:, numbers[len(numbers) // 2]] for numbers in neighbours]
        kernels = [kernel_from(points, middle[:, judged]) for middle in middles]
    groups = tuple(map(partial(group_of, points), kernels, neighbours))
    spread, factor = _calibrated(groups, fields, window, judged)
    # A kernel that was found from few shapes suits these better than the next one.
    found = points.shape[1] + _FOUND_BESIDE_LENGTHS
    factor *= np.sqrt(len(points) / max(len(points) - found, 1))
    return Estimator(
        frequency_hz=frequency_hz,
        low=low,
        high=high,
        points=points,
        fields=fields,
        log_power=np.log(power),
        window=window,
        groups=groups,
        spread=spread,
        factor=factor,
    )


def _neighbours(frequency_hz: FloatArray) -> list[IntArray]:
    """Return which frequencies share a kernel."""
    number = np.floor(np.log2(frequency_hz / frequency_hz[0]) / _GROUP_OCTAVES + 1e-6)
    return [np.flatnonzero(number == one) for one in np.unique(number)]


def _in_phase(fields: ComplexArray) -> ComplexArray:
    """Return fields each turned to fit the mean of all best, at every frequency."""
    turned = np.asarray(fields, dtype=complex)
    for _ in range(_TURNS):
        fit = np.sum(turned * turned.mean(axis=0).conj(), axis=2, keepdims=True)
        turned = turned * np.exp(-1j * np.angle(fit))
    return turned


def _calibrated(
    groups: Sequence[Group], fields: ComplexArray, window: IntArray, judged: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Return spread and factor of an `Estimator`, from leaving each shape out."""
    n_shapes, n_frequencies, _ = fields.shape
    spread = np.empty(fields.shape[1:])
    factor = np.empty(n_frequencies)
    for group in groups:
        expected = 1 / np.sqrt(np.diag(group.inverse))
        ratios = []
        for number in group.numbers:
            errors = group.left_out_errors(fields[:, number])
            scaled = np.abs(errors) / expected[:, np.newaxis]
            spread[number] = np.sqrt(np.mean(scaled**2, axis=0))
            estimated = fields[:, number] - errors
            off_db = np.abs(levels_db(estimated, window) - levels_db(fields[:, number], window))
            error = expected[:, np.newaxis] * spread[number]
            band_db = told_db(error, np.abs(estimated), window)
            ratios.append((off_db / np.maximum(band_db, 1e-9))[:, judged])
        # Few shapes: what holds 95 % of those must be a little wider for the next one.
        share = min(COVERAGE * (n_shapes + 1) / n_shapes, 1.0)
        for number, ratio in zip(group.numbers, ratios, strict=True):
            factor[number] = np.quantile(ratio, share)
    return spread, factor
