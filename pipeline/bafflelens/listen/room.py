# SPDX-License-Identifier: GPL-3.0-or-later
"""A rectangular room around loudspeaker and seat, and the images of the loudspeaker in it.

The frame is the loudspeaker's, before it is toed in: x straight ahead towards the seat, y to its
own left, z up, the floor at 0 and the tweeter at x = y = 0. The loudspeaker is the one of a pair
that has its side wall at its own right (`bafflelens.scoring.target.Room`): the listener's left
one. The other is its mirror image, and so is all that it does at the seat.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.medium import Air
from bafflelens.listen.spectra import octave_curve
from bafflelens.scoring.target import Room

SURFACES: Final = (
    "front wall",
    "rear wall",
    "near side wall",
    "far side wall",
    "floor",
    "ceiling",
)
"""The surfaces, two an axis, the lower coordinate first but for the names."""
OCTAVES_HZ: Final = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
"""Bands of absorption coefficients; ISO 354 measures up to 5 kHz, 8 kHz is a continuation."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Enclosure:
    """A rectangular room.

    Attributes
    ----------
    lower_m, upper_m : (3,) array
        Its corners.
    tweeter_m, ear_m : (3,) array
        Loudspeaker, and middle of the head.
    toe_in_deg : float
        By how much the axis is turned to the loudspeaker's own left.
    absorption : mapping of str to (n_octaves,) array
        Absorption coefficients by the names of `SURFACES`, at `OCTAVES_HZ`.
    """

    lower_m: FloatArray
    upper_m: FloatArray
    tweeter_m: FloatArray
    ear_m: FloatArray
    toe_in_deg: float
    absorption: Mapping[str, FloatArray]

    def __post_init__(self) -> None:
        for what, point in (("tweeter", self.tweeter_m), ("seat", self.ear_m)):
            if not ((point > self.lower_m) & (point < self.upper_m)).all():
                place = ", ".join(f"{value:g}" for value in point)
                size = " x ".join(f"{value:g}" for value in self.upper_m - self.lower_m)
                rule = f"inside the room of {size} m"
                raise InputError(invalid(f"{what} in m", place, rule))

    @property
    def size_m(self) -> FloatArray:
        """Length, width and height."""
        return self.upper_m - self.lower_m

    @property
    def volume_m3(self) -> float:
        """Volume of the room."""
        return float(np.prod(self.size_m))

    @property
    def areas_m2(self) -> FloatArray:
        """Area of each of `SURFACES`."""
        length, width, height = self.size_m
        one_of_each = np.array([width * height, length * height, length * width])
        return np.repeat(one_of_each, 2)

    def absorption_at(self, frequency_hz: FloatArray) -> FloatArray:
        """Return absorption coefficients, (n_surfaces, n_frequencies)."""
        octaves = np.array(OCTAVES_HZ)
        return np.stack(
            [octave_curve(octaves, self.absorption[name], frequency_hz) for name in SURFACES]
        )

    def absorption_area_m2(self, frequency_hz: FloatArray, air: Air) -> FloatArray:
        """Return the equivalent absorption area, (n_frequencies,), with that of the air.

        That of the surfaces is - S ln(1 - mean coefficient), after Eyring, since images lose
        that; for little absorption it is Sabine's sum of area times coefficient. The air adds
        4 m V, with m its power attenuation.
        """
        areas = self.areas_m2
        mean = areas @ self.absorption_at(frequency_hz) / areas.sum()
        attenuation = air.absorption(frequency_hz) / (10 * np.log10(np.e))
        return np.asarray(-areas.sum() * np.log1p(-mean) + 4 * attenuation * self.volume_m3)


def enclosure_of(
    room: Room,
    *,
    front_wall_m: float,
    rear_wall_m: float,
    other_wall_m: float | None,
    absorption: Mapping[str, FloatArray],
) -> Enclosure:
    """Return the room that a job describes.

    Parameters
    ----------
    room : Room
        Loudspeaker, seat, side wall and ceiling.
    front_wall_m : float
        From the tweeter to the wall behind the loudspeaker.
    rear_wall_m : float
        From the ear to the wall behind the seat.
    other_wall_m : float or None
        From the ear to the other side wall; None for as far as the near one.
    absorption : mapping of str to (n_octaves,) array
        By the names of `SURFACES`.

    Raises
    ------
    InputError
        If the seat is not in the room.
    """
    ahead = float(np.sqrt(room.distance_m**2 - room.seat_aside_m**2))
    near = room.side_wall_m + room.seat_aside_m
    other = near if other_wall_m is None else other_wall_m
    return Enclosure(
        lower_m=np.array([-front_wall_m, -room.side_wall_m, 0.0]),
        upper_m=np.array([ahead + rear_wall_m, room.seat_aside_m + other, room.ceiling_height_m]),
        tweeter_m=np.array([0.0, 0.0, room.tweeter_height_m]),
        ear_m=np.array([ahead, room.seat_aside_m, room.ear_height_m]),
        toe_in_deg=room.toe_in_deg,
        absorption=absorption,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Images:
    """The loudspeaker and its images, the nearest first; the first is the loudspeaker itself.

    Attributes
    ----------
    length_m : (n_images,) array
        Way to the ear.
    hits : (n_images, 6) int array
        How often it meets each of `SURFACES`.
    leaving_azimuth_deg, leaving_elevation_deg : (n_images,) array
        Where it leaves the loudspeaker, re its own axis.
    head_azimuth_deg, head_elevation_deg : (n_images,) array
        Where it arrives from, re a head that looks straight towards the loudspeakers' wall;
        azimuth is positive to the listener's left.
    """

    length_m: FloatArray
    hits: IntArray
    leaving_azimuth_deg: FloatArray
    leaving_elevation_deg: FloatArray
    head_azimuth_deg: FloatArray
    head_elevation_deg: FloatArray

    @property
    def n_images(self) -> int:
        """Number of images, the loudspeaker itself included."""
        return len(self.length_m)

    @property
    def order(self) -> IntArray:
        """How many surfaces each met, (n_images,)."""
        return np.asarray(self.hits.sum(axis=1))

    def only(self, chosen: NDArray[np.bool_]) -> Images:
        """Return some of them."""
        return Images(**{name: getattr(self, name)[chosen] for name in self.__dict__})

    def met_only(self, *names: str) -> NDArray[np.bool_]:
        """Return which met nothing but the named surfaces, and one of them at least."""
        named = np.isin(SURFACES, names)
        return np.asarray((self.hits[:, ~named].sum(axis=1) == 0) & (self.order > 0))


def images_of(enclosure: Enclosure, farthest_m: float) -> Images:
    """Return the loudspeaker and all its images up to a length of the way.

    Notes
    -----
    J. B. Allen and D. A. Berkley, J. Acoust. Soc. Am. 65 (1979) 943-950: along each axis the
    images of a source at s in a room from 0 to L stand at (1 - 2q) s + 2 m L, with q 0 or 1;
    they have met the wall at 0 |m - q| times and that at L |m| times. An image radiates as its
    loudspeaker does, mirrored once for each odd axis.
    """
    source = enclosure.tweeter_m - enclosure.lower_m
    ear = enclosure.ear_m - enclosure.lower_m
    axes = [
        _along_axis(float(s), float(e), float(size), farthest_m)
        for s, e, size in zip(source, ear, enclosure.size_m, strict=True)
    ]
    numbers = np.stack(
        [grid.ravel() for grid in np.meshgrid(*[np.arange(len(a)) for a in axes], indexing="ij")]
    )
    parts = [axis[number] for axis, number in zip(axes, numbers, strict=True)]
    away = np.stack([part[:, 0] for part in parts], axis=1)  # from the image to the ear
    length = np.linalg.norm(away, axis=1)
    hits = np.concatenate([part[:, 1:3] for part in parts], axis=1).astype(int)
    kept = np.flatnonzero(length <= farthest_m)
    kept = kept[np.lexsort((hits.sum(axis=1)[kept], np.round(length[kept], 9)))]
    away, length, hits = away[kept], length[kept], hits[kept]
    mirrored = np.stack([part[kept, 3] for part in parts], axis=1)
    leaving = away * mirrored / length[:, np.newaxis]
    arriving = -away / length[:, np.newaxis]  # from the head to the image
    azimuth = np.degrees(np.arctan2(leaving[:, 1], leaving[:, 0])) - enclosure.toe_in_deg
    return Images(
        length_m=length,
        hits=hits,
        leaving_azimuth_deg=(azimuth + 180) % 360 - 180,
        leaving_elevation_deg=np.degrees(np.arcsin(np.clip(leaving[:, 2], -1, 1))),
        # The head looks along -x, so its left is -y.
        head_azimuth_deg=np.degrees(np.arctan2(-arriving[:, 1], -arriving[:, 0])),
        head_elevation_deg=np.degrees(np.arcsin(np.clip(arriving[:, 2], -1, 1))),
    )


def _along_axis(source: float, ear: float, size: float, farthest: float) -> FloatArray:
    """Return way to the ear, hits at the lower and the upper wall, and mirror sign of images."""
    most = int(np.ceil(farthest / (2 * size))) + 1
    found = [
        (ear - ((1 - 2 * q) * source + 2 * m * size), abs(m - q), abs(m), 1 - 2 * q)
        for m in range(-most, most + 1)
        for q in (0, 1)
    ]
    return np.array([row for row in found if abs(row[0]) <= farthest], dtype=float)
