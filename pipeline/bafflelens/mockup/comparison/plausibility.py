# SPDX-License-Identifier: GPL-3.0-or-later
"""What a measurement tells of its own description, besides where the microphones stood.

Two orbits have the axis in common, so that there they must have the same level. And where the
phases share a zero of time that is the signal's, the way of the sound to the microphone tells
distance and speed of sound together. What else may be wrong leaves no trace; `UNTOLD` says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from scipy.special import stdtrit

from bafflelens.mockup.comparison.cause import OrbitFacts

UNTOLD: Final = (
    "The data do not tell: a level that is wrong at all angles of both orbits alike (gain, drive, "
    "calibration); air and distance, unless the phases have the signal's own zero of time."
)

_LEAST_DB: Final = 0.5
_BLOCKS: Final = 4
_NEAR_AXIS_DEG: Final = 6.0
_LEAST_M: Final = 0.03  # a driver's own delay is worth about as much (common practice, no source)
_FURTHEST_SHARE: Final = 0.25  # of the distance; beyond, the zero of time is the recorder's
_WAY_FROM_HZ: Final = 2000.0  # below, a driver's own phase is in it
_WAY_TO_HZ: Final = 8000.0
_IN_STEP: Final = 0.7  # share of the phases that one way must explain


def implausible(orbits: Sequence[OrbitFacts], sound_speed: float) -> tuple[str, ...]:
    """Return what of a description the data contradict, one line each.

    Parameters
    ----------
    orbits : sequence of Orbit
        Measurement and simulation where the microphones were found.
    sound_speed : float
        Of the air as noted, in m/s.
    """
    found = [_orbits_apart(orbits), *(_way(orbit, sound_speed) for orbit in orbits)]
    return tuple(line for line in found if line)


def _orbits_apart(orbits: Sequence[OrbitFacts]) -> str:
    """Compare measured minus simulated level of two orbits on their common axis."""
    if len(orbits) < 2 or any(
        np.abs(orbit.difference.angle_deg).min() > _NEAR_AXIS_DEG for orbit in orbits
    ):
        return ""
    levels = []
    for orbit in orbits:
        one = orbit.difference
        levels.append(one.on_axis_db[0] - one.on_axis_db[1] + one.level_db)
    apart = levels[0] - levels[1]
    apart = apart[np.isfinite(apart)]
    if apart.size < _BLOCKS:
        return ""
    means = [part.mean() for part in np.array_split(apart, _BLOCKS)]
    mean = float(np.mean(means))
    range_db = float(stdtrit(_BLOCKS - 1, 0.975) * np.std(means, ddof=1) / np.sqrt(_BLOCKS))
    if abs(mean) < max(_LEAST_DB, range_db):
        return ""
    plane, other = (orbit.difference.plane for orbit in orbits)
    side = "above" if mean > 0 else "below"
    return (
        f"On their common axis the {plane} orbit is {abs(mean):.1f} ± {range_db:.1f} dB {side} "
        f"the {other} one: gain, drive or distance changed in between. Each orbit has a level of "
        "its own here, so that its directivity does not suffer."
    )


def _way(orbit: OrbitFacts, sound_speed: float) -> str:
    """Compare the measured way of the sound in front with the simulated one."""
    observed, simulated = orbit.observed, orbit.simulated
    if observed.pressure is None:
        return ""
    inside = np.isin(observed.frequency_hz, simulated.frequency_hz)
    deviation = orbit.difference.fit.deviation
    sign = -1.0 if deviation.is_mirrored else 1.0
    front = int(np.argmin(np.abs(sign * observed.angle_deg + deviation.angle_deg)))
    chosen = observed.is_usable[inside][:, front]
    chosen &= (simulated.frequency_hz >= _WAY_FROM_HZ) & (simulated.frequency_hz <= _WAY_TO_HZ)
    if chosen.sum() < 8:
        return ""
    cross = (observed.pressure[inside] * simulated.pressure.conj())[chosen, front]
    cross = cross / np.maximum(np.abs(cross), np.finfo(float).tiny)
    k = 2 * np.pi * simulated.frequency_hz[chosen] / sound_speed
    distance = observed.setup.distance_m
    reach = _FURTHEST_SHARE * distance
    longer = np.arange(-reach, reach, 0.002)
    score = np.abs(np.exp(-1j * np.outer(longer, k)) @ cross) / k.size
    best = int(np.argmax(score))
    if score[best] < _IN_STEP or abs(longer[best]) < _LEAST_M or best in (0, longer.size - 1):
        return ""
    off = float(longer[best])
    kelvin = 2 * (273.15 + observed.setup.temperature_c) * abs(off) / distance
    return (
        f"{observed.plane.capitalize()} orbit: the sound arrives as over a way that is "
        f"{abs(1e3 * off):.0f} mm {'longer' if off > 0 else 'shorter'} than {distance:g} m at "
        f"{sound_speed:.1f} m/s make it. Distance, air (by about {kelvin:.0f} °C) or the "
        "recorder's own delay is not as noted; the data do not tell which."
    )
