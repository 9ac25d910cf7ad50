# SPDX-License-Identifier: GPL-3.0-or-later
"""Synthetic measurements: the exact field of a cap on a sphere, with faults of real life.

Nothing here was measured. The field is that of `cap_field`; placement, noise, reflections, steps
and a driver's response are added afterwards, so that a comparison has something to find.
"""

from __future__ import annotations

import numpy as np
from cap_field import CapField
from turntable import microphone_places

from bafflelens.mockup.measurement.measured import Measured, Orbit, Setup

SOLVED_HZ = np.concatenate([np.geomspace(500, 1000, 4), np.arange(1300, 12100, 350.0)])
MEASURED_HZ = np.arange(600.0, 11600.0, 50.0)
ANGLES_DEG = np.arange(-180.0, 180.0, 10.0)
SETUP = Setup(distance_m=2.0, rotation_point_m=(-0.08, 0.0, 0.0), remarks="synthetic")
DRIVER_DB = 3 + 2 * np.sin(np.log(MEASURED_HZ))  # what no simulation knows


def simulated(**changes):
    """The radiator that stands for a simulation."""
    return CapField(SOLVED_HZ, **changes)


def measured(
    *,
    orbits=("horizontal", "vertical"),
    angles=ANGLES_DEG,
    noise=0.003,
    step_db=0.0,
    dead=None,
    floor_m=0.0,
    echo=None,
    repeats=1,
    has_phase=False,
    air_factor=1.0,
    setup=SETUP,
    placed=None,
    seed=1,
    **body,
):
    """A measurement as it would have been read.

    ``placed`` is what the set-up really was (arguments of `microphone_places`), ``step_db``
    a change of gain above +40 degrees, ``dead`` orbit, angle and gain in dB of one microphone,
    ``floor_m`` the height over a rigid floor, ``echo`` delay and gain of a copy that is the same
    at all angles, ``air_factor`` the speed of sound over that at 20 degrees C; ``body`` changes
    the cap.
    """
    rng = np.random.default_rng(seed)
    field = CapField(MEASURED_HZ, sound_speed=343.2 * air_factor, **body)
    numbers = np.arange(MEASURED_HZ.size)
    found = []
    for name in orbits:
        points = microphone_places(setup, name, angles, **(placed or {}))
        pressure = field.at(points, numbers)[0]
        if floor_m:
            image = points.copy()
            image[:, 2 if name == "horizontal" else 1] -= 2 * floor_m
            pressure = pressure + field.at(image, numbers)[0]
        if echo:
            delay_s, gain = echo
            pressure = pressure * (1 + gain * np.exp(2j * np.pi * MEASURED_HZ * delay_s))[:, None]
        pressure = pressure * 10 ** (DRIVER_DB / 20)[:, None]
        pressure[:, angles > 40] *= 10 ** (step_db / 20)
        if dead and dead[0] == name:
            pressure[:, angles == dead[1]] *= 10 ** (dead[2] / 20)
        amount = noise * np.abs(pressure).mean()
        shape = (repeats, *pressure.shape)
        scatter = amount * (rng.normal(size=shape) + 1j * rng.normal(size=shape))
        swept = (pressure + scatter).swapaxes(1, 2)
        if not has_phase:
            swept = np.abs(swept).astype(complex)
        floor = np.full(swept.shape[1:], amount * np.sqrt(2))
        orbit = Orbit(
            name=name,
            angles_deg=angles,
            pressure=swept,
            valid=np.abs(swept).mean(axis=0) > 2 * floor,
            noise=floor,
            setup=setup,
        )
        found.append(orbit)
    return Measured(
        title="Cap on a sphere (synthetic, nothing was measured)",
        frequencies_hz=MEASURED_HZ,
        orbits=tuple(found),
        setup=setup,
        has_phase=has_phase,
        remarks=("synthetic",),
    )
