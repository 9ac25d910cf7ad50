# SPDX-License-Identifier: GPL-3.0-or-later
"""The simulated pressure where the microphones of an orbit were, at the measured frequencies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.directivity.frequency_interpolation import interpolate
from bafflelens.mockup.comparison.observed import Observed
from bafflelens.mockup.comparison.radiator import Radiator
from bafflelens.mockup.measurement.microphones import SetUpDeviation, microphone_positions


@dataclass(frozen=True, kw_only=True, eq=False)
class Simulated:
    """One orbit as the simulation has it.

    Attributes
    ----------
    frequency_hz : (n_frequencies,) array
        In Hz: those of the measurement that lie in the solved band.
    pressure : (n_frequencies, n_angles) complex array
        In Pa, for exp(-i omega t).
    error_db : (n_frequencies,) array
        What interpolating between solved frequencies may be off by, in dB.
    """

    frequency_hz: FloatArray
    pressure: ComplexArray
    error_db: FloatArray

    @property
    def level_db(self) -> FloatArray:
        """Level in dB re 1 Pa, (n_frequencies, n_angles)."""
        return np.asarray(20 * np.log10(np.maximum(np.abs(self.pressure), 1e-30)))


def simulate_orbit(observed: Observed, radiator: Radiator, deviation: SetUpDeviation) -> Simulated:
    """Return what the microphones of an orbit would have heard.

    Parameters
    ----------
    observed : Observed
        The orbit.
    radiator : Radiator
        The simulation.
    deviation : Deviation
        How the set-up differed from what was noted.
    """
    points = microphone_positions(observed.setup, observed.plane, observed.angle_deg, deviation)
    solved = radiator.frequencies_hz
    pressure, _ = radiator.at(points, np.arange(solved.size))
    low, high = solved[0] * (1 - 1e-9), solved[-1] * (1 + 1e-9)
    wanted = observed.frequency_hz[
        (observed.frequency_hz >= low) & (observed.frequency_hz <= high)
    ]
    found = interpolate(
        solved,
        pressure[np.newaxis],
        wanted,
        delays_s=radiator.shortest_way_m(points)[np.newaxis] / radiator.sound_speed,
        is_front=np.abs(observed.angle_deg) <= 90,
    )
    return Simulated(frequency_hz=wanted, pressure=found.far_field[0], error_db=found.error_db)
