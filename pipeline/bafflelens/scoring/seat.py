# SPDX-License-Identifier: GPL-3.0-or-later
"""What arrives at the listening seat: level and delay of each bounce.

The walls are taken as fully reflecting, and air between as lossless: what a carpet or a curtain
takes comes off these levels.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import FloatArray
from bafflelens.base.medium import Air
from bafflelens.base.octaves import octave_shares, octaves_of
from bafflelens.directivity.far_field_data import is_solved
from bafflelens.scoring.criteria import (
    PATCH_HALF_HEIGHT_DEG,
    PATCH_HALF_WIDTH_DEG,
    bounce_level_db,
)
from bafflelens.scoring.target import Arrival, Room, arrivals

BOUNCES: Final = ("floor", "ceiling", "side wall")


@dataclass(frozen=True, kw_only=True)
class OctaveLevel:
    """Mean level of a bounce at the ear in one octave, in dB re the listening window."""

    from_hz: float
    to_hz: float
    level_db: float


@dataclass(frozen=True, kw_only=True, eq=False)
class SeatBounce:
    """One bounce at the ear.

    Attributes
    ----------
    name : str
        ``floor``, ``ceiling`` or ``side wall``.
    arrival : Arrival
        Angles, delay and length of its way.
    frequency_hz, level_db : (n_frequencies,) array
        Its level re the listening window, in dB; NaN where a frequency failed.
    octaves : tuple of OctaveLevel
        The same octave by octave.
    """

    name: str
    arrival: Arrival
    frequency_hz: FloatArray
    level_db: FloatArray
    octaves: tuple[OctaveLevel, ...]


def bounces_at_seat(
    dataset: xr.Dataset, room: Room, band_hz: tuple[float, float], air: Air | None = None
) -> tuple[SeatBounce, ...]:
    """Return level and delay of the bounces off floor, ceiling and side wall at the main seat.

    The level that leaves the loudspeaker (`bafflelens.scoring.criteria.bounce_level_db`) and what
    the longer way takes off. It is re the listening-window average, which is not the direct sound
    at a seat beside the axis, and a mean over a patch, not the level in the one direction of a
    mirror. The patch of the side-wall bounce is +-10 degrees both ways, since here azimuth is the
    bounce's angle.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    room : Room
        Where loudspeaker and listener are.
    band_hz : (from, to)
        The band whose octaves are told, in Hz.
    air : Air, optional
        For the delays; `Air` with its defaults if left out.
    """
    frequency, solved = dataset["frequency"].values, is_solved(dataset)
    found = []
    for name, arrival in arrivals(room, air).items():
        if name not in BOUNCES:
            continue
        width = PATCH_HALF_HEIGHT_DEG if name == "side wall" else PATCH_HALF_WIDTH_DEG
        leaving = bounce_level_db(dataset, arrival.elevation_deg, arrival.azimuth_deg, width)
        level = np.where(solved, leaving + arrival.spreading_db, np.nan)
        octaves = tuple(
            OctaveLevel(
                from_hz=part[0],
                to_hz=part[1],
                level_db=_mean(frequency[solved], level[solved], part),
            )
            for part in octaves_of(band_hz)
        )
        found.append(
            SeatBounce(
                name=name,
                arrival=arrival,
                frequency_hz=frequency,
                level_db=level,
                octaves=octaves,
            )
        )
    return tuple(found)


def _mean(frequency: FloatArray, level: FloatArray, part_hz: tuple[float, float]) -> float:
    share = octave_shares(frequency, part_hz)
    return float(share @ level / share.sum()) if share.sum() > 0 else float("nan")
