# SPDX-License-Identifier: GPL-3.0-or-later
"""What the figures draw: the curves of one candidate, taken from its directivity dataset."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from bafflelens.base.conventions import REFERENCE_PRESSURE_PA, FloatArray
from bafflelens.directivity.far_field_data import is_solved, solved_frequencies
from bafflelens.directivity.polars import (
    beamwidth,
    directivity_index_db,
    listening_window_level_db,
    on_axis,
    on_axis_level_db,
    relative_level_db,
    response_db,
)
from bafflelens.scoring.criteria import edge_level_db, towards_bounce_db
from bafflelens.scoring.target import Limit, Target

BoolArray = NDArray[np.bool_]

OCTAVES_HZ: Final = (1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
REFERENCE: Final = "listening_window"  # of maps, polars, bounces and beamwidths alike


@dataclass(frozen=True, kw_only=True)
class Mark:
    """An angle that is marked in maps and polar plots.

    Attributes
    ----------
    plane : {"horizontal", "vertical"}
        Where it is marked.
    angle_deg : float
        The angle on that orbit.
    word : str
        What it is: ``ceiling``, ``floor`` or ``window``.
    """

    plane: str
    angle_deg: float
    word: str

    @property
    def label(self) -> str:
        """What it is, and the angle."""
        return f"{self.word} {angle_text(self.angle_deg)}"


@dataclass(frozen=True, kw_only=True)
class Requirement:
    """What the target asks of the level in one direction.

    Attributes
    ----------
    key : {"floor", "ceiling", "side"}
        Names the direction in `Towards.level_db`.
    title : str
        The direction in words.
    limit : Limit
        Level over frequency.
    is_upper : bool
        Whether the level must stay below the limit, or above it.
    """

    key: str
    title: str
    limit: Limit
    is_upper: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class Towards:
    """Levels in the directions that a target names, as the criteria see them.

    Attributes
    ----------
    frequency_hz : (n_frequencies,) array
        Rising, in Hz.
    level_db : dict of str to (n_frequencies,) array
        By ``floor``, ``ceiling`` and ``side``, re the listening window in dB; NaN where a
        frequency failed. There is no ``side`` if the target asks for no width.
    """

    frequency_hz: FloatArray
    level_db: dict[str, FloatArray]


@dataclass(frozen=True, kw_only=True, eq=False)
class Curves:
    """Everything that is drawn of one candidate; NaN where a frequency failed.

    Attributes
    ----------
    frequency_hz : (n_frequencies,) array
        Rising, in Hz.
    solved : (n_frequencies,) bool array
        Which of them are known: solved, or interpolated between solved ones.
    computed_hz : (n_computed,) array
        Frequencies that were solved, in Hz.
    angle_deg : (n_angles,) array
        -180 to 180 degrees.
    horizontal_db, vertical_db : (n_frequencies, n_angles) array
        Levels on the orbits re the listening window, in dB.
    on_axis_db, listening_window_db : (n_frequencies,) array
        Responses in dB re a level that all candidates of a report share, or re 20 uPa at 1 m
        for the rated voltage.
    directivity_index_db : (n_frequencies,) array
        On the axis, in dB.
    beamwidth_h_deg, beamwidth_v_deg : (n_frequencies,) array
        Full angle between the first -6 dB crossings re the listening window, in degrees.
    no_crossing_h, no_crossing_v : (n_frequencies,) bool array
        Where there is no such angle although the frequency was solved.
    towards : Towards
        Levels towards floor, ceiling and sides.
    """

    frequency_hz: FloatArray
    solved: BoolArray
    computed_hz: FloatArray
    angle_deg: FloatArray
    horizontal_db: FloatArray
    vertical_db: FloatArray
    on_axis_db: FloatArray
    listening_window_db: FloatArray
    directivity_index_db: FloatArray
    beamwidth_h_deg: FloatArray
    beamwidth_v_deg: FloatArray
    no_crossing_h: BoolArray
    no_crossing_v: BoolArray
    towards: Towards

    def level_db(self, plane: str) -> FloatArray:
        """Return the levels on an orbit, (n_frequencies, n_angles), in dB."""
        return {"horizontal": self.horizontal_db, "vertical": self.vertical_db}[plane]

    def nearest(self, frequency_hz: float) -> int:
        """Return the number of the nearest frequency on a logarithmic axis."""
        return int(np.argmin(np.abs(np.log(self.frequency_hz / frequency_hz))))


def curves_of(
    dataset: xr.Dataset, target: Target, zero_db: float, *, absolute: bool = False
) -> Curves:
    """Return the curves of a candidate.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    target : Target
        Gives the angles of bounces and sides.
    zero_db : float
        What counts as 0 dB in the responses, in dB re 20 uPa at 1 m for 1 m/s^2.
    absolute : bool
        Whether responses are for the rated voltage (`rated_voltage_v`), `zero_db` then being
        re 20 uPa at 1 m; they are NaN where the strength of the source is not known.
    """
    strength_db = np.zeros(dataset.sizes["frequency"])
    if absolute:
        unknown = np.full(dataset.sizes["frequency"], np.nan)
        strength_db = dataset["strength_db"].values if "strength_db" in dataset else unknown
    responses = {
        name: level.values + strength_db - zero_db
        for name, level in (
            ("axis", on_axis_level_db(dataset)),
            ("window", listening_window_level_db(dataset)),
        )
    }
    solved = is_solved(dataset)
    horizontal = relative_level_db(dataset, "horizontal", REFERENCE)
    beams = {
        plane: beamwidth(dataset, plane, 6.0, REFERENCE) for plane in ("horizontal", "vertical")
    }
    return Curves(
        frequency_hz=np.asarray(dataset["frequency"].values, dtype=float),
        solved=solved,
        computed_hz=solved_frequencies(dataset),
        angle_deg=horizontal["angle"].values,
        horizontal_db=_gapped(horizontal.values, solved),
        vertical_db=_gapped(relative_level_db(dataset, "vertical", REFERENCE).values, solved),
        on_axis_db=_gapped(responses["axis"], solved),
        listening_window_db=_gapped(responses["window"], solved),
        directivity_index_db=_gapped(directivity_index_db(dataset).values, solved),
        beamwidth_h_deg=_gapped(beams["horizontal"]["width_deg"].values, solved),
        beamwidth_v_deg=_gapped(beams["vertical"]["width_deg"].values, solved),
        no_crossing_h=beams["horizontal"]["no_crossing"].values & solved,
        no_crossing_v=beams["vertical"]["no_crossing"].values & solved,
        towards=towards_of(dataset, target),
    )


def towards_of(dataset: xr.Dataset, target: Target) -> Towards:
    """Return the levels in the directions that a target names.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    target : Target
        Gives the angles of bounces and sides.
    """
    solved = is_solved(dataset)
    found = {
        "floor": towards_bounce_db(dataset, target.floor, target.seat_azimuth_deg),
        "ceiling": towards_bounce_db(dataset, target.ceiling, target.seat_azimuth_deg),
    }
    side = widest(target)
    if side is not None:
        found["side"] = edge_level_db(dataset, "horizontal", side.angle_deg).min(axis=1)
    return Towards(
        frequency_hz=np.asarray(dataset["frequency"].values, dtype=float),
        level_db={key: _gapped(values, solved) for key, values in found.items()},
    )


def rated_voltage_v(datasets: Iterable[xr.Dataset]) -> float | None:
    """Return the voltage that the levels of datasets are known for, in V; None if they are not."""
    found = (dataset.attrs.get("rated_voltage_v") for dataset in datasets)
    return next((float(voltage) for voltage in found if voltage is not None), None)


def mean_on_axis_db(dataset: xr.Dataset, band_hz: tuple[float, float]) -> float:
    """Return the mean on-axis level in a band, in dB re 20 uPa at 1 m for 1 m/s^2.

    NaN if no frequency of the band was solved.
    """
    level = response_db(on_axis(dataset))
    frequency = dataset["frequency"].values
    used = (
        is_solved(dataset) & (frequency >= band_hz[0] * 0.999) & (frequency <= band_hz[1] * 1.001)
    )
    return float(level[used].mean()) if used.any() else float("nan")


def in_pascal_metre(level_db: float) -> float:
    """Return a level in dB re 20 uPa at 1 m as Pa.m."""
    return REFERENCE_PRESSURE_PA * 10 ** (level_db / 20)


def marks_of(target: Target) -> tuple[Mark, ...]:
    """Return the angles worth marking: both bounces, and the edges of the horizontal window."""
    marks = [
        Mark(plane="vertical", angle_deg=limit.angle_deg, word=word)
        for word, limit in (("ceiling", target.ceiling), ("floor", target.floor))
    ]
    side = widest(target)
    if side is not None:
        marks += [
            Mark(plane="horizontal", angle_deg=sign * side.angle_deg, word="window")
            for sign in (1, -1)
        ]
    return tuple(marks)


def requirements_of(target: Target) -> tuple[Requirement, ...]:
    """Return what is drawn against the target: floor, ceiling, and the widest horizontal angle."""
    found = [
        Requirement(
            key=key,
            title=f"Towards the {key} bounce, {angle_text(limit.angle_deg)}",
            limit=limit,
            is_upper=True,
        )
        for key, limit in (("floor", target.floor), ("ceiling", target.ceiling))
    ]
    side = widest(target)
    if side is not None:
        title = f"To the sides, lowest of {side.angle_deg / 2:.0f}° to {side.angle_deg:.0f}°"
        found.append(Requirement(key="side", title=title, limit=side, is_upper=False))
    return tuple(found)


def widest(target: Target) -> Limit | None:
    """Return the horizontal limit at the widest angle, None if there is none."""
    return max(target.horizontal, key=lambda limit: limit.angle_deg, default=None)


def unsolved_spans(curves: Curves) -> tuple[tuple[float, float], ...]:
    """Return the stretches of frequency, in Hz, in which nothing may be interpolated.

    Each reaches from the last solved frequency below a failed one to the next solved above, or
    to the end.
    """
    frequency, solved = curves.frequency_hz, curves.solved
    spans: list[tuple[float, float]] = []
    last = len(frequency) - 1
    for number in np.flatnonzero(~solved).tolist():
        low, high = frequency[max(number - 1, 0)], frequency[min(number + 1, last)]
        if spans and spans[-1][1] >= frequency[number]:
            spans[-1] = (spans[-1][0], float(high))
        else:
            spans.append((float(low), float(high)))
    return tuple(spans)


def octaves_in(band_hz: tuple[float, float]) -> tuple[float, ...]:
    """Return the octaves 1, 2, 4 ... kHz in a band, in Hz; the middle of the band if none is."""
    low, high = band_hz
    inside = tuple(f for f in OCTAVES_HZ if low * 0.98 <= f <= high * 1.02)
    return inside or (float(np.sqrt(low * high)),)


def rounded_limits(
    curves: Sequence[FloatArray], step: float, least: tuple[float, float]
) -> tuple[float, float]:
    """Return axis limits at multiples of a step that hold `least` and all finite values."""
    values = np.concatenate([np.array(least), *(np.ravel(curve) for curve in curves)])
    low, high = np.nanmin(values), np.nanmax(values)
    return float(np.floor(low / step) * step), float(np.ceil(high / step) * step)


def angle_text(angle_deg: float) -> str:
    """Return an angle for people, ``+45°`` or ``−34°``."""
    return f"{angle_deg:+.0f}°".replace("-", "−")


def _gapped(values: FloatArray, solved: BoolArray) -> FloatArray:
    """Return values with NaN wherever the frequency failed, whatever stood there."""
    kept = np.array(values, dtype=float)
    kept[~solved] = np.nan
    return kept
