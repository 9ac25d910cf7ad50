# SPDX-License-Identifier: GPL-3.0-or-later
"""How far a polar at a distance is from that of the far field."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.mockup.measurement.measured import ORBITS, Setup
from bafflelens.mockup.measurement.measuring_room import MicrophonePlace
from bafflelens.mockup.measurement.microphones import microphone_positions

_FRONT_DEG: Final = 60.0
_FAR_M: Final = 100.0
_LOWEST_COMPARED_DB: Final = 20.0
_FREQUENCIES_TRIED: Final = 8


class Field(Protocol):
    """What a candidate radiates; known at some frequencies, at any point outside it."""

    @property
    def frequencies_hz(self) -> FloatArray:
        """Frequencies in Hz, rising."""

    def at(self, points: FloatArray, numbers: IntArray) -> tuple[ComplexArray, ComplexArray]:
        """Return pressure (n_numbers, n_points), and its gradient."""


@dataclass(frozen=True, kw_only=True)
class Nearness:
    """How far a polar at a distance is from that of the far field, as simulated.

    Attributes
    ----------
    distance_m : float
        From the turntable's axis.
    error_db : tuple of float
        Largest difference of the level re on axis, within 60 degrees on both orbits, at each of
        `at_hz`.
    at_hz : tuple of float
        Frequencies in Hz.
    """

    distance_m: float
    error_db: tuple[float, ...]
    at_hz: tuple[float, ...]


def far_distance(size_m: float, wavelength_m: float, share: float) -> float:
    """Return the distance at which the edge of a body lags by 1/share of a wavelength, in m.

    The edge of a body of the size D is sqrt(r^2 + D^2/4) - r, about D^2/(8 r), farther away than
    its middle; that is a wavelength/share at r = share D^2/(8 wavelength). For a sixteenth it is
    2 D^2/wavelength, the usual limit of the far field of antennas.
    """
    return share * size_m**2 / (8 * wavelength_m)


def nearness(
    field: Field,
    places: Sequence[MicrophonePlace],
    axis_m: tuple[float, float, float],
    band_hz: tuple[float, float],
) -> tuple[Nearness, ...]:
    """Return how far polars at distances are from those of the far field, as simulated.

    Both the near field and the way that the tweeter goes around the turntable's axis count.
    Directions in which the far field is 20 dB and more below the axis are left out.
    """
    solved = field.frequencies_hz
    inside = np.flatnonzero((solved >= band_hz[0] * 0.999) & (solved <= band_hz[1] * 1.001))
    if not len(inside):
        return ()
    spread = np.linspace(0, len(inside) - 1, min(len(inside), _FREQUENCIES_TRIED))
    chosen = inside[np.unique(np.round(spread).astype(int))]
    angles = np.arange(-_FRONT_DEG, _FRONT_DEG + 1, 5.0)
    distances = [*(place.distance_m for place in places), _FAR_M]
    points = [
        microphone_positions(Setup(distance_m=d, rotation_point_m=axis_m), name, angles)
        for d in distances
        for name in ORBITS
    ]
    pressure, _ = field.at(np.concatenate(points), chosen)
    level = 20 * np.log10(np.maximum(np.abs(pressure), 1e-30))
    level = level.reshape(len(chosen), len(distances), len(ORBITS), len(angles))
    level = level - level[..., [len(angles) // 2]]
    far = level[:, [-1]]
    error = np.where(far > -_LOWEST_COMPARED_DB, np.abs(level - far), 0.0).max(axis=(2, 3))
    return tuple(
        Nearness(
            distance_m=place.distance_m,
            error_db=tuple(float(value) for value in error[:, number]),
            at_hz=tuple(float(value) for value in solved[chosen]),
        )
        for number, place in enumerate(places)
    )
