# SPDX-License-Identifier: GPL-3.0-or-later
r"""The far field of a shape that was never solved, estimated from those that were.

For each frequency, the complex far field about a fixed phase origin is written in its principal
components over the solved shapes, and a Gaussian process of the searched parameters gives the
coefficients: a smooth part with a length for each parameter, a trend, and what meshes scatter.
All components of a frequency share one kernel, so that an estimate is a weighted sum of the
solved fields and takes milliseconds. Lengths are found once for a few neighbouring frequencies.

How far an estimate may be off is learned by leaving out: each solved shape is estimated from the
others in closed form (Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006,
section 5.4.2, equations 5.10 to 5.12), and the band is widened until it holds 95 % of the levels
that were left out, at every frequency by itself.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.base.errors import InputError, invalid

COVERAGE: Final = 0.95
USEFUL_DB: Final = 3.0
"""Where the band reaches further to either side than this, no level is shown."""

_GROUP_OCTAVES: Final = 1 / 3
_KEPT_ENERGY: Final = 0.9999
_MORE_THAN_DIMENSIONS: Final = 3  # a trend takes one a dimension, and there must be some to spare


@dataclass(frozen=True, kw_only=True, eq=False)
class Group:
    """Neighbouring frequencies that share a kernel.

    Attributes
    ----------
    numbers : (n,) int array
        Which frequencies.
    kernel : object
        The kernel of scikit-learn with the lengths that were found.
    inverse : (n_shapes, n_shapes) array
        Inverse of its matrix over the solved shapes.
    """

    numbers: IntArray
    kernel: Any
    inverse: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Estimator:
    """What `estimator_of` learned from solved shapes.

    Attributes
    ----------
    frequency_hz : (n_frequencies,) array
        In Hz.
    low, high : (n_dimensions,) array
        Range of each searched parameter.
    points : (n_shapes, n_dimensions) array
        The solved shapes in the unit cube.
    fields : (n_shapes, n_frequencies, n_directions) array
        Their far fields, Pa.m.
    log_power : (n_shapes, n_frequencies) array
        Natural logarithm of their sound power.
    window : (n,) int array
        Numbers of the directions whose mean square levels are relative to.
    groups : tuple of Group
        Of all frequencies.
    spread : (n_frequencies, n_directions) array
        Root mean square of what was left out, over what the kernel expected, in Pa.m.
    factor : (n_frequencies,) array
        By which that is widened, so that the band holds what it should.
    """

    frequency_hz: FloatArray
    low: FloatArray
    high: FloatArray
    points: FloatArray
    fields: ComplexArray
    log_power: FloatArray
    window: IntArray
    groups: tuple[Group, ...]
    spread: FloatArray
    factor: FloatArray

    @property
    def n_shapes(self) -> int:
        """How many solved shapes it knows."""
        return len(self.points)

    def estimate(self, values: Sequence[float] | FloatArray) -> Estimate:
        """Return the estimate of a shape.

        Parameters
        ----------
        values : (n_dimensions,) array
            Its searched parameters, in their own units.
        """
        point = (np.asarray(values, dtype=float) - self.low) / (self.high - self.low)
        field = np.empty(self.fields.shape[1:], dtype=complex)
        power = np.empty(len(self.frequency_hz))
        expected = np.empty(len(self.frequency_hz))
        mean, mean_power = self.fields.mean(axis=0), self.log_power.mean(axis=0)
        for group in self.groups:
            of_shapes = group.kernel(point[np.newaxis], self.points)[0]
            weights = group.inverse @ of_shapes
            chosen = group.numbers
            off_mean = self.fields[:, chosen] - mean[chosen]
            field[chosen] = mean[chosen] + np.tensordot(weights, off_mean, axes=1)
            off_mean_power = self.log_power[:, chosen] - mean_power[chosen]
            power[chosen] = mean_power[chosen] + weights @ off_mean_power
            variance = group.kernel.diag(point[np.newaxis])[0] - of_shapes @ weights
            expected[chosen] = np.sqrt(max(variance, 0.0))
        error = expected[:, np.newaxis] * self.spread
        band = self.factor[:, np.newaxis] * _told_db(error, np.abs(field), self.window)
        return Estimate(field=field, power=np.exp(power), band_db=band)

    def left_out(self) -> tuple[ComplexArray, FloatArray]:
        """Return each solved shape's far field as the others would have it, and its power."""
        fields, log_power = self.fields.astype(complex), self.log_power.copy()
        for group in self.groups:
            chosen = group.numbers
            fields[:, chosen] -= _left_out_errors(group.inverse, self.fields[:, chosen])
            log_power[:, chosen] -= _left_out_errors(group.inverse, self.log_power[:, chosen])
        return fields, np.exp(log_power)


@dataclass(frozen=True, kw_only=True, eq=False)
class Estimate:
    """What a shape is expected to radiate.

    Attributes
    ----------
    field : (n_frequencies, n_directions) complex array
        In Pa.m.
    power : (n_frequencies,) array
        In W.
    band_db : (n_frequencies, n_directions) array
        95 % of all levels re the listening window are within so many dB of the estimate's.
    """

    field: ComplexArray
    power: FloatArray
    band_db: FloatArray


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
) -> Estimator:
    """Learn from solved shapes.

    Parameters
    ----------
    values : (n_shapes, n_dimensions) array
        Their searched parameters.
    fields : (n_shapes, n_frequencies, n_directions) complex array
        Their far fields about one phase origin, in Pa.m.
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
    fields = fields.astype(np.complex64)
    groups = tuple(_group(points, fields, numbers) for numbers in _neighbours(frequency_hz))
    spread, factor = _calibrated(groups, fields, window, judged)
    # Lengths that were found from few shapes suit these better than the next one.
    factor *= np.sqrt(len(points) / (len(points) - points.shape[1]))
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


def levels_db(field: ComplexArray, window: IntArray) -> FloatArray:
    """Return levels re the listening window, (..., n_directions), in dB."""
    amplitude = np.abs(field)
    reference = np.sqrt(np.mean(amplitude[..., window] ** 2, axis=-1, keepdims=True))
    return np.asarray(20 * np.log10(np.maximum(amplitude, 1e-9 * reference) / reference))


def _neighbours(frequency_hz: FloatArray) -> list[IntArray]:
    """Return which frequencies share a kernel."""
    number = np.floor(np.log2(frequency_hz / frequency_hz[0]) / _GROUP_OCTAVES + 1e-6)
    return [np.flatnonzero(number == one) for one in np.unique(number)]


def _group(points: FloatArray, fields: ComplexArray, numbers: IntArray) -> Group:
    """Find the lengths of neighbouring frequencies from the principal components of one."""
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import (
        RBF,
        ConstantKernel,
        DotProduct,
        WhiteKernel,
    )

    smooth = ConstantKernel(1.0, (1e-2, 1e3)) * RBF(np.ones(points.shape[1]), (0.1, 30.0))
    trend = ConstantKernel(1.0, (1e-3, 1e3)) * DotProduct(1.0, "fixed")
    scatter = WhiteKernel(1e-3, (1e-7, 0.3))
    process = GaussianProcessRegressor(smooth + trend + scatter, alpha=1e-9)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # a length at its bound is no fault
        process.fit(points, _components(fields[:, numbers[len(numbers) // 2]]))
    kernel = process.kernel_
    matrix = kernel(points) + 1e-9 * np.eye(len(points))
    return Group(numbers=numbers, kernel=kernel, inverse=np.linalg.inv(matrix))


def _components(field: ComplexArray) -> FloatArray:
    """Return the coefficients of the principal components, (n_shapes, n), of unit mean square."""
    off_mean = field - field.mean(axis=0)
    left, strength, _ = np.linalg.svd(off_mean, full_matrices=False)
    energy = np.cumsum(strength**2) / max(float(np.sum(strength**2)), 1e-300)
    kept = int(np.searchsorted(energy, _KEPT_ENERGY)) + 1
    coefficients = left[:, :kept] * strength[:kept]
    parts = np.concatenate([coefficients.real, coefficients.imag], axis=1)
    # Their strengths stay as they are, so that what is strong rules the lengths.
    return np.asarray(parts / max(float(np.sqrt(np.mean(parts**2))), 1e-300))


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
            errors = _left_out_errors(group.inverse, fields[:, number])
            scaled = np.abs(errors) / expected[:, np.newaxis]
            spread[number] = np.sqrt(np.mean(scaled**2, axis=0))
            estimated = fields[:, number] - errors
            off_db = np.abs(levels_db(estimated, window) - levels_db(fields[:, number], window))
            error = expected[:, np.newaxis] * spread[number]
            told_db = _told_db(error, np.abs(estimated), window)
            ratios.append((off_db / np.maximum(told_db, 1e-9))[:, judged])
        # Few shapes: what holds 95 % of those must be a little wider for the next one.
        share = min(COVERAGE * (n_shapes + 1) / n_shapes, 1.0)
        for number, ratio in zip(group.numbers, ratios, strict=True):
            factor[number] = np.quantile(ratio, share)
    return spread, factor


def _left_out_errors(inverse: FloatArray, known: Any) -> Any:
    """Return by how much each shape differs from what the others say of it."""
    off_mean = known - known.mean(axis=0)
    pulled = np.tensordot(inverse, off_mean, axes=1)
    return pulled / np.diag(inverse).reshape(-1, *(1,) * (known.ndim - 1))


def _told_db(error: FloatArray, amplitude: FloatArray, window: IntArray) -> FloatArray:
    """Return by how many dB levels re the window may be off where fields may be by so much."""
    reference = np.sqrt(np.mean(amplitude[..., window] ** 2, axis=-1, keepdims=True))
    of_reference = np.sqrt(np.mean(error[..., window] ** 2, axis=-1, keepdims=True))
    own_db = 20 * np.log10(1 + error / np.maximum(amplitude, 1e-9 * reference))
    return np.asarray(np.hypot(own_db, 20 * np.log10(1 + of_reference / reference)))
