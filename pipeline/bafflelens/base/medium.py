# SPDX-License-Identifier: GPL-3.0-or-later
"""Air: speed of sound, density and absorption from temperature, humidity and pressure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import InputError, invalid

_REFERENCE_TEMPERATURE_K = 293.15  # ISO 9613-1:1993, T0
_TRIPLE_POINT_K = 273.16  # ISO 9613-1:1993, T01
_REFERENCE_PRESSURE_PA = 101325.0  # ISO 9613-1:1993, p_r
_GAS_CONSTANT_DRY_AIR = 287.05  # J/(kg K)
_GAS_CONSTANT_VAPOUR = 461.5  # J/(kg K)


@dataclass(frozen=True, kw_only=True)
class Air:
    """Still air without viscosity.

    Attributes
    ----------
    temperature_c : float
        Temperature in degrees Celsius, -20 to 50 (the range of ISO 9613-1 table 1).
    relative_humidity_pct : float
        Relative humidity in per cent, 0 to 100.
    pressure_pa : float
        Static pressure in Pa, 60,000 to 110,000.
    """

    temperature_c: float = 20.0
    relative_humidity_pct: float = 50.0
    pressure_pa: float = _REFERENCE_PRESSURE_PA

    def __post_init__(self) -> None:
        faults = [
            invalid(name, value, f"from {low:g} to {high:g} {unit}")
            for name, value, low, high, unit in (
                ("air temperature", self.temperature_c, -20, 50, "degrees C"),
                ("relative humidity", self.relative_humidity_pct, 0, 100, "per cent"),
                ("air pressure", self.pressure_pa, 60_000, 110_000, "Pa"),
            )
            if not low <= value <= high
        ]
        if faults:
            raise InputError(faults)

    @property
    def temperature_k(self) -> float:
        """Absolute temperature in K."""
        return self.temperature_c + 273.15

    @property
    def sound_speed(self) -> float:
        """Speed of sound in m/s, 343.2 sqrt(T/T0): ISO 9613-1:1993, dry-air value.

        Humidity raises it by up to 0.35 % at 30 degrees C; that is left out, as in the standard.
        """
        return float(343.2 * np.sqrt(self.temperature_k / _REFERENCE_TEMPERATURE_K))

    @property
    def vapour_pressure_pa(self) -> float:
        """Partial pressure of water vapour in Pa, ISO 9613-1:1993 annex B."""
        exponent = -6.8346 * (_TRIPLE_POINT_K / self.temperature_k) ** 1.261 + 4.6151
        return float(self.relative_humidity_pct / 100 * _REFERENCE_PRESSURE_PA * 10**exponent)

    @property
    def density(self) -> float:
        """Density of moist air in kg/m^3 (mixture of two ideal gases)."""
        vapour = self.vapour_pressure_pa
        dry = (self.pressure_pa - vapour) / (_GAS_CONSTANT_DRY_AIR * self.temperature_k)
        return float(dry + vapour / (_GAS_CONSTANT_VAPOUR * self.temperature_k))

    @property
    def impedance(self) -> float:
        """Characteristic impedance (density times sound speed) in Pa s/m."""
        return self.density * self.sound_speed

    def wavenumber(self, frequency_hz: float) -> float:
        """Return k = 2 pi f / c in 1/m."""
        return float(2 * np.pi * frequency_hz / self.sound_speed)

    def absorption(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the attenuation of a pure tone in dB/m (ISO 9613-1:1993 eq. 3 to 5).

        Parameters
        ----------
        frequency_hz : array
            Frequencies in Hz.

        Returns
        -------
        array
            Attenuation in dB/m, the shape of `frequency_hz`.
        """
        frequency = np.asarray(frequency_hz, dtype=float)
        temperature = self.temperature_k / _REFERENCE_TEMPERATURE_K
        pressure = self.pressure_pa / _REFERENCE_PRESSURE_PA
        molar = 100 * self.vapour_pressure_pa / self.pressure_pa  # h in per cent
        oxygen = pressure * (24 + 4.04e4 * molar * (0.02 + molar) / (0.391 + molar))
        nitrogen = (
            pressure
            * temperature**-0.5
            * (9 + 280 * molar * np.exp(-4.170 * (temperature ** (-1 / 3) - 1)))
        )
        relaxation = temperature**-2.5 * (
            0.01275 * np.exp(-2239.1 / self.temperature_k) / (oxygen + frequency**2 / oxygen)
            + 0.1068 * np.exp(-3352.0 / self.temperature_k) / (nitrogen + frequency**2 / nitrogen)
        )
        classical = 1.84e-11 / pressure * temperature**0.5
        return np.asarray(8.686 * frequency**2 * (classical + relaxation))
