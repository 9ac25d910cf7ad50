# SPDX-License-Identifier: GPL-3.0-or-later
"""What a good loudspeaker must do: the room's bounces and the levels asked for.

Depends on: conventions, errors, medium.

Levels of a target are those that leave the loudspeaker, in dB re the listening-window average;
spreading on the way is not in them. Angles are those of `bafflelens.conventions`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from bafflelens.conventions import FloatArray
from bafflelens.errors import InputError, invalid
from bafflelens.medium import Air


@dataclass(frozen=True, kw_only=True)
class Room:
    """Where loudspeaker and listener are; the reference axis is horizontal.

    Attributes
    ----------
    distance_m : float
        Horizontal distance from the tweeter to the ear.
    ear_height_m, tweeter_height_m, ceiling_height_m : float
        Heights above the floor.
    """

    distance_m: float = 3.0
    ear_height_m: float = 1.0
    tweeter_height_m: float = 1.0
    ceiling_height_m: float = 2.5

    def __post_init__(self) -> None:
        faults = [
            invalid(f"room {name.replace('_', ' ')} in m", value, "greater than 0")
            for name, value in (
                ("distance", self.distance_m),
                ("ear_height", self.ear_height_m),
                ("tweeter_height", self.tweeter_height_m),
                ("ceiling_height", self.ceiling_height_m),
            )
            if not 0 < value < np.inf
        ]
        highest = max(self.ear_height_m, self.tweeter_height_m)
        if not faults and self.ceiling_height_m <= highest:
            rule = f"above the ear and the tweeter, {highest:g} m"
            faults.append(invalid("room ceiling height in m", self.ceiling_height_m, rule))
        if faults:
            raise InputError(faults)


@dataclass(frozen=True, kw_only=True)
class Arrival:
    """One way from the tweeter to the ear.

    Attributes
    ----------
    elevation_deg : float
        Angle at which it leaves the loudspeaker, positive up.
    length_m : float
        Length of the way.
    delay_s : float
        Time after the direct sound.
    spreading_db : float
        Level re the direct sound that the longer way alone gives.
    """

    elevation_deg: float
    length_m: float
    delay_s: float
    spreading_db: float


@dataclass(frozen=True, kw_only=True)
class Limit:
    """A level over frequency at one angle, with the weight it has.

    Level and weight are interpolated over the logarithm of frequency between the given points.
    Outside the first and the last point nothing is asked for.

    Attributes
    ----------
    angle_deg : float
        Angle from the axis: elevation for floor and ceiling, otherwise the angle to both sides.
    frequencies_hz : tuple of float
        Points in Hz, rising.
    levels_db : tuple of float
        Levels re the listening-window average, in dB.
    weights : tuple of float
        Weight at each point, 0 to 1; all 1 if left out.
    """

    angle_deg: float
    frequencies_hz: tuple[float, ...]
    levels_db: tuple[float, ...]
    weights: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        count = len(self.frequencies_hz)
        if not self.weights:
            object.__setattr__(self, "weights", (1.0,) * count)
        faults = []
        if count < 2 or any(low >= high for low, high in pairwise(self.frequencies_hz)):
            rule = "at least two rising values in Hz"
            faults.append(invalid("frequencies of a limit", self.frequencies_hz, rule))
        elif self.frequencies_hz[0] <= 0:
            faults.append(invalid("frequency of a limit", self.frequencies_hz[0], "above 0 Hz"))
        for what, values in (("levels", self.levels_db), ("weights", self.weights)):
            if len(values) != count:
                rule = f"one a frequency, here {count}"
                faults.append(invalid(f"number of {what} of a limit", len(values), rule))
        faults += [
            invalid("weight of a limit", weight, "from 0 to 1")
            for weight in self.weights
            if not 0 <= weight <= 1
        ]
        if not -180 <= self.angle_deg <= 180:
            rule = "from -180 to 180 degrees"
            faults.append(invalid("angle of a limit", self.angle_deg, rule))
        if faults:
            raise InputError(faults)

    def level_at(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the level in dB at frequencies in Hz; NaN where nothing is asked for."""
        return self._interpolated(frequency_hz, self.levels_db, float("nan"))

    def weight_at(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the weight at frequencies in Hz; 0 where nothing is asked for."""
        return self._interpolated(frequency_hz, self.weights, 0.0)

    def _interpolated(
        self, frequency_hz: FloatArray, values: tuple[float, ...], outside: float
    ) -> FloatArray:
        frequency = np.asarray(frequency_hz, dtype=float)
        first, last = self.frequencies_hz[0], self.frequencies_hz[-1]
        # A frequency that was computed from a step lands on the last point only to rounding.
        inside = (frequency >= first * (1 - 1e-9)) & (frequency <= last * (1 + 1e-9))
        between = np.interp(np.log(frequency), np.log(self.frequencies_hz), values)
        return np.where(inside, between, outside)


@dataclass(frozen=True, kw_only=True)
class Target:
    """The levels that a loudspeaker is judged against.

    Attributes
    ----------
    floor, ceiling : Limit
        Highest levels allowed towards the floor bounce (negative angle) and the ceiling bounce.
    horizontal : tuple of Limit
        Lowest levels wanted at angles to both sides.
    seat : tuple of Limit
        Lowest levels wanted at angles above and below, so that the seat's height does not
        matter.
    """

    floor: Limit
    ceiling: Limit
    horizontal: tuple[Limit, ...]
    seat: tuple[Limit, ...] = ()

    def __post_init__(self) -> None:
        faults = []
        if not -90 <= self.floor.angle_deg < 0:
            rule = "from -90 to below 0 degrees"
            faults.append(invalid("angle of the floor bounce", self.floor.angle_deg, rule))
        if not 0 < self.ceiling.angle_deg <= 90:
            rule = "from above 0 to 90 degrees"
            faults.append(invalid("angle of the ceiling bounce", self.ceiling.angle_deg, rule))
        faults += [
            invalid("angle to the sides", limit.angle_deg, "from above 0 to 175 degrees")
            for limit in (*self.horizontal, *self.seat)
            if not 0 < limit.angle_deg <= 175
        ]
        if faults:
            raise InputError(faults)


def arrivals(room: Room, air: Air | None = None) -> dict[str, Arrival]:
    """Return direct sound, floor bounce and ceiling bounce from first-order images.

    Parameters
    ----------
    room : Room
        Distances and heights.
    air : Air, optional
        For the delays; `Air` with its defaults if left out.

    Returns
    -------
    dict of str to Arrival
        ``direct``, ``floor`` and ``ceiling``.
    """
    sound_speed = (air or Air()).sound_speed
    heights = room.tweeter_height_m, room.ear_height_m
    rise = {
        "direct": heights[1] - heights[0],
        "floor": -(heights[0] + heights[1]),
        "ceiling": 2 * room.ceiling_height_m - heights[0] - heights[1],
    }
    direct_m = float(np.hypot(room.distance_m, rise["direct"]))
    found = {}
    for name, rise_m in rise.items():
        length_m = float(np.hypot(room.distance_m, rise_m))
        found[name] = Arrival(
            elevation_deg=float(np.degrees(np.arctan2(rise_m, room.distance_m))),
            length_m=length_m,
            delay_s=(length_m - direct_m) / sound_speed,
            spreading_db=float(20 * np.log10(direct_m / length_m)),
        )
    return found


def bounce_angles(room: Room) -> dict[str, float]:
    """Return the elevations in degrees at which ``floor`` and ``ceiling`` bounce leave."""
    found = arrivals(room)
    return {name: found[name].elevation_deg for name in ("floor", "ceiling")}


def default_target(room: Room | None = None) -> Target:
    """Return the target that common practice suggests for a room.

    Floor and ceiling bounce -2 and -3 dB at 2 kHz, -4 and -5 at 3 kHz, -6 and -8 from 4 to
    10 kHz, with a weight that falls to one half between 8 and 10 kHz, where the dome narrows
    by itself. Horizontally at 60 degrees -3 dB to 5 kHz, -6 at 8 and -9 at 10 kHz, fading out
    at 12 kHz; at 30 degrees -2 dB to 10 kHz. At 10 degrees up and down -2 dB to 10 kHz.

    Parameters
    ----------
    room : Room, optional
        Gives the angles of the bounces; `Room` with its defaults if left out.
    """
    angle = bounce_angles(room or Room())
    frequencies = (2000.0, 3000.0, 4000.0, 8000.0, 10000.0)
    weights = (1.0, 1.0, 1.0, 1.0, 0.5)
    return Target(
        floor=Limit(
            angle_deg=angle["floor"],
            frequencies_hz=frequencies,
            levels_db=(-2.0, -4.0, -6.0, -6.0, -6.0),
            weights=weights,
        ),
        ceiling=Limit(
            angle_deg=angle["ceiling"],
            frequencies_hz=frequencies,
            levels_db=(-3.0, -5.0, -8.0, -8.0, -8.0),
            weights=weights,
        ),
        horizontal=(
            Limit(
                angle_deg=60.0,
                frequencies_hz=(1000.0, 5000.0, 8000.0, 10000.0, 12000.0),
                levels_db=(-3.0, -3.0, -6.0, -9.0, -9.0),
                weights=(1.0, 1.0, 1.0, 1.0, 0.0),
            ),
            Limit(angle_deg=30.0, frequencies_hz=(1000.0, 10000.0), levels_db=(-2.0, -2.0)),
        ),
        seat=(Limit(angle_deg=10.0, frequencies_hz=(1000.0, 10000.0), levels_db=(-2.0, -2.0)),),
    )
