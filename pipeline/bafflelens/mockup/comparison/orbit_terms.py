# SPDX-License-Identifier: GPL-3.0-or-later
"""How measured and simulated levels and ways of sound differ, and the slopes with the set-up.

What one guess of the set-up gives does not depend on weights, so an orbit evaluates it once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from bafflelens.base.conventions import BoolArray, ComplexArray, FloatArray, IntArray
from bafflelens.mockup.comparison.observed import Observed
from bafflelens.mockup.comparison.radiator import Radiator
from bafflelens.mockup.measurement.microphones import PARAMETERS, SetUpDeviation, microphones

FEWEST_FREQUENCIES: Final = 4
_PATH_TOP_HZ: Final = 6000.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Terms:
    """Differences and their slopes at one guess of the set-up.

    Attributes
    ----------
    level_db : (n_frequencies, n_angles) array
        Measured less simulated level in dB; NaN where it is not used.
    level_slopes : (n_parameters, n_frequencies, n_angles) array
        Its slopes with `PARAMETERS`.
    path_m : (n_angles,) array
        By how much longer the measured way is, in m; empty where phases have no common zero.
    path_slopes : (n_parameters, n_angles) array
        Its slopes.
    """

    level_db: FloatArray
    level_slopes: FloatArray
    path_m: FloatArray
    path_slopes: FloatArray


@dataclass(kw_only=True, eq=False)
class OrbitTerms:
    """One measured orbit at the frequencies of a fit, and its simulation.

    Attributes
    ----------
    observed : Observed
        The orbit.
    radiator : Radiator
        The simulation.
    numbers : (n_frequencies,) integer array
        Which of the radiator's frequencies.
    level_db : (n_frequencies, n_angles) array
        Measured level in dB.
    usable : (n_frequencies, n_angles) bool array
        Where it counts.
    pressure : (n_frequencies, n_angles) complex array or None
        Measured pressure, where all angles have one zero of time.
    """

    observed: Observed
    radiator: Radiator
    numbers: IntArray
    level_db: FloatArray
    usable: BoolArray
    pressure: ComplexArray | None
    _evaluated: dict[SetUpDeviation, Terms] = field(default_factory=dict, init=False, repr=False)

    @property
    def frequency_hz(self) -> FloatArray:
        """The frequencies in Hz, (n_frequencies,)."""
        return self.radiator.frequencies_hz[self.numbers]

    def levels_at(self, few: IntArray) -> OrbitTerms:
        """Return the levels alone, at some of the frequencies."""
        return OrbitTerms(
            observed=self.observed,
            radiator=self.radiator,
            numbers=self.numbers[few],
            level_db=self.level_db[few],
            usable=self.usable[few],
            pressure=None,
        )

    def terms(self, deviation: SetUpDeviation) -> Terms:
        """Return how measured and simulated differ with a set-up that deviates so."""
        if deviation not in self._evaluated:
            self._evaluated[deviation] = self._terms(deviation)
        return self._evaluated[deviation]

    def _terms(self, deviation: SetUpDeviation) -> Terms:
        observed, radiator = self.observed, self.radiator
        points, slopes = microphones(observed.setup, observed.plane, observed.angle_deg, deviation)
        pressure, gradient = radiator.at(points, self.numbers)
        change = np.einsum("fnx,pnx->pfn", gradient, slopes) / pressure
        difference = np.where(self.usable, self.level_db - 20 * np.log10(np.abs(pressure)), np.nan)
        path, path_slopes = np.zeros(0), np.zeros((len(PARAMETERS), 0))
        if self.pressure is not None:
            low, sound_speed = path_frequencies(self.frequency_hz), radiator.sound_speed
            path = _paths(self.frequency_hz[low], self.pressure[low], pressure[low], sound_speed)
            k = 2 * np.pi * self.frequency_hz[low] / sound_speed
            path_slopes = -np.median(change[:, low].imag / k[:, np.newaxis], axis=1)
        return Terms(
            level_db=difference,
            level_slopes=np.asarray(-20 / np.log(10) * change.real),
            path_m=path,
            path_slopes=path_slopes,
        )


def path_frequencies(frequency_hz: FloatArray) -> BoolArray:
    """Return at which frequencies phases tell the way of sound without turning too often."""
    return np.asarray(frequency_hz <= max(_PATH_TOP_HZ, frequency_hz[FEWEST_FREQUENCIES - 1]))


def _paths(
    frequency_hz: FloatArray, measured: ComplexArray, simulated: ComplexArray, sound_speed: float
) -> FloatArray:
    """Return by how much longer the measured way is than the simulated, (n_angles,), in m.

    The delay that lines up the phases best, looked for within half a metre.
    """
    cross = measured * simulated.conj()
    cross /= np.maximum(np.abs(cross), np.finfo(float).tiny)
    k = 2 * np.pi * frequency_hz / sound_speed
    coarse = np.arange(-0.5, 0.5, 0.25 / k[-1])
    score = np.exp(-1j * np.outer(coarse, k)) @ cross
    best = coarse[np.argmax(np.abs(score), axis=0)]
    step = coarse[1] - coarse[0]
    for _ in range(3):  # parabola through three points of the squared modulus
        tried = best + step * np.array([[-1.0], [0.0], [1.0]])
        a, b, c = (
            np.abs((np.exp(-1j * np.outer(row, k)) * cross.T).sum(axis=1)) ** 2 for row in tried
        )
        curvature = a - 2 * b + c
        move = np.where(curvature < 0, 0.5 * (a - c) / np.minimum(curvature, -1e-300), 0.0)
        best = best + step * np.clip(move, -1, 1)
        step /= 4
    return np.asarray(best)
