# SPDX-License-Identifier: GPL-3.0-or-later
r"""Drivers: how strongly a source moves for a voltage, from a measurement of the real one.

A simulated far field is for an acceleration of 1 m/s^2. What acceleration a driver has for a
voltage comes from one of two files (`bafflelens.directivity.responses`):

pressure
    The sound pressure p of the driver in a *plate* that can be simulated too, in dB re 20 uPa.
    With the microphone on the reference axis at the distance r from the reference point and
    the simulated pressure q of the plate at that very point, for 1 m/s^2, the acceleration is

    .. math:: a(f) = \frac{p(f)}{q(f)} \, \frac{V_{rated}}{V}

    A run solves a plate with its microphones. A dataset without them is taken by the far-field
    law, q = F exp(ikr)/r, which is 1 dB off at 1 m from a plate of 0.2 x 0.4 m
    (``tests/benchmarks/microphone_distance.py``).
acceleration
    The acceleration of the diaphragm in dB re 1 m/s^2, from a laser or from a model.

All amplitudes are r.m.s. values. Phases hold for the same zero of time for all drivers of a
loudspeaker; `Driver.removed_delay_s` puts back what was taken out of one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from bafflelens.base.conventions import (
    REFERENCE_PRESSURE_PA,
    ComplexArray,
    FloatArray,
    from_electrical,
)
from bafflelens.base.errors import InputError, invalid
from bafflelens.directivity.far_field_data import is_solved, microphone_pressure, source_named
from bafflelens.directivity.polars import on_axis
from bafflelens.directivity.responses import Response

if TYPE_CHECKING:
    import xarray as xr

SUSPICIOUS_DELAY_S: Final = 0.5e-3


@dataclass(frozen=True, kw_only=True)
class Driver:
    """What is known of a real driver.

    Attributes
    ----------
    name : str
        The source, or the first part of the names of several that are alike.
    quantity : {"pressure", "acceleration"}
        What `response` holds: dB re 20 uPa in a plate, or dB re 1 m/s^2.
    response : Response
        The measurement, for exp(+j omega t).
    voltage_v : float
        Voltage at the driver's terminals during the measurement, r.m.s.
    distance_m : float
        From the plate's reference point to the microphone on the axis; for a pressure only.
    removed_delay_s : float
        Delay that was taken out of the measured phase; 0 if the flight time is still in it.
    """

    name: str
    quantity: str
    response: Response
    voltage_v: float
    distance_m: float = 1.0
    removed_delay_s: float = 0.0


def strength(
    driver: Driver,
    plate: xr.Dataset | None,
    frequency_hz: FloatArray,
    *,
    rated_voltage_v: float,
) -> ComplexArray:
    """Return the acceleration of a driver at its rated voltage.

    Parameters
    ----------
    driver : Driver
        The driver.
    plate : xarray.Dataset or None
        The simulated plate, with one source; None for a measured acceleration.
    frequency_hz : (n_frequencies,) array
        Where it is wanted, in Hz. Beyond the measured band the ends are held.
    rated_voltage_v : float
        The voltage, r.m.s.

    Returns
    -------
    (n_frequencies,) complex array
        In m/s^2, r.m.s., for exp(-i omega t); NaN where the plate was not solved.

    Raises
    ------
    InputError
        If a pressure comes without its plate, or the plate was solved nowhere.
    """
    volts = rated_voltage_v / driver.voltage_v
    if driver.quantity == "acceleration":
        return volts * _measured(driver, frequency_hz, flight_s=0.0)
    if plate is None:
        rule = "given with the plate that it was measured in"
        raise InputError(invalid("driver", driver.name, rule))
    solved = is_solved(plate)
    if not solved.any():
        rule = "a plate that was solved at one frequency at least"
        raise InputError(invalid("plate of driver", driver.name, rule))
    at_plate = plate["frequency"].values
    k = 2 * np.pi * at_plate / float(plate.attrs["air_sound_speed_m_s"])
    flight_s = driver.distance_m / float(plate.attrs["air_sound_speed_m_s"])
    pressure = REFERENCE_PRESSURE_PA * _measured(driver, at_plate, flight_s=flight_s)
    simulated = microphone_pressure(plate, driver.distance_m)
    if simulated is None:
        simulated = on_axis(plate) * np.exp(1j * k * driver.distance_m) / driver.distance_m
    found = np.full(pressure.shape, np.nan, dtype=complex)
    np.divide(volts * pressure, simulated, out=found, where=solved)
    if np.array_equal(at_plate, frequency_hz):
        return found
    return _between(at_plate[solved], found[solved], frequency_hz)


def plate_source(plate: xr.Dataset, driver: Driver, source: str) -> xr.Dataset:
    """Return the plate with only the source that was measured.

    Parameters
    ----------
    plate : xarray.Dataset
        The simulated plate.
    driver : Driver
        The driver.
    source : str
        Name of the source in the plate; empty for the driver's own, or the only one there is.

    Raises
    ------
    InputError
        If there is no such source, or it is not clear which one is meant.
    """
    names = [str(name) for name in plate["source"].values]
    wanted = source or (names[0] if len(names) == 1 else driver.name)
    if wanted not in names:
        rule = "one of the plate's sources, " + ", ".join(names)
        raise InputError(invalid(f"source of driver '{driver.name}' in its plate", wanted, rule))
    return source_named(plate, wanted)


def delay_remark(driver: Driver, sound_speed: float) -> str:
    """Return a line if the phase of a pressure holds a delay that the distance does not explain.

    A driver's own phase at high frequency is that of a few tenths of a millisecond at most
    (common practice, no source). More means that the flight time was taken out of the phase
    already, or that the distance is wrong.
    """
    if driver.quantity != "pressure" or np.ptp(driver.response.phase_deg) == 0:
        return ""
    known_s = driver.distance_m / sound_speed - driver.removed_delay_s
    rest_s = driver.response.excess_delay_s(known_s)
    if abs(rest_s) < SUSPICIOUS_DELAY_S:
        return ""
    return (
        f"Warning: the phase of {driver.response.name} (driver {driver.name}) holds a delay of "
        f"{1e3 * rest_s:+.2f} ms beside the flight time over {driver.distance_m:g} m; if the "
        "flight time was taken out of it, say so with removed_delay_ms"
    )


def _measured(driver: Driver, frequency_hz: FloatArray, *, flight_s: float) -> ComplexArray:
    """Return the measured values for exp(-i omega t), with the removed delay put back."""
    frequency = np.asarray(frequency_hz, dtype=float)
    in_file_s = flight_s - driver.removed_delay_s
    value = driver.response.at(frequency, delay_s=in_file_s)
    return from_electrical(value * np.exp(-2j * np.pi * frequency * driver.removed_delay_s))


def _between(at_hz: FloatArray, values: ComplexArray, frequency_hz: FloatArray) -> ComplexArray:
    """Return complex values between those at other frequencies; the ends are held."""
    curve = Response(
        name="",
        frequency_hz=at_hz,
        level_db=20 * np.log10(np.abs(values)),
        phase_deg=np.degrees(np.angle(values)),
    )
    return curve.at(frequency_hz)
