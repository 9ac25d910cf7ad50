# SPDX-License-Identifier: GPL-3.0-or-later
"""The vertical lobe through the crossover region: a map with its tilt, and levels over angle."""

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

from bafflelens.directivity.lobe import Lobe, Meeting, region_of, tilt_at, vertical_lobes
from bafflelens.directivity.polars import decibels, relative_level_db, window_amplitude
from bafflelens.report import style
from bafflelens.report.figures.axes import BEAM_DB, FULL_WIDTH, frequency_axis, signed
from bafflelens.report.figures.maps import LEVEL_STEPS_DB
from bafflelens.report.style import inch_axes
from bafflelens.report.words import kilohertz

_ROW: Final = 3.6
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
    meeting : Meeting
        Where its ways meet, and their levels.
    behind : xarray.Dataset or None
        The baseline, drawn pale behind its levels over angle.
    """

    title: str
    dataset: xr.Dataset
    meeting: Meeting
    behind: xr.Dataset | None = None

    @property
    def frequency_hz(self) -> float:
        """Where its ways hand over, in Hz."""
        return self.meeting.frequency_hz

    @property
    def shown_hz(self) -> tuple[float, float]:
        """The frequencies that are shown, in Hz."""
        frequency = self.dataset["frequency"].values
        low, high = (
            self.frequency_hz * 2**octaves for octaves in (-_SHOWN_OCTAVES, _SHOWN_OCTAVES)
        )
        return float(max(low, frequency[0])), float(min(high, frequency[-1]))


def lobes(entries: Sequence[LobeEntry]) -> Figure:
    """Draw the vertical level around the crossover frequency, one row an entry.

    On the left the ways and their sum in the listening window; in the middle the level over
    frequency and elevation with the tilt of the main lobe and the region that counts as that of
    the crossover; on the right the level over elevation at its middle and both ends.

    Parameters
    ----------
    entries : sequence of LobeEntry
        One row each.
    """
    figure = Figure(figsize=(FULL_WIDTH, _ROW * len(entries) + 0.1))
    for row, entry in enumerate(entries):
        bottom = 0.5 + (len(entries) - 1 - row) * _ROW
        lobes_found = vertical_lobes(entry.dataset)
        _ways(inch_axes(figure, 0.62, bottom, 2.75, _HEIGHT), entry)
        _map(inch_axes(figure, 4.05, bottom, 3.55, _HEIGHT), entry, lobes_found)
        _levels(inch_axes(figure, 8.4, bottom, 2.55, _HEIGHT), entry, lobes_found)
    return figure


def _ways(axes: Axes, entry: LobeEntry) -> None:
    frequency = entry.dataset["frequency"].values
    total = decibels(window_amplitude(entry.dataset))
    low, high = entry.shown_hz
    inside = (frequency >= low * 0.999) & (frequency <= high * 1.001) & np.isfinite(total)
    zero = float(total[inside].mean()) if inside.any() else 0.0
    for (name, level), (colour, dash) in zip(
        entry.meeting.way_levels_db.items(), style.SERIES, strict=False
    ):
        axes.plot(frequency, level - zero, color=colour, linestyle=dash, label=name)
    axes.plot(frequency, total - zero, color="black", linewidth=2.0, label="sum")
    axes.axvline(entry.frequency_hz, color=style.MUTED, linewidth=0.9)
    frequency_axis(axes, entry.shown_hz)
    axes.set_ylim(_LOWEST_DB, 6)
    axes.yaxis.set_major_locator(MultipleLocator(6))
    axes.grid(visible=True, color=style.RULE, linewidth=0.6)
    axes.set_ylabel("Listening window in dB re mean of the sum")
    axes.legend(
        loc="lower left", bbox_to_anchor=(-0.02, 1.0), ncols=4, columnspacing=1.0,
        borderaxespad=0.2,
    )  # fmt: skip
    _title(axes, f"{entry.title}: ways and sum")


def _title(axes: Axes, text: str) -> None:
    """Write a title above the legend, which stands above the axes."""
    axes.annotate(
        text, (0, 1), xycoords="axes fraction", xytext=(0, 17), textcoords="offset points",
        fontsize=9.5, fontweight="bold", va="bottom",
    )  # fmt: skip


def _map(axes: Axes, entry: LobeEntry, found: Sequence[Lobe]) -> None:
    level = relative_level_db(entry.dataset, "vertical")
    frequency = level["frequency"].values
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
        bar = axes.figure.colorbar(filled, ax=axes, pad=0.02, fraction=0.05, aspect=25)
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
    frequency_axis(axes, entry.shown_hz)
    axes.set_ylim(-90, 90)
    _elevations(axes)
    axes.set_ylabel("Elevation in °, down − / up +")
    _title(axes, "Vertical level, tilt of the main lobe")


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
    if entry.behind is not None:
        _levels_behind(axes, entry.behind, [float(frequency[number]) for number in chosen])
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
    axes.legend(
        loc="lower left", bbox_to_anchor=(-0.02, 1.0), ncols=3, columnspacing=1.0,
        borderaxespad=0.2,
    )  # fmt: skip
    _title(axes, "Vertical level over angle")


def _levels_behind(axes: Axes, dataset: xr.Dataset, frequencies_hz: Sequence[float]) -> None:
    """Draw another's levels at these frequencies pale, in the same colours."""
    level = relative_level_db(dataset, "vertical")
    frequency = level["frequency"].values
    for wanted, (colour, _) in zip(frequencies_hz, style.SERIES, strict=False):
        number = int(np.argmin(np.abs(np.log(frequency / wanted))))
        axes.plot(
            level["angle"].values,
            np.maximum(level.values[number], _LOWEST_DB),
            color=colour,
            linewidth=2.6,
            alpha=style.BEHIND,
        )


def _elevations(axes: Axes) -> None:
    axes.yaxis.set_major_locator(FixedLocator(range(-90, 91, 30)))
    axes.yaxis.set_major_formatter(FixedFormatter([signed(angle) for angle in range(-90, 91, 30)]))
