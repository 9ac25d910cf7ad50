# SPDX-License-Identifier: GPL-3.0-or-later
"""The far field of a shape that was never solved, estimated from those that were.

For each frequency, the complex far field about the source (`field_levels.about_source`) is written
in its principal components over the solved shapes, and a Gaussian process of the searched
parameters gives the coefficients: a smooth part (Matern, 5/2) with a length for each parameter, a
trend, and what meshes scatter. A phase that all directions of a shape share is taken out before:
no level needs it, and a dome that moves back by half a wavelength would turn every coefficient
round. All components of a frequency share one kernel, so that an estimate is a weighted sum of the
solved fields and takes milliseconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.live.field_levels import told_db
from bafflelens.live.shape_kernel import Group, Kernel

USEFUL_DB: Final = 3.0
"""Where the band reaches further to either side than this, no level is shown."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Estimator:
    """What `learning.estimator_of` learned from solved shapes.

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
        band = self.factor[:, np.newaxis] * told_db(error, np.abs(field), self.window)
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
            fields[:, chosen] -= group.left_out_errors(self.fields[:, chosen])
            log_power[:, chosen] -= group.left_out_errors(self.log_power[:, chosen])
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
