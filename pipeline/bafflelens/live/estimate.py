# SPDX-License-Identifier: GPL-3.0-or-later
r"""The far field of a shape that was never solved, estimated from those that were.

For each frequency, the complex far field about the source (`about_source`) is written in its
principal components over the solved shapes, and a Gaussian process of the searched parameters
gives the coefficients: a smooth part (Matern, 5/2) with a length for each parameter, a trend, and
what meshes scatter. A phase that all directions of a shape share is taken out before: no level
needs it, and a dome that moves back by half a wavelength would turn every coefficient round. All
components of a frequency share one kernel, so that an estimate is a weighted sum of the solved
fields and takes milliseconds. Lengths are found once for a few neighbouring frequencies, from the
directions in which the band must hold.

How far an estimate may be off is learned by leaving out: each solved shape is estimated from the
others in closed form (Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006,
section 5.4.2, equations 5.10 to 5.12), and the band is widened until it holds 95 % of the levels
that were left out, at every frequency by itself.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache, partial
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.base.errors import InputError, invalid

COVERAGE: Final = 0.95
USEFUL_DB: Final = 3.0
"""Where the band reaches further to either side than this, no level is shown."""

_GROUP_OCTAVES: Final = 1 / 3
_KEPT_ENERGY: Final = 0.9999
_TURNS: Final = 5  # after which no phase changes any more
_FOUND_BESIDE_LENGTHS: Final = 3  # variances of a `Kernel`
_NUGGET: Final = 1e-9  # keeps the matrix of two shapes alike regular
_MORE_THAN_DIMENSIONS: Final = 3  # a trend takes one a dimension, and there must be some to spare


@dataclass(frozen=True, kw_only=True)
class Kernel:
    """How alike two shapes are expected to be; what is found once and worth keeping.

    Attributes
    ----------
    smooth : float
        Variance of the smooth part.
    lengths : tuple of float
        Its length along each parameter, over the range of that.
    trend : float
        Variance of the trend's slope.
    scatter : float
        Variance of what meshes scatter.
    """

    smooth: float
    lengths: tuple[float, ...]
    trend: float
    scatter: float

    def between(self, some: FloatArray, others: FloatArray) -> FloatArray:
        """Return the covariance of some points, (n, n_dimensions), with others, (m, ...)."""
        apart = (some[:, np.newaxis] - others) / self.lengths
        way = np.sqrt(5 * np.sum(apart**2, axis=2))
        # Rasmussen and Williams, equation 4.17.
        smooth = self.smooth * (1 + way + way**2 / 3) * np.exp(-way)
        return np.asarray(smooth + self.trend * (1 + some @ others.T))

    def of_one(self, point: FloatArray) -> float:
        """Return the variance of one shape, with its scatter."""
        return float(self.smooth + self.trend * (1 + point @ point) + self.scatter)


@dataclass(frozen=True, kw_only=True, eq=False)
class Group:
    """Neighbouring frequencies that share a kernel.

    Attributes
    ----------
    numbers : (n,) int array
        Which frequencies.
    kernel : Kernel
        The kernel.
    inverse : (n_shapes, n_shapes) array
        Inverse of its matrix over the solved shapes.
    """

    numbers: IntArray
    kernel: Kernel
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
        Their far fields, Pa.m, without a phase that all directions share.
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

    @property
    def kernels(self) -> tuple[Kernel, ...]:
        """What was found for each group of frequencies."""
        return tuple(group.kernel for group in self.groups)

    def estimate(self, values: Sequence[float] | FloatArray) -> Estimate:
        """Return the estimate of a shape.

        Parameters
        ----------
        values : (n_dimensions,) array
            Its searched parameters, in their own units.
        """
        point = (np.asarray(values, dtype=float) - self.low) / (self.high - self.low)
        weights = np.empty((len(self.frequency_hz), self.n_shapes))
        expected = np.empty(len(self.frequency_hz))
        for group in self.groups:
            of_shapes = group.kernel.between(point[np.newaxis], self.points)[0]
            weights[group.numbers] = own = group.inverse @ of_shapes
            variance = group.kernel.of_one(point) - of_shapes @ own
            expected[group.numbers] = np.sqrt(max(variance, 0.0))
        # Not by BLAS: its threads wait for processors that are solving meanwhile.
        field = self._mean + np.einsum("fs,sfd->fd", weights, self._off_mean)
        log_power = self.log_power.mean(axis=0)
        power = log_power + np.einsum("fs,sf->f", weights, self.log_power - log_power)
        error = expected[:, np.newaxis] * self.spread
        band = self.factor[:, np.newaxis] * _told_db(error, np.abs(field), self.window)
        return Estimate(field=field, power=np.exp(power), band_db=band)

    @cached_property
    def _mean(self) -> ComplexArray:
        return np.asarray(self.fields.mean(axis=0))

    @cached_property
    def _off_mean(self) -> ComplexArray:
        return np.asarray(self.fields - self._mean)

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
        In Pa.m, about the source, but for a phase that all directions of a frequency share.
    power : (n_frequencies,) array
        In W.
    band_db : (n_frequencies, n_directions) array
        95 % of all levels re the listening window are within so many dB of the estimate's.
    """

    field: ComplexArray
    power: FloatArray
    band_db: FloatArray


@lru_cache(maxsize=4)
def estimated(estimator: Estimator, values: tuple[float, ...]) -> Estimate:
    """Return the estimate of a shape, made once for its levels and its score."""
    return estimator.estimate(values)


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
        kernels = [_kernel(points, middle[:, judged]) for middle in middles]
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


def about_source(
    fields: ComplexArray, wavenumber: FloatArray, directions: FloatArray, centre: FloatArray
) -> ComplexArray:
    """Return far fields about the source instead of the origin.

    A lens that is deeper sets the dome back, which turns the phase by the same way in front of it.

    Parameters
    ----------
    fields : (n_frequencies, n_directions) complex array
        Far fields about the origin, in Pa.m.
    wavenumber : (n_frequencies,) array
        In 1/m.
    directions : (n_directions, 3) array
        Unit vectors.
    centre : (3,) array
        Where the source is, in m.
    """
    way = directions @ centre
    return np.asarray(fields * np.exp(1j * np.multiply.outer(wavenumber, way)))


def levels_db(field: ComplexArray, window: IntArray) -> FloatArray:
    """Return levels re the listening window, (..., n_directions), in dB."""
    amplitude = np.abs(field)
    reference = over_window(amplitude, window)
    return np.asarray(20 * np.log10(np.maximum(amplitude, 1e-9 * reference) / reference))


def over_window(amplitude: FloatArray, window: IntArray) -> FloatArray:
    """Return the root mean square over the listening window, (..., 1), of amplitudes (..., n)."""
    return np.asarray(np.sqrt(np.mean(amplitude[..., window] ** 2, axis=-1, keepdims=True)))


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


def _kernel(points: FloatArray, field: ComplexArray) -> Kernel:
    """Find the kernel that a field's principal components suggest."""
    # Half a second to load, and a page whose kernels were kept needs none of it.
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import (
        ConstantKernel,
        DotProduct,
        Matern,
        WhiteKernel,
    )

    like = Matern(np.ones(points.shape[1]), (0.1, 30.0), nu=2.5)
    smooth = ConstantKernel(1.0, (1e-2, 1e3)) * like
    trend = ConstantKernel(1.0, (1e-3, 1e3)) * DotProduct(1.0, "fixed")
    scatter = WhiteKernel(1e-3, (1e-7, 0.3))
    process = GaussianProcessRegressor(smooth + trend + scatter, alpha=_NUGGET)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # a length at its bound is no fault
        process.fit(points, _components(field))
    found = np.exp(process.kernel_.theta)  # in the order of the sum above
    return Kernel(
        smooth=float(found[0]),
        lengths=tuple(map(float, found[1:-2])),
        trend=float(found[-2]),
        scatter=float(found[-1]),
    )


def group_of(points: FloatArray, kernel: Kernel, numbers: IntArray) -> Group:
    """Return neighbouring frequencies whose kernel is known, for shapes of the unit cube."""
    matrix = kernel.between(points, points) + (kernel.scatter + _NUGGET) * np.eye(len(points))
    inverse = np.asarray(np.linalg.inv(matrix), dtype=float)
    return Group(numbers=numbers, kernel=kernel, inverse=inverse)


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
    reference = over_window(amplitude, window)
    of_reference = over_window(error, window)
    own_db = 20 * np.log10(1 + error / np.maximum(amplitude, 1e-9 * reference))
    return np.asarray(np.hypot(own_db, 20 * np.log10(1 + of_reference / reference)))
