# SPDX-License-Identifier: GPL-3.0-or-later
"""The pieces of a part as it is made: boxes and cylinders, in mm, that are kept or cut.

What is kept and what is cut has a name, by which dimensions and checks find it again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import BoolArray, FloatArray

HOLE: Final = "driver_hole"
SEAT: Final = "driver_seat"
POCKET: Final = "driver_pocket"
MAGNET: Final = "magnet_room"
SCREW: Final = "screw_hole"
LOCATING: Final = "locating_hole"
RECESS: Final = "insert_recess"
OPENING: Final = "insert_opening"
INNER: Final = "inner_corner"
"""What is rounded of a sharp inner corner."""
BEYOND_MM: Final = 5.0
"""Of what is kept or cut, beyond the body."""


@dataclass(frozen=True, kw_only=True)
class Box:
    """A box: lowest and highest corner."""

    name: str
    low: tuple[float, float, float]
    high: tuple[float, float, float]

    def holds(self, points: FloatArray, slack: float = 0.0) -> BoolArray:
        """Return which points, (n, 3), lie in it."""
        return np.asarray(
            ((points >= np.array(self.low) - slack) & (points <= np.array(self.high) + slack)).all(
                axis=1
            )
        )


@dataclass(frozen=True, kw_only=True)
class Round:
    """A cylinder along x: its axis, its radius, and where it begins and ends."""

    name: str
    y: float
    z: float
    radius: float
    back: float
    front: float

    def holds(self, points: FloatArray, slack: float = 0.0) -> BoolArray:
        """Return which points, (n, 3), lie in it."""
        away = np.hypot(points[:, 1] - self.y, points[:, 2] - self.z)
        x = points[:, 0]
        return np.asarray(
            (away <= self.radius + slack) & (x >= self.back - slack) & (x <= self.front + slack)
        )


Tool = Box | Round


@dataclass(frozen=True, kw_only=True)
class PartPiece:
    """One piece: what the body has in common with any of ``keep``, less every ``cut``."""

    name: str
    keep: tuple[Tool, ...]
    cut: tuple[Tool, ...]


@dataclass(frozen=True, kw_only=True)
class PartPlan:
    """How the part of one candidate is made, in mm.

    Attributes
    ----------
    made : str
        ``front panel``, ``insert`` or ``shell``.
    pieces : tuple of PartPiece
        The part, first, and the panel that an insert sits in.
    centre : tuple of float
        Where the driver's axis meets the plane of its rim.
    sheets : tuple of float
        Thicknesses of the front, the front sheet first.
    thick : float
        From the front plane to the back behind the lens.
    front : float
        x of the front plane.
    seat : float or None
        x of the seat of the driver's flange; None where no flange is known.
    block : Box or None
        What is behind the front's sheets.
    screws, locating : tuple of Round
        The pilot holes and the locating holes.
    further : tuple of Round
        The plain holes of drivers whose seats the job does not describe.
    """

    made: str
    pieces: tuple[PartPiece, ...]
    centre: tuple[float, float, float]
    sheets: tuple[float, ...]
    thick: float
    front: float
    seat: float | None
    block: Box | None
    screws: tuple[Round, ...]
    locating: tuple[Round, ...]
    further: tuple[Round, ...] = ()
