# SPDX-License-Identifier: GPL-3.0-or-later
"""Contour maps: level over frequency and angle."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, Colormap, ListedColormap
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

from bafflelens.base.conventions import FloatArray
from bafflelens.report import style
from bafflelens.report.curves import Curves, Mark
from bafflelens.report.figures.axes import (
    BEAM_DB,
    DASHED,
    FULL_WIDTH,
    Scales,
    angle_axis,
    frequency_axis,
    signed,
)
from bafflelens.report.style import inch_axes

LEVEL_STEPS_DB: Final = tuple(float(level) for level in range(-30, 4, 3))
DIFFERENCE_STEPS_DB: Final = (-15.0, -12.0, -9.0, -6.0, -3.0, -1.0, 1.0, 3.0, 6.0, 9.0, 12.0, 15.0)


def level_maps(curves: Curves, scales: Scales, marks: Sequence[Mark]) -> Figure:
    """Draw the horizontal and the vertical contour map side by side.

    Parameters
    ----------
    curves : Curves
        The candidate.
    scales : Scales
        Shared axes.
    marks : sequence of Mark
        Angles to be marked in the plane they belong to.
    """
    figure = Figure(figsize=(FULL_WIDTH, 4.15))
    width, height, bottom = 4.55, 3.3, 0.5
    for number, plane in enumerate(("horizontal", "vertical")):
        axes = inch_axes(figure, 0.62 + number * 5.2, bottom, width, height)
        _level_map(axes, curves, curves.level_db(plane), scales)
        _mark_angles(axes, [mark for mark in marks if mark.plane == plane])
        frequency_axis(axes, scales.frequency_hz)
        angle_axis(axes, plane, step=30)
        axes.set_title(f"{plane.capitalize()} plane", pad=10)
    _level_bar(inch_axes(figure, 10.55, bottom, 0.14, height))
    _beam_key(figure, 10.42 / FULL_WIDTH, 0.985)
    return figure


def thumbnail_maps(
    entries: Sequence[tuple[str, Curves]], scales: Scales, marks: Sequence[Mark]
) -> Figure:
    """Draw small vertical maps over small horizontal maps, one column a candidate.

    Parameters
    ----------
    entries : sequence of (title, Curves)
        The columns, left to right.
    scales : Scales
        Shared axes.
    marks : sequence of Mark
        Angles to be marked in the plane they belong to, without their labels.
    """
    left, right, gap = 0.75, 0.85, 0.12
    columns = max(len(entries), 4)
    width = (FULL_WIDTH - left - right - (columns - 1) * gap) / columns
    height = min(1.35, width)
    across = left + len(entries) * (width + gap) - gap + right
    figure = Figure(figsize=(across, 2 * height + 0.85))
    for column, (title, curves) in enumerate(entries):
        for row, plane in enumerate(("vertical", "horizontal")):
            bottom = 0.48 + (1 - row) * (height + 0.12)
            axes = inch_axes(figure, left + column * (width + gap), bottom, width, height)
            _level_map(axes, curves, curves.level_db(plane), scales, rug=False)
            for mark in marks:
                if mark.plane == plane:
                    axes.axhline(mark.angle_deg, color="black", linewidth=0.6, linestyle=DASHED)
            frequency_axis(axes, scales.frequency_hz, small=True)
            axes.set_ylim(-180, 180)
            axes.yaxis.set_major_locator(FixedLocator((-180, -90, 0, 90, 180)))
            axes.yaxis.set_major_formatter(
                FixedFormatter([signed(a) for a in range(-180, 181, 90)])
            )
            if row == 0:
                axes.set_title(title, fontsize=8.5, pad=4)
                axes.tick_params(labelbottom=False)
            if column == 0:
                axes.set_ylabel(f"{plane.capitalize()}\nangle in °")
            else:
                axes.tick_params(labelleft=False)
    figure.text(
        (left + len(entries) * (width + gap) / 2) / across,
        0.02,
        "Frequency in kHz",
        ha="center",
        va="bottom",
        fontsize=8.5,
    )
    _level_bar(inch_axes(figure, across - right + 0.15, 0.48, 0.11, 2 * height + 0.12))
    return figure


def comparison_maps(
    best: tuple[str, Curves],
    baseline: tuple[str, Curves],
    scales: Scales,
    marks: Sequence[Mark],
) -> Figure:
    """Draw best, baseline and their difference, vertical above horizontal, on common scales.

    Parameters
    ----------
    best, baseline : (name, Curves)
        What is compared; the difference is best less baseline.
    scales : Scales
        Shared axes.
    marks : sequence of Mark
        Angles to be marked in the plane they belong to.
    """
    figure = Figure(figsize=(FULL_WIDTH, 6.2))
    width, height = 2.78, 2.5
    lefts, bar_width = (0.62, 3.62, 7.5), 0.13
    for row, plane in enumerate(("vertical", "horizontal")):
        bottom = 0.5 + (1 - row) * (height + 0.42)
        here = [mark for mark in marks if mark.plane == plane]
        for left, (name, curves) in zip(lefts, (best, baseline), strict=False):
            axes = inch_axes(figure, left, bottom, width, height)
            _level_map(axes, curves, curves.level_db(plane), scales)
            _finish_compared(axes, scales, plane, here, first=left == lefts[0], last=row == 1)
            axes.set_title(f"{name}, {plane}")
        axes = inch_axes(figure, lefts[2], bottom, width, height)
        difference = best[1].level_db(plane) - baseline[1].level_db(plane)
        _difference_map(axes, best[1], difference, scales)
        _finish_compared(axes, scales, plane, here, first=False, last=row == 1)
        axes.set_title(f"{best[0]} less {baseline[0]}, {plane}")
        _level_bar(inch_axes(figure, 6.5, bottom, bar_width, height))
        _difference_bar(inch_axes(figure, 10.38, bottom, bar_width, height), best[0])
    return figure


def map_pair(
    best: tuple[str, Curves],
    baseline: tuple[str, Curves],
    plane: str,
    scales: Scales,
    marks: Sequence[Mark],
) -> Figure:
    """Draw the maps of two candidates in one plane, small, side by side on one scale.

    Parameters
    ----------
    best, baseline : (name, Curves)
        What is shown, left and right.
    plane : {"vertical", "horizontal"}
        Which orbit.
    scales : Scales
        Shared axes.
    marks : sequence of Mark
        Angles to be marked in the plane they belong to, without their labels.
    """
    figure = Figure(figsize=(3.7, 1.72))
    width, height, left, bottom = 1.24, 1.22, 0.56, 0.28
    for number, (name, curves) in enumerate((best, baseline)):
        axes = inch_axes(figure, left + number * (width + 0.1), bottom, width, height)
        _level_map(axes, curves, curves.level_db(plane), scales, rug=False)
        for mark in marks:
            if mark.plane == plane:
                axes.axhline(mark.angle_deg, color="black", linewidth=0.7, linestyle=DASHED)
        frequency_axis(axes, scales.frequency_hz, small=True)
        axes.set_ylim(-180, 180)
        axes.yaxis.set_major_locator(FixedLocator((-180, -90, 0, 90, 180)))
        axes.yaxis.set_major_formatter(FixedFormatter([signed(a) for a in range(-180, 181, 90)]))
        axes.tick_params(labelsize=7.5, pad=2)
        axes.set_title(name, fontsize=8.5, pad=3)
        if number:
            axes.tick_params(labelleft=False)
        else:
            axes.set_ylabel(f"{plane.capitalize()}, °", labelpad=1)
    figure.text((left - 0.08) / 3.7, 0.045, "kHz", ha="right", va="bottom", fontsize=7.5)
    bar = inch_axes(figure, left + 2 * width + 0.17, bottom, 0.09, height)
    _level_bar(bar)
    bar.yaxis.set_major_locator(FixedLocator([1, 3, 5, 7, 9, 11]))
    bar.yaxis.set_major_formatter(FixedFormatter([signed(step) for step in LEVEL_STEPS_DB[::2]]))
    bar.tick_params(labelsize=7, pad=1)
    bar.set_ylabel("")
    bar.set_title("dB", fontsize=7.5, fontweight="normal", loc="left", pad=4)
    return figure


def _level_map(
    axes: Axes, curves: Curves, level_db: FloatArray, scales: Scales, *, rug: bool = True
) -> None:
    colours = mpl.colormaps[style.LEVEL_COLOURS].resampled(len(LEVEL_STEPS_DB) + 1)
    _filled(axes, curves, level_db, LEVEL_STEPS_DB, colours)
    shown = np.ma.masked_invalid(level_db.T)
    if _has_area(level_db) and shown.min() < BEAM_DB < shown.max():
        for colour, width in (("white", 2.6), ("black", 1.5)):
            axes.contour(
                curves.frequency_hz,
                curves.angle_deg,
                shown,
                levels=[BEAM_DB],
                colors=[colour],
                linewidths=[width],
                linestyles="solid",
            )
    if rug:
        _rug(axes, curves)
    axes.set_xlim(scales.frequency_hz)


def _difference_map(axes: Axes, curves: Curves, difference: FloatArray, scales: Scales) -> None:
    colours = mpl.colormaps[style.DIFFERENCE_COLOURS].resampled(len(DIFFERENCE_STEPS_DB) + 1)
    _filled(axes, curves, difference, DIFFERENCE_STEPS_DB, colours)
    axes.set_xlim(scales.frequency_hz)


def _filled(
    axes: Axes,
    curves: Curves,
    values: FloatArray,
    steps: Sequence[float],
    colours: Colormap,
) -> None:
    """Fill between steps; where a frequency failed, both neighbours' cells stay hatched."""
    axes.add_patch(Rectangle((0, 0), 1, 1, transform=axes.transAxes, zorder=0, **style.GAP))
    if not _has_area(values):
        axes.text(
            0.5, 0.5, "too few frequencies were solved", transform=axes.transAxes, ha="center"
        )
        return
    filled = axes.contourf(
        curves.frequency_hz,
        curves.angle_deg,
        np.ma.masked_invalid(values.T),
        levels=list(steps),
        cmap=colours,
        norm=BoundaryNorm(list(steps), colours.N, extend="both"),
        extend="both",
        antialiased=False,
    )
    filled.set_rasterized(True)
    filled.set_zorder(1)


def _has_area(values: FloatArray) -> bool:
    """Whether two neighbouring frequencies were solved, so that there is something to fill."""
    solved = np.asarray(np.isfinite(values).all(axis=1))
    return bool((solved[1:] & solved[:-1]).any())


def _rug(axes: Axes, curves: Curves) -> None:
    """Mark the solved frequencies along the top edge: between them a map is interpolated."""
    axes.plot(
        curves.computed_hz,
        np.full(len(curves.computed_hz), 1.012),
        "|",
        transform=axes.get_xaxis_transform(),
        color=style.MUTED,
        markersize=3,
        markeredgewidth=0.7,
        clip_on=False,
    )


def _mark_angles(axes: Axes, marks: Sequence[Mark]) -> None:
    for mark in marks:
        axes.axhline(mark.angle_deg, color="white", linewidth=1.8, zorder=3)
        axes.axhline(mark.angle_deg, color="black", linewidth=0.9, linestyle=(0, (5, 3)), zorder=3)
        up = mark.angle_deg > 0
        axes.annotate(
            mark.label,
            (0.01, mark.angle_deg),
            xycoords=axes.get_yaxis_transform(),
            xytext=(2, 3 if up else -3),
            textcoords="offset points",
            va="bottom" if up else "top",
            fontsize=7.5,
            zorder=4,
            bbox={"boxstyle": "square,pad=0.18", "facecolor": "white", "edgecolor": "none"},
        )


def _finish_compared(
    axes: Axes,
    scales: Scales,
    plane: str,
    marks: Sequence[Mark],
    *,
    first: bool,
    last: bool,
) -> None:
    _mark_angles(axes, marks)
    frequency_axis(axes, scales.frequency_hz)
    angle_axis(axes, plane, step=60)
    if not first:
        axes.set_ylabel("")
        axes.tick_params(labelleft=False)
    if not last:
        axes.set_xlabel("")


def _level_bar(axes: Axes) -> None:
    colours = mpl.colormaps[style.LEVEL_COLOURS].resampled(len(LEVEL_STEPS_DB) + 1)
    _steps_bar(axes, LEVEL_STEPS_DB, colours, "Level in dB re listening window")
    y = LEVEL_STEPS_DB.index(BEAM_DB) + 1
    axes.axhline(y, color="white", linewidth=2.4)
    axes.axhline(y, color="black", linewidth=1.5)


def _difference_bar(axes: Axes, name: str) -> None:
    colours = mpl.colormaps[style.DIFFERENCE_COLOURS].resampled(len(DIFFERENCE_STEPS_DB) + 1)
    _steps_bar(axes, DIFFERENCE_STEPS_DB, colours, f"Difference in dB, − {name} is quieter")


def _steps_bar(axes: Axes, steps: Sequence[float], colours: Colormap, label: str) -> None:
    """Draw a key of colour steps, one block a step, with the two open ends."""
    count = len(steps) + 1
    palette = colours if isinstance(colours, ListedColormap) else colours.resampled(count)
    for number in range(count):
        colour = palette(number / (count - 1))
        axes.add_patch(Rectangle((0, number), 1, 1, facecolor=colour, linewidth=0))
    axes.set_xlim(0, 1)
    axes.set_ylim(0, count)
    axes.xaxis.set_major_locator(NullLocator())
    axes.yaxis.tick_right()
    axes.yaxis.set_label_position("right")
    axes.yaxis.set_major_locator(FixedLocator(list(range(1, count))))
    axes.yaxis.set_major_formatter(FixedFormatter([signed(step) for step in steps]))
    axes.tick_params(axis="y", labelsize=7.5)
    axes.set_ylabel(label)


def _beam_key(figure: Figure, x: float, y: float) -> None:
    handle = Line2D([], [], color="black", linewidth=1.5)
    figure.legend(
        [handle],
        ["−6 dB"],
        loc="upper left",
        bbox_to_anchor=(x, y),
        borderpad=0,
        borderaxespad=0,
        handlelength=1.4,
    )
