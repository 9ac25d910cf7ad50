# SPDX-License-Identifier: GPL-3.0-or-later
"""A measured orbit as a comparison needs it: levels at frequencies and angles, and their worth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from bafflelens.base.conventions import BoolArray, ComplexArray, FloatArray
from bafflelens.mockup.measurement.measured import OrbitName, Setup

LEAST_OVER_NOISE_DB: Final = 10.0
"""Nearer to the noise nothing is used: there it adds more than 0.4 dB, and scatters by 2 dB."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Observed:
    """One orbit.

    Attributes
    ----------
    plane : {"horizontal", "vertical"}
        Which orbit it is.
    setup : Setup
        How it was set up, as noted.
    angle_deg : (n_angles,) array
        Rising, positive to the loudspeaker's left or up, as noted.
    frequency_hz : (n_frequencies,) array
        Rising, in Hz.
    level_db : (n_frequencies, n_angles) array
        Level in dB without any smoothing of the comparison; NaN where there is none.
    is_usable : (n_frequencies, n_angles) bool array
        False below the gate's limit and where noise is near.
    noise_db : (n_frequencies, n_angles) array or None
        Level of the noise in dB.
    spread_db : (n_frequencies, n_angles) array or None
        Standard deviation over repeated sweeps in dB.
    pressure : (n_frequencies, n_angles) complex array or None
        With phase, for exp(-i omega t), all angles with one zero of time; None if only levels
        are known, or each angle has a zero of its own.
    gate_limit_hz : float
        Lowest frequency that the gate lets through whole, in Hz; 0 without a gate.
    gate_s : float
        Length of the gate in s; 0 without one.
    """

    plane: OrbitName
    setup: Setup
    angle_deg: FloatArray
    frequency_hz: FloatArray
    level_db: FloatArray
    is_usable: BoolArray
    noise_db: FloatArray | None = None
    spread_db: FloatArray | None = None
    pressure: ComplexArray | None = None
    gate_limit_hz: float = 0.0
    gate_s: float = 0.0

    def without_noise(self) -> Observed:
        """Return the orbit with the power of the noise taken off, and nothing near to it used."""
        if self.noise_db is None:
            return self
        over = self.level_db - self.noise_db
        share = 10 ** (-np.maximum(np.nan_to_num(over, nan=100.0), 3.0) / 10)
        return replace(
            self,
            level_db=self.level_db + 10 * np.log10(1 - share),
            is_usable=self.is_usable & ~(over < LEAST_OVER_NOISE_DB),
        )

    def without_ripple(self, delay_s: float) -> Observed:
        """Return the orbit with the ripple of a reflection averaged away, for a fit.

        The mean of the level in dB over whole periods of 1/delay is that of the direct sound
        alone, as long as the reflection is the weaker: the mean of ln|1 + q exp(i t)| over t is
        zero for q < 1 (Jensen's formula).
        """
        half = 1 / delay_s
        rows = []
        for frequency in self.frequency_hz:
            # Cosine bell over two periods, cut off alike on both sides at the ends of the band.
            reach = min(half, frequency - self.frequency_hz[0], self.frequency_hz[-1] - frequency)
            near = np.abs(self.frequency_hz - frequency) <= max(reach, 1e-9)
            offset = (self.frequency_hz[near] - frequency) / half
            weight = (1 + np.cos(np.pi * offset))[:, np.newaxis] * np.isfinite(self.level_db[near])
            total = np.where(weight.sum(axis=0) > 0, weight.sum(axis=0), np.nan)
            rows.append((weight * np.nan_to_num(self.level_db[near])).sum(axis=0) / total)
        level = np.array(rows)
        return replace(self, level_db=level, is_usable=self.is_usable & np.isfinite(level))

    def at(self, frequency_hz: FloatArray) -> tuple[FloatArray, BoolArray]:
        """Return level and usability at other frequencies, straight in dB over log f."""
        upper = np.clip(np.searchsorted(self.frequency_hz, frequency_hz), 1, None)
        upper = np.minimum(upper, len(self.frequency_hz) - 1)
        lower = upper - 1
        low, high = self.frequency_hz[lower], self.frequency_hz[upper]
        share = (np.log(frequency_hz / low) / np.log(high / low))[:, np.newaxis]
        level = (1 - share) * self.level_db[lower] + share * self.level_db[upper]
        inside = (share >= -1e-6) & (share <= 1 + 1e-6)
        usable = inside & self.is_usable[lower] & self.is_usable[upper] & np.isfinite(level)
        return np.asarray(level), np.asarray(usable)

    def pressure_at(self, frequency_hz: FloatArray, delay_s: float) -> ComplexArray | None:
        """Return the complex pressure at other frequencies.

        A delay that is known to be in the phase is taken out before interpolating, straight in
        real and imaginary part, and put back after.
        """
        if self.pressure is None:
            return None
        still = self.pressure * np.exp(-2j * np.pi * self.frequency_hz * delay_s)[:, np.newaxis]
        columns = [
            np.interp(frequency_hz, self.frequency_hz, column.real)
            + 1j * np.interp(frequency_hz, self.frequency_hz, column.imag)
            for column in still.T
        ]
        turned = np.exp(2j * np.pi * np.asarray(frequency_hz) * delay_s)[:, np.newaxis]
        return np.asarray(np.stack(columns, axis=1) * turned)
