# SPDX-License-Identifier: GPL-3.0-or-later
"""What a good loudspeaker must do: the room's bounces and the levels asked for.

Levels of a target are those that leave the loudspeaker, in dB re the listening-window average;
spreading on the way is not in them. Angles are those of `bafflelens.base.conventions`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.medium import Air

AMBITIOUS_LEVEL_DB: Final = -10.0  # of each bounce at the ear, re the listening window

_BOUNCE_FREQUENCIES_HZ: Final = (2000.0, 3000.0, 4000.0, 8000.0, 10000.0)
_LARGEST_ANGLE_STEP_DEG: Final = 10.0  # half the height of the patch of a bounce


@dataclass(frozen=True, kw_only=True)
class Room:
    """Where loudspeaker and listener are; the reference axis is horizontal.

    The loudspeaker is the one of a pair that has the side wall at its own right; its mirror
    image is judged alike. Straight ahead is along the side wall.

    Attributes
    ----------
    distance_m : float
        Horizontal distance from the tweeter to the ear, at the main seat.
    nearest_m, farthest_m : float or None
        The same for the nearest and the farthest seat; None where there is only the main seat.
    ear_height_m, tweeter_height_m, ceiling_height_m : float
        Heights above the floor.
    side_wall_m : float
        Distance from the tweeter to the side wall.
    seat_aside_m : float
        By how much the ear is farther from the side wall than the tweeter; half the base of a
        stereo pair.
    toe_in_deg : float
        By how much the axis is turned from straight ahead, away from the side wall, in degrees.
    """

    distance_m: float = 3.0
    nearest_m: float | None = None
    farthest_m: float | None = None
    ear_height_m: float = 1.0
    tweeter_height_m: float = 1.0
    ceiling_height_m: float = 2.5
    side_wall_m: float = 1.0
    seat_aside_m: float = 0.0
    toe_in_deg: float = 0.0

    def __post_init__(self) -> None:
        faults = [
            invalid(f"room {name.replace('_', ' ')} in m", value, "greater than 0")
            for name, value in (
                ("distance", self.distance_m),
                ("nearest distance", self.nearest_m),
                ("farthest distance", self.farthest_m),
                ("ear_height", self.ear_height_m),
                ("tweeter_height", self.tweeter_height_m),
                ("ceiling_height", self.ceiling_height_m),
                ("side wall distance", self.side_wall_m),
            )
            if value is not None and not 0 < value < np.inf
        ]
        if not faults:
            faults += self._faults_between()
        if not -90 < self.toe_in_deg < 90:
            rule = "between -90 and 90 degrees"
            faults.append(invalid("room toe-in in degrees", self.toe_in_deg, rule))
        if faults:
            raise InputError(faults)

    def _faults_between(self) -> list[str]:
        faults = []
        highest = max(self.ear_height_m, self.tweeter_height_m)
        if self.ceiling_height_m <= highest:
            rule = f"above the ear and the tweeter, {highest:g} m"
            faults.append(invalid("room ceiling height in m", self.ceiling_height_m, rule))
        nearest, main, farthest = self.distances_m
        if nearest > main:
            rule = f"at most the distance of the main seat, {main:g} m"
            faults.append(invalid("room nearest distance in m", nearest, rule))
        if farthest < main:
            rule = f"at least the distance of the main seat, {main:g} m"
            faults.append(invalid("room farthest distance in m", farthest, rule))
        if not 0 <= self.seat_aside_m < nearest:
            rule = f"from 0 to below the distance of the nearest seat, {nearest:g} m"
            faults.append(invalid("room seat aside in m", self.seat_aside_m, rule))
        return faults

    @property
    def distances_m(self) -> tuple[float, float, float]:
        """Distances of the nearest, the main and the farthest seat in m."""
        nearest = self.distance_m if self.nearest_m is None else self.nearest_m
        farthest = self.distance_m if self.farthest_m is None else self.farthest_m
        return (nearest, self.distance_m, farthest)


@dataclass(frozen=True, kw_only=True)
class Arrival:
    """One way from the tweeter to the ear.

    Attributes
    ----------
    azimuth_deg, elevation_deg : float
        Angles at which it leaves the loudspeaker, re its axis.
    length_m : float
        Length of the way.
    delay_s : float
        Time after the direct sound.
    spreading_db : float
        Level re the direct sound that the longer way alone gives.
    """

    azimuth_deg: float
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
    more_angles_deg : tuple of float
        Further angles at which the same holds: those of other seats.
    """

    angle_deg: float
    frequencies_hz: tuple[float, ...]
    levels_db: tuple[float, ...]
    weights: tuple[float, ...] = ()
    more_angles_deg: tuple[float, ...] = ()

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
        faults += [
            invalid("angle of a limit", angle_deg, "from -180 to 180 degrees")
            for angle_deg in self.angles_deg
            if not -180 <= angle_deg <= 180
        ]
        if faults:
            raise InputError(faults)

    @property
    def angles_deg(self) -> tuple[float, ...]:
        """All angles at which the limit holds, the main one first."""
        return (self.angle_deg, *self.more_angles_deg)

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
    seat_azimuth_deg : float
        Azimuth of the seat, and so of its floor and ceiling bounce; 0 if the axis points at it.
    """

    floor: Limit
    ceiling: Limit
    horizontal: tuple[Limit, ...]
    seat: tuple[Limit, ...] = ()
    seat_azimuth_deg: float = 0.0

    def __post_init__(self) -> None:
        faults = [
            invalid("angle of the floor bounce", angle, "from -90 to below 0 degrees")
            for angle in self.floor.angles_deg
            if not -90 <= angle < 0
        ]
        faults += [
            invalid("angle of the ceiling bounce", angle, "from above 0 to 90 degrees")
            for angle in self.ceiling.angles_deg
            if not 0 < angle <= 90
        ]
        if not -90 < self.seat_azimuth_deg < 90:
            rule = "between -90 and 90 degrees: in front of the loudspeaker"
            faults.append(invalid("azimuth of the seat", self.seat_azimuth_deg, rule))
        faults += [
            invalid("angle to the sides", limit.angle_deg, "from above 0 to 175 degrees")
            for limit in (*self.horizontal, *self.seat)
            if not 0 < limit.angle_deg <= 175
        ]
        if faults:
            raise InputError(faults)


def arrivals(
    room: Room, air: Air | None = None, distance_m: float | None = None
) -> dict[str, Arrival]:
    """Return direct sound and the bounces off floor, ceiling and side wall.

    First-order images: the ear is mirrored in each surface.

    Parameters
    ----------
    room : Room
        Distances and heights.
    air : Air, optional
        For the delays; `Air` with its defaults if left out.
    distance_m : float, optional
        Horizontal distance of the seat; that of the main seat if left out.

    Returns
    -------
    dict of str to Arrival
        ``direct``, ``floor``, ``ceiling`` and ``side wall``.
    """
    sound_speed = (air or Air()).sound_speed
    distance = room.distance_m if distance_m is None else distance_m
    ahead = float(np.sqrt(distance**2 - room.seat_aside_m**2))
    aside, ear = room.seat_aside_m, room.ear_height_m
    images = {
        "direct": (aside, ear),
        "floor": (aside, -ear),
        "ceiling": (aside, 2 * room.ceiling_height_m - ear),
        "side wall": (-2 * room.side_wall_m - aside, ear),
    }
    direct_m = float(np.hypot(distance, ear - room.tweeter_height_m))
    found = {}
    for name, (left_m, height_m) in images.items():
        along_m = float(np.hypot(ahead, left_m))
        rise_m = height_m - room.tweeter_height_m
        length_m = float(np.hypot(along_m, rise_m))
        found[name] = Arrival(
            azimuth_deg=float(np.degrees(np.arctan2(left_m, ahead))) - room.toe_in_deg,
            elevation_deg=float(np.degrees(np.arctan2(rise_m, along_m))),
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
    """Return the target that common practice (no source) suggests for a room.

    Floor and ceiling bounce -2 and -3 dB at 2 kHz, -4 and -5 at 3 kHz, -6 and -8 from 4 to
    10 kHz, with a weight that falls to one half between 8 and 10 kHz, where the dome narrows
    by itself. Horizontally at 60 degrees -3 dB to 5 kHz, -6 at 8 and -9 at 10 kHz, fading out
    at 12 kHz; at 30 degrees -2 dB to 10 kHz. At 10 degrees up and down -2 dB to 10 kHz.

    Parameters
    ----------
    room : Room, optional
        Gives the angles of the bounces; `Room` with its defaults if left out.
    """
    levels = {"floor": (-2.0, -4.0, -6.0, -6.0, -6.0), "ceiling": (-3.0, -5.0, -8.0, -8.0, -8.0)}
    return _target(room or Room(), levels)


def ambitious_target(room: Room | None = None) -> Target:
    """Return the target that asks for each bounce 10 dB down at the ear.

    What the longer way takes off is counted in, so that the level leaving the loudspeaker may
    be as much higher; with several seats, that of the seat where this is least. Everything but
    the levels of the bounces is as in `default_target`.

    Parameters
    ----------
    room : Room, optional
        Gives the angles and the lengths of the ways; `Room` with its defaults if left out.
    """
    room = room or Room()
    levels = {}
    for name in ("floor", "ceiling"):
        spreading_db = max(arrivals(room, None, d)[name].spreading_db for d in room.distances_m)
        levels[name] = (AMBITIOUS_LEVEL_DB - spreading_db,) * len(_BOUNCE_FREQUENCIES_HZ)
    return _target(room, levels)


def _target(room: Room, levels_db: Mapping[str, tuple[float, ...]]) -> Target:
    """Return the target with these levels of the bounces at `_BOUNCE_FREQUENCIES_HZ`."""
    main = arrivals(room)
    bounces = {
        name: Limit(
            angle_deg=main[name].elevation_deg,
            frequencies_hz=_BOUNCE_FREQUENCIES_HZ,
            levels_db=levels,
            weights=(1.0, 1.0, 1.0, 1.0, 0.5),
            more_angles_deg=_angles_of_other_seats(room, name),
        )
        for name, levels in levels_db.items()
    }
    return Target(
        floor=bounces["floor"],
        ceiling=bounces["ceiling"],
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
        seat_azimuth_deg=main["direct"].azimuth_deg,
    )


def _angles_of_other_seats(room: Room, name: str) -> tuple[float, ...]:
    """Return a bounce's angles from the nearest to the farthest seat, 10 degrees apart at most.

    Empty where there is only the main seat.
    """
    nearest, _, farthest = room.distances_m
    if nearest == farthest:
        return ()
    ends = [arrivals(room, None, d)[name].elevation_deg for d in (nearest, farthest)]
    count = int(np.ceil(abs(ends[1] - ends[0]) / _LARGEST_ANGLE_STEP_DEG)) + 1
    return tuple(float(angle) for angle in np.linspace(ends[0], ends[1], max(count, 2)))
