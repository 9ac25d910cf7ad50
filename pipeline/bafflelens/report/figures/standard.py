# SPDX-License-Identifier: GPL-3.0-or-later
"""The curves of ANSI/CTA-2034-A: the set, and the parts of the early reflections."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MultipleLocator

from bafflelens.report import style
from bafflelens.report.figures.axes import FULL_WIDTH, frequency_axis
from bafflelens.report.style import Dash, inch_axes

_DB_A_DECADE: Final = 50.0  # on the length of a decade, one of the usual ones of IEC 60263
_DEEPEST_DB: Final = -40.0
_WIDTH: Final = 4.75

_SETS: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    (
        "The set",
        ("on_axis", "listening_window", "early_reflections", "sound_power", "predicted_in_room"),
    ),
    (
        "Early reflections and their parts",
        ("early_reflections", "floor", "ceiling", "front_wall", "side_wall", "rear_wall"),
    ),
)
_REAR_WALLS: Final = {
    "A": "Rear wall: every angle from 90° back.",
    "B": "Rear wall: three angles, 90°, 180° and −90°.",
}
_INDICES: Final = ("sound_power_index", "early_reflections_index")
_LINES: Final[tuple[tuple[str, Dash], ...]] = (*style.SERIES, (style.MUTED, (0, (2, 2))))


def standard_figure(
    curves: xr.Dataset, title: str, baseline: tuple[str, xr.Dataset] | None = None
) -> Figure:
    """Draw the curves of a candidate.

    Parameters
    ----------
    curves : xarray.Dataset
        As `bafflelens.directivity.standard_curves.standard_curves` returns them.
    title : str
        What the candidate is called.
    baseline : (name, curves) or None
        Drawn pale behind it, in the same colours; None where the candidate is the baseline.
    """
    frequency = curves["frequency"].values
    everything = [curves, *([baseline[1]] if baseline else [])]
    levels = [
        shown[name].values - _zero_db(shown)
        for shown in everything
        for _, names in _SETS
        for name in names
    ]
    top = _ceiling(max(float(np.nanmax(level)) for level in levels))
    lowest = min(float(np.nanmin(level)) for level in levels)
    bottom = max(_floor(lowest), _DEEPEST_DB)
    limits = (float(frequency[0]), float(frequency[-1]))
    decades = np.log10(limits[1] / limits[0])
    height = _WIDTH / decades * (top - bottom) / _DB_A_DECADE
    indices = [shown[name].values for shown in everything for name in _INDICES]
    most = _ceiling(max(float(np.nanmax(index)) for index in indices))
    least = min(_floor(min(float(np.nanmin(index)) for index in indices)), 0.0)
    low_height = _WIDTH / decades * (most - least) / _DB_A_DECADE
    figure = Figure(figsize=(FULL_WIDTH, height + low_height + 1.95), facecolor="white")
    for number, (name, names) in enumerate(_SETS):
        axes = inch_axes(figure, 0.65 + 5.6 * number, low_height + 1.55, _WIDTH, height)
        if baseline:
            _draw(axes, baseline[1], names, _zero_db(baseline[1]), is_behind=True)
        _draw(axes, curves, names, _zero_db(curves))
        _finish(axes, limits, (bottom, top), "Level in dB re mean of listening window")
        axes.set_title(f"{title}: {name[0].lower()}{name[1:]}")
        axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.42 / height), ncols=3)
    axes = inch_axes(figure, 0.65, 0.5, _WIDTH, low_height)
    if baseline:
        _draw(axes, baseline[1], _INDICES, 0.0, is_behind=True)
    _draw(axes, curves, _INDICES, 0.0)
    _finish(axes, limits, (least, most), "Index in dB")
    axes.legend(loc="upper left", bbox_to_anchor=(1.05, 1.0))
    figure.text(
        0.57,
        0.5 / (height + low_height + 1.95),
        f"ANSI/CTA-2034-A, energy averages. {_REAR_WALLS[str(curves.attrs['rear_wall'])]}\n"
        "Indices are the listening window less the other curve."
        + (f"\nPale: the same of the {baseline[0]}, re its own mean." if baseline else ""),
        size=8,
        color=style.MUTED,
    )
    return figure


def _zero_db(curves: xr.Dataset) -> float:
    return float(np.nanmean(curves["listening_window"].values))


def _draw(
    axes: Axes,
    curves: xr.Dataset,
    names: tuple[str, ...],
    zero_db: float,
    *,
    is_behind: bool = False,
) -> None:
    look: dict[str, Any] = (
        {"linewidth": 2.6, "alpha": style.BEHIND, "zorder": 1.5} if is_behind else {}
    )
    for name, (colour, dash) in zip(names, _LINES, strict=False):
        axes.plot(
            curves["frequency"].values,
            curves[name].values - zero_db,
            color=colour,
            linestyle="-" if is_behind else dash,
            label=None if is_behind else name.replace("_", " "),
            **look,
        )


def _finish(
    axes: Axes, limits: tuple[float, float], levels: tuple[float, float], label: str
) -> None:
    frequency_axis(axes, limits)
    axes.set_ylim(levels)
    axes.yaxis.set_major_locator(MultipleLocator(5))
    axes.set_ylabel(label)
    axes.grid(True, color=style.RULE, linewidth=0.5)


def _ceiling(value: float) -> float:
    return float(5 * np.ceil(value / 5))


def _floor(value: float) -> float:
    return float(5 * np.floor(value / 5))
