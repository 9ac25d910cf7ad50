# SPDX-License-Identifier: GPL-3.0-or-later
"""The vertical lobe through the crossover region: a map with its tilt, and levels over angle.

Depends on: axes, lobe, maps (its colours), polars, style.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import matplotlib as mpl
import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import FixedFormatter, FixedLocator, MultipleLocator

from bafflelens.lobe import Lobe, region_of, tilt_at, vertical_lobes
from bafflelens.polars import relative_level_db
from bafflelens.report import style
from bafflelens.report.figures.axes import BEAM_DB, FULL_WIDTH, frequency_axis, kilohertz, signed
from bafflelens.report.figures.maps import LEVEL_STEPS_DB
from bafflelens.report.style import inch_axes

_ROW: Final = 3.55
_HEIGHT: Final = 2.75
_LOWEST_DB: Final = -24.0
_SHOWN_OCTAVES: Final = 1.25


@dataclass(frozen=True, kw_only=True, eq=False)
class LobeEntry:
    """What one row of the figure shows.

    Attributes
    ----------
    title : str
        What it is.
    dataset : xarray.Dataset
        A loudspeaker as it plays, with one source.
    frequency_hz : float
        Where its ways hand over, in Hz.
    """

    title: str
    dataset: xr.Dataset
    frequency_hz: float


def lobes(entries: Sequence[LobeEntry]) -> Figure:
    """Draw the vertical level around the crossover frequency, one row an entry.

    On the left over frequency and elevation with the tilt of the main lobe and the region that
    counts as that of the crossover; on the right over elevation at its middle and both ends.

    Parameters
    ----------
    entries : sequence of LobeEntry
        One row each.
    """
    figure = Figure(figsize=(FULL_WIDTH, _ROW * len(entries) + 0.1))
    for row, entry in enumerate(entries):
        bottom = 0.5 + (len(entries) - 1 - row) * _ROW
        lobes_found = vertical_lobes(entry.dataset)
        left = inch_axes(figure, 0.7, bottom, 5.6, _HEIGHT)
        _map(left, entry, lobes_found)
        right = inch_axes(figure, 7.3, bottom, 3.75, _HEIGHT)
        _levels(right, entry, lobes_found)
    return figure


def _map(axes: Axes, entry: LobeEntry, found: Sequence[Lobe]) -> None:
    level = relative_level_db(entry.dataset, "vertical")
    frequency = level["frequency"].values
    low, high = (entry.frequency_hz * 2**octaves for octaves in (-_SHOWN_OCTAVES, _SHOWN_OCTAVES))
    limits = max(low, frequency[0]), min(high, frequency[-1])
    axes.add_patch(Rectangle((0, 0), 1, 1, transform=axes.transAxes, zorder=0, **style.GAP))
    colours = mpl.colormaps[style.LEVEL_COLOURS].resampled(len(LEVEL_STEPS_DB) + 1)
    shown = np.ma.masked_invalid(level.values.T)
    if frequency.size > 1:
        filled = axes.contourf(
            frequency,
            level["angle"].values,
            shown,
            levels=list(LEVEL_STEPS_DB),
            cmap=colours,
            norm=BoundaryNorm(list(LEVEL_STEPS_DB), colours.N, extend="both"),
            extend="both",
            antialiased=False,
        )
        filled.set_rasterized(True)
        if shown.min() < BEAM_DB < shown.max():
            axes.contour(
                frequency, level["angle"].values, shown,
                levels=[BEAM_DB], colors=["black"], linewidths=[1.3], linestyles="solid",
            )  # fmt: skip
        bar = axes.figure.colorbar(filled, ax=axes, pad=0.015, fraction=0.035, aspect=25)
        bar.set_label("Level in dB re listening window")
        bar.set_ticks(list(LEVEL_STEPS_DB)[::2])
        bar.ax.set_yticklabels([signed(step) for step in LEVEL_STEPS_DB[::2]])
    tilt = np.array([lobe.tilt_deg for lobe in found])
    for colour, width in (("white", 3.2), (style.TARGET, 1.8)):
        axes.plot(
            frequency, tilt, color=colour, linewidth=width, zorder=4, label="tilt of the lobe"
        )
    region = region_of(entry.frequency_hz)
    for edge in region:
        axes.axvline(edge, color="white", linewidth=1.0, linestyle=(0, (2, 2)), zorder=3)
    axes.axvline(entry.frequency_hz, color="white", linewidth=1.4, zorder=3)
    frequency_axis(axes, limits)
    axes.set_ylim(-90, 90)
    _elevations(axes)
    axes.set_ylabel("Elevation in °, down − / up +")
    axes.set_title(f"{entry.title}: vertical level and tilt of the main lobe (orange)", pad=6)


def _levels(axes: Axes, entry: LobeEntry, found: Sequence[Lobe]) -> None:
    level = relative_level_db(entry.dataset, "vertical")
    frequency = level["frequency"].values
    low, high = region_of(entry.frequency_hz)
    chosen = list(
        dict.fromkeys(
            int(np.argmin(np.abs(np.log(frequency / wanted))))
            for wanted in (low, entry.frequency_hz, high)
        )
    )
    for number, (colour, dash) in zip(chosen, style.SERIES, strict=False):
        axes.plot(
            level["angle"].values,
            np.maximum(level.values[number], _LOWEST_DB),
            color=colour,
            linestyle=dash,
            linewidth=1.6,
            label=kilohertz(float(frequency[number])),
        )
        for null_deg in (found[number].null_below_deg, found[number].null_above_deg):
            if np.isfinite(null_deg):
                axes.plot(null_deg, _LOWEST_DB, "v", color=colour, markersize=6, clip_on=False)
    tilt = tilt_at(entry.dataset, entry.frequency_hz)
    if np.isfinite(tilt):
        axes.axvline(tilt, color=style.TARGET, linewidth=1.6)
        axes.annotate(
            f"tilt {signed(round(tilt, 1))}° at {kilohertz(entry.frequency_hz)}",
            (tilt, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(5 if tilt < 20 else -5, -4),
            textcoords="offset points",
            ha="left" if tilt < 20 else "right",
            va="top",
            fontsize=8.5,
            bbox={"boxstyle": "square,pad=0.15", "facecolor": "white", "edgecolor": "none"},
        )
    axes.set_xlim(-90, 90)
    axes.set_ylim(_LOWEST_DB, 6)
    axes.yaxis.set_major_locator(MultipleLocator(6))
    axes.xaxis.set_major_locator(FixedLocator(range(-90, 91, 30)))
    axes.xaxis.set_major_formatter(FixedFormatter([signed(angle) for angle in range(-90, 91, 30)]))
    axes.grid(visible=True, color=style.RULE, linewidth=0.6)
    axes.set_xlabel("Elevation in °, down − / up +")
    axes.set_ylabel("Level in dB re listening window")
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, borderaxespad=0.2)


def _elevations(axes: Axes) -> None:
    axes.yaxis.set_major_locator(FixedLocator(range(-90, 91, 30)))
    axes.yaxis.set_major_formatter(FixedFormatter([signed(angle) for angle in range(-90, 91, 30)]))
