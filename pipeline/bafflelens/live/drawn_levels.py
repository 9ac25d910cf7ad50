# SPDX-License-Identifier: GPL-3.0-or-later
"""What is drawn of an estimate, from its far field by numpy alone.

The same as `live.frames.levels_of` finds in a dataset. Which directions count for what is found
out once (`live.frames.drawing_of`), so that a move is answered in a few milliseconds, and before
anything has been loaded that is slow to load.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.live.estimate import USEFUL_DB, Estimate
from bafflelens.live.field_levels import over_window


@dataclass(frozen=True, kw_only=True, eq=False)
class DrawnPlane:
    """An orbit: which directions are drawn, and their angles in degrees, both (n_angles,)."""

    name: str
    directions: IntArray
    angle_deg: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class DrawnCurve:
    """A level towards something.

    Attributes
    ----------
    name : str
        Of the curve.
    directions : (n,) int array
        Those that count.
    shares : (n_means, n) array
        With what share of their energy in each of a few means.
    is_lowest : bool
        Whether the lowest mean is drawn; else the highest.
    lowest_db : float
        No mean is below it, re the listening window.
    banded : int
        The direction whose error band it bears.
    """

    name: str
    directions: IntArray
    shares: FloatArray
    is_lowest: bool
    lowest_db: float
    banded: int


@dataclass(frozen=True, kw_only=True, eq=False)
class DrawnLevels:
    """What is drawn of the estimates of a job.

    Attributes
    ----------
    frequency_hz : (n_frequencies,) array
        In Hz.
    window : (n,) int array
        Numbers of the directions whose mean square levels are relative to.
    planes : tuple of DrawnPlane
        Both orbits.
    curves : tuple of DrawnCurve
        Levels towards floor, ceiling and sides.
    """

    frequency_hz: FloatArray
    window: IntArray
    planes: tuple[DrawnPlane, ...]
    curves: tuple[DrawnCurve, ...]

    def levels(self, estimate: Estimate) -> dict[str, FloatArray]:
        """Return what is drawn; a level whose band is too wide to be of use is NaN."""
        found: dict[str, FloatArray] = {"frequency": self.frequency_hz}
        ratio = np.abs(estimate.field) / over_window(np.abs(estimate.field), self.window)
        for plane in self.planes:
            band = estimate.band_db[:, plane.directions]
            level = 20 * np.log10(np.maximum(ratio[:, plane.directions], 1e-15))
            found["angle"] = plane.angle_deg
            found[f"{plane.name}_band"] = band
            found[plane.name] = np.where(band > USEFUL_DB, np.nan, level)
        for curve in self.curves:
            band = estimate.band_db[:, curve.banded]
            means = ratio[:, curve.directions] ** 2 @ curve.shares.T
            level = 10 * np.log10(np.maximum(means, 10 ** (curve.lowest_db / 10)))
            one = level.min(axis=1) if curve.is_lowest else level.max(axis=1)
            found[f"{curve.name}_band"] = band
            found[curve.name] = np.where(band > USEFUL_DB, np.nan, one)
        return found

    def content(self) -> dict[str, Any]:
        """Return it as JSON can hold it, without what an `Estimator` knows as well."""
        planes = [
            [plane.name, plane.directions.tolist(), plane.angle_deg.tolist()]
            for plane in self.planes
        ]
        curves = [
            {
                "name": curve.name,
                "directions": curve.directions.tolist(),
                "shares": curve.shares.tolist(),
                "is_lowest": curve.is_lowest,
                "lowest_db": curve.lowest_db,
                "banded": curve.banded,
            }
            for curve in self.curves
        ]
        return {"planes": planes, "curves": curves}


def drawn_levels_from(
    content: Mapping[str, Any], frequency_hz: FloatArray, window: IntArray
) -> DrawnLevels:
    """Return what `DrawnLevels.content` gave."""
    planes = tuple(
        DrawnPlane(name=name, directions=np.array(directions), angle_deg=np.array(angle))
        for name, directions, angle in content["planes"]
    )
    curves = tuple(
        DrawnCurve(
            **{
                **one,
                "directions": np.array(one["directions"]),
                "shares": np.array(one["shares"]),
            }
        )
        for one in content["curves"]
    )
    return DrawnLevels(frequency_hz=frequency_hz, window=window, planes=planes, curves=curves)
