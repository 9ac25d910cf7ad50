# SPDX-License-Identifier: GPL-3.0-or-later
"""A measurement as it is compared: orbits of pressure, and where the microphone was."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from bafflelens.base.conventions import BoolArray, ComplexArray, FloatArray
from bafflelens.base.medium import Air

OrbitName = Literal["horizontal", "vertical"]
ORBITS: Final[tuple[OrbitName, ...]] = ("horizontal", "vertical")


@dataclass(frozen=True, kw_only=True)
class Setup:
    """Where the microphone was, and the state of the air.

    Attributes
    ----------
    distance_m : float
        From the turntable's axis to the microphone, in the plane that is turned in.
    microphone_height_m : float
        Of the microphone over the tweeter's axis: along z on the horizontal orbit, along y on
        the vertical one, where the cabinet lies with its left side up.
    rotation_point_m : tuple of 3 floats
        A point of the turntable's axis in the project's frame; (-0.12, 0, 0) is 0.12 m behind
        the baffle. The coordinate along the axis has no effect.
    angle_sign : int
        1 or -1: what the turntable's reading was multiplied by to make it positive towards the
        loudspeaker's left, or up. `Orbit.angles_deg` has it already.
    temperature_c, relative_humidity_pct, pressure_kpa : float
        The air during the measurement.
    drive_v : float or None
        Voltage at the terminals, if known.
    date, remarks : str
        As the user wrote them.
    """

    distance_m: float
    microphone_height_m: float = 0.0
    rotation_point_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    angle_sign: int = 1
    temperature_c: float = 20.0
    relative_humidity_pct: float = 50.0
    pressure_kpa: float = 101.325
    drive_v: float | None = None
    date: str = ""
    remarks: str = ""

    @property
    def air(self) -> Air:
        """The air during the measurement."""
        return Air(
            temperature_c=self.temperature_c,
            relative_humidity_pct=self.relative_humidity_pct,
            pressure_pa=1e3 * self.pressure_kpa,
        )


@dataclass(frozen=True, kw_only=True)
class Orbit:
    """The pressure around one axis.

    Attributes
    ----------
    name : {"horizontal", "vertical"}
        Which orbit.
    angles_deg : (n_angles,) array
        Nominal angles, rising, in the project's sense (`conventions`): azimuth, or the angle
        over the top. Missing angles are absent.
    pressure : (n_repeats, n_angles, n_frequencies) array
        Complex pressure for exp(-i omega t), as if the air did not absorb; where the
        measurement has no phase, its magnitude as a positive real part. Its unit is Pa if the
        files were calibrated; only ratios are used.
    valid : (n_angles, n_frequencies) array
        False where the noise floor or the data forbid to use the value. Values there are finite.
    noise : (n_angles, n_frequencies) array or None
        Magnitude of the noise floor, treated as the pressure was; None if there is no estimate.
    setup : Setup
        Set-up of this orbit; lying on its side a cabinet may turn about another point.
    """

    name: OrbitName
    angles_deg: FloatArray
    pressure: ComplexArray
    valid: BoolArray
    noise: FloatArray | None
    setup: Setup


@dataclass(frozen=True, kw_only=True)
class Measured:
    """One measurement of one mock-up, ready to be compared.

    Attributes
    ----------
    title : str
        What was measured.
    frequencies_hz : (n_frequencies,) array
        Frequencies in Hz, rising, none below `lowest_valid_hz`.
    orbits : tuple of Orbit
        One or two, each name once.
    setup : Setup
        What the orbits have in common.
    has_phase : bool
        Whether the phase means anything, from angle to angle of one repeat too.
    lowest_valid_hz : float
        Limit of the gate; 0 for data without a gate.
    delay_s : float
        Time that was taken out of all phases alike; 0 if none was.
    remarks : tuple of str
        What was done and found: gate, repairs, missing angles, masked ranges.
    mock_up : str
        Name of the mock-up, the same for all its measurements; empty where it has none.
    """

    title: str
    frequencies_hz: FloatArray
    orbits: tuple[Orbit, ...]
    setup: Setup
    has_phase: bool
    lowest_valid_hz: float = 0.0
    delay_s: float = 0.0
    remarks: tuple[str, ...] = ()
    mock_up: str = ""

    def orbit(self, name: OrbitName) -> Orbit | None:
        """Return the orbit of a name, None if it was not measured."""
        return next((orbit for orbit in self.orbits if orbit.name == name), None)


def nominal_directions(name: OrbitName, angles_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return azimuth and elevation in degrees of an orbit's angles, each (n_angles,)."""
    angle = (np.asarray(angles_deg, dtype=float) + 180) % 360 - 180
    if name == "horizontal":
        return np.where(angle == -180, 180.0, angle), np.zeros(len(angle))
    behind = np.abs(angle) > 90
    elevation = np.where(behind, np.copysign(180 - np.abs(angle), angle), angle)
    return np.where(behind, 180.0, 0.0), elevation


def mean_pressure(orbit: Orbit, *, has_phase: bool) -> ComplexArray:
    """Return the mean over repeats, (n_angles, n_frequencies).

    Its magnitude is the root mean square, so that a drift of the phase takes no level away;
    its phase that of the complex mean.
    """
    magnitude = np.sqrt(np.mean(np.abs(orbit.pressure) ** 2, axis=0))
    if not has_phase:
        return np.asarray(magnitude, dtype=complex)
    phase = np.angle(orbit.pressure.mean(axis=0))
    return np.asarray(magnitude * np.exp(1j * phase), dtype=complex)


def repeatability_db(orbit: Orbit) -> FloatArray | None:
    """Return the standard deviation of one repeat's level in dB, (n_angles, n_frequencies).

    Estimated from the repeats with n - 1 degrees of freedom; None if there is only one.
    """
    if len(orbit.pressure) < 2:
        return None
    level = 20 * np.log10(np.maximum(np.abs(orbit.pressure), np.finfo(float).tiny))
    return np.asarray(level.std(axis=0, ddof=1))
