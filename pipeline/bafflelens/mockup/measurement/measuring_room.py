# SPDX-License-Identifier: GPL-3.0-or-later
"""The room that is measured in, and what it allows at a distance of the microphone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.medium import Air

_ROOM_FOR_FADE_S: Final = 0.35e-3


@dataclass(frozen=True, kw_only=True)
class Chamber:
    """The room that is measured in, in m; the loudspeaker stands in its middle.

    ``length_m`` lies along the line to the microphone; what is None is far away, as if lined.
    """

    height_m: float
    width_m: float | None = None
    length_m: float | None = None

    def __post_init__(self) -> None:
        faults = [
            invalid(f"{name} of the measuring room", f"{value:g} m", "from 1.5 to 100 m")
            for name, value in (
                ("height", self.height_m),
                ("width", self.width_m),
                ("length", self.length_m),
            )
            if value is not None and not 1.5 <= value <= 100
        ]
        if faults:
            raise InputError(faults)


@dataclass(frozen=True, kw_only=True)
class MicrophonePlace:
    """One distance of the microphone and what the room allows there.

    Attributes
    ----------
    distance_m : float
        From the turntable's axis to the microphone.
    gate_s : float
        Until just before the first bounce arrives.
    lowest_hz : float
        1/T of that gate.
    bounce : str
        What the first bounce comes from.
    """

    distance_m: float
    gate_s: float
    lowest_hz: float
    bounce: str


def place_at(distance_m: float, chamber: Chamber, air: Air) -> MicrophonePlace:
    """Return gate and limit at a distance: the earliest of six bounces, each by its image.

    Loudspeaker and microphone stand half way up and between the side walls, and as far from
    the wall behind the one as from that behind the other. The loudspeaker is lowered or raised
    to the middle: that is what makes the gate long.
    """
    ways = {"floor and ceiling": np.hypot(distance_m, chamber.height_m) - distance_m}
    if chamber.width_m is not None:
        ways["side walls"] = np.hypot(distance_m, chamber.width_m) - distance_m
    if chamber.length_m is not None:
        ways["end walls"] = chamber.length_m - distance_m  # twice the half of what is left
    bounce = min(ways, key=lambda name: ways[name])
    gate = max(float(ways[bounce]) / air.sound_speed - _ROOM_FOR_FADE_S, 1e-4)
    return MicrophonePlace(distance_m=distance_m, gate_s=gate, lowest_hz=1 / gate, bounce=bounce)


def room_text(chamber: Chamber) -> str:
    """Return length, width and height of a room, for people; "?" for what is far away."""
    sizes = (chamber.length_m, chamber.width_m, chamber.height_m)
    return " x ".join("?" if size is None else f"{size:g}" for size in sizes) + " m"
