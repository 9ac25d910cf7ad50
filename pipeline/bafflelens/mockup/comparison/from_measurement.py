# SPDX-License-Identifier: GPL-3.0-or-later
"""From a measurement that was read and prepared to what a comparison works on."""

from __future__ import annotations

import numpy as np

from bafflelens.mockup.comparison.observed import Observed
from bafflelens.mockup.measurement.measured import Measured, Orbit, mean_pressure, repeatability_db


def observed_of(measured: Measured) -> tuple[Observed, ...]:
    """Return the orbits of a measurement."""
    return tuple(_observed(measured, orbit) for orbit in measured.orbits)


def _observed(measured: Measured, orbit: Orbit) -> Observed:
    pressure = mean_pressure(orbit, has_phase=measured.has_phase).T
    spread = repeatability_db(orbit)
    tiny = np.finfo(float).tiny
    delay = np.exp(2j * np.pi * measured.frequencies_hz * measured.delay_s)[:, np.newaxis]
    return Observed(
        plane=orbit.name,
        setup=orbit.setup,
        angle_deg=orbit.angles_deg,
        frequency_hz=measured.frequencies_hz,
        level_db=20 * np.log10(np.maximum(np.abs(pressure), tiny)),
        is_usable=orbit.valid.T & (measured.frequencies_hz >= measured.lowest_valid_hz)[:, None],
        noise_db=(None if orbit.noise is None else 20 * np.log10(np.maximum(orbit.noise.T, tiny))),
        # The mean over n sweeps scatters less than one of them.
        spread_db=None if spread is None else spread.T / np.sqrt(len(orbit.pressure)),
        pressure=pressure * delay if measured.has_phase else None,
        gate_limit_hz=measured.lowest_valid_hz,
        gate_s=1 / measured.lowest_valid_hz if measured.lowest_valid_hz > 0 else 0.0,
    )
