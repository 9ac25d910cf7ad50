# SPDX-License-Identifier: GPL-3.0-or-later
"""The set of curves of ANSI/CTA-2034-A, from a directivity dataset.

Seventy positions, every 10 degrees on the horizontal and the vertical orbit. All averages are of
energy. Angles and weights: sections 5.2 and 13 and appendix C of the standard, second hand, as
several copies agree. How it lists the rear wall can be read in two ways, so both are here.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import REFERENCE_PRESSURE_PA, FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.directivity.polars import LISTENING_WINDOW, positions
from bafflelens.directivity.source_sums import source_values

Position = tuple[float, float]

REAR_WALL_READINGS: Final = ("A", "B")
"""A: every 10 degrees from 90 to the back on both sides; B: 90 on both sides and the back."""


def _to_the_sides(*angles: float) -> tuple[Position, ...]:
    return tuple((sign * angle, 0.0) for angle in angles for sign in (-1.0, 1.0))


FLOOR: Final[tuple[Position, ...]] = ((0.0, -20.0), (0.0, -30.0), (0.0, -40.0))
CEILING: Final[tuple[Position, ...]] = ((0.0, 40.0), (0.0, 50.0), (0.0, 60.0))
FRONT_WALL: Final = ((0.0, 0.0), *_to_the_sides(10, 20, 30))
SIDE_WALL: Final = _to_the_sides(40, 50, 60, 70, 80)
REAR_WALL: Final = {
    "A": (*_to_the_sides(*range(90, 180, 10)), (180.0, 0.0)),
    "B": (*_to_the_sides(90), (180.0, 0.0)),
}


def standard_curves(dataset: xr.Dataset, rear_wall: str = "A") -> xr.Dataset:
    """Return the curves of ANSI/CTA-2034-A.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    rear_wall : {"A", "B"}
        Reading of the rear wall's angles, see `REAR_WALL_READINGS`.

    Returns
    -------
    xarray.Dataset
        Over ``frequency``, in dB re 20 uPa at 1 m for 1 m/s^2 r.m.s.: ``on_axis``,
        ``listening_window``, ``floor``, ``ceiling``, ``front_wall``, ``side_wall``,
        ``rear_wall``, ``early_reflections`` (the mean of these five), ``sound_power`` (the mean
        over all positions by their weights) and ``predicted_in_room`` (12 % listening window,
        44 % early reflections, 44 % sound power); in dB: ``sound_power_index`` and
        ``early_reflections_index``, the listening window less the one and the other.

    Raises
    ------
    InputError
        If the reading is unknown.
    """
    if rear_wall not in REAR_WALL_READINGS:
        rule = "one of " + ", ".join(REAR_WALL_READINGS)
        raise InputError(invalid("reading of the rear wall", rear_wall, rule))
    energy = np.abs(source_values(dataset)) ** 2
    bounces = {
        "floor": FLOOR,
        "ceiling": CEILING,
        "front_wall": FRONT_WALL,
        "side_wall": SIDE_WALL,
        "rear_wall": REAR_WALL[rear_wall],
    }
    found = {
        "on_axis": _mean(dataset, energy, ((0.0, 0.0),)),
        "listening_window": _mean(dataset, energy, LISTENING_WINDOW),
    }
    found |= {name: _mean(dataset, energy, angles) for name, angles in bounces.items()}
    found["early_reflections"] = np.mean([found[name] for name in bounces], axis=0)
    found["sound_power"] = _mean_over_the_sphere(dataset, energy)
    found["predicted_in_room"] = (
        0.12 * found["listening_window"]
        + 0.44 * found["early_reflections"]
        + 0.44 * found["sound_power"]
    )
    levels = {
        name: 10 * np.log10(np.maximum(values, 1e-60)) - 20 * np.log10(REFERENCE_PRESSURE_PA)
        for name, values in found.items()
    }
    for name in ("sound_power", "early_reflections"):
        levels[f"{name}_index"] = levels["listening_window"] - levels[name]
    variables = {name: _variable(name, values) for name, values in levels.items()}
    return xr.Dataset(
        variables,
        coords={"frequency": dataset["frequency"]},
        attrs={"standard": "ANSI/CTA-2034-A", "rear_wall": rear_wall},
    )


def position_weight(angle_deg: float) -> float:
    r"""Return the weight of one position in the sound power, by its angle from the axis.

    Parameters
    ----------
    angle_deg : float
        A multiple of 10 degrees, 0 to 180.

    Notes
    -----
    With t the angle and :math:`A(t) = \arcsin(\sin^2 t)` a quarter of the solid angle of a square
    of half-angle t between great circles: :math:`A(5)/4\pi` on the axis,
    :math:`(A(t+5) - A(t-5))/4\pi` off it, :math:`(\pi/2 - A(85))/2\pi` at 90 degrees; the same
    behind. It gives the ten published numbers to 5e-10.
    """
    angle = min(angle_deg, 180.0 - angle_deg)

    def quarter(degrees: float) -> float:
        return float(np.arcsin(np.sin(np.radians(degrees)) ** 2))

    if angle == 0:
        return quarter(5.0) / (4 * np.pi)
    if angle == 90:
        return (np.pi / 2 - quarter(85.0)) / (2 * np.pi)
    return (quarter(angle + 5) - quarter(angle - 5)) / (4 * np.pi)


def _mean_over_the_sphere(dataset: xr.Dataset, energy: FloatArray) -> FloatArray:
    horizontal: dict[Position, float] = {
        (float(angle), 0.0): abs(float(angle)) for angle in range(-170, 181, 10)
    }
    vertical: dict[Position, float] = {
        _over_the_top(float(angle)): abs(float(angle)) for angle in range(-170, 180, 10) if angle
    }
    angles = horizontal | vertical
    weight = np.array([position_weight(angle) for angle in angles.values()])
    return np.asarray(energy[:, positions(dataset, list(angles))] @ weight / weight.sum())


def _over_the_top(angle_deg: float) -> Position:
    if abs(angle_deg) <= 90:
        return (0.0, angle_deg)
    return (180.0, float(np.copysign(180 - abs(angle_deg), angle_deg)))


def _mean(dataset: xr.Dataset, energy: FloatArray, angles: Iterable[Position]) -> FloatArray:
    return np.asarray(energy[:, positions(dataset, list(angles))].mean(axis=1))


def _variable(name: str, values: FloatArray) -> tuple[str, FloatArray, dict[str, str]]:
    is_index = name.endswith("_index")
    meaning = "" if is_index else ", dB re 20 uPa at 1 m for 1 m/s^2 r.m.s."
    long_name = name.replace("_", " ").capitalize() + meaning
    return ("frequency", values, {"units": "dB", "long_name": long_name})
