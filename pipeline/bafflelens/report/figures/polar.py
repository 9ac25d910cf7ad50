# SPDX-License-Identifier: GPL-3.0-or-later
"""Polar plots: level over angle at a few frequencies.

Drawn on plain axes, where rings, spokes and labels stand exactly where they should.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle

from bafflelens.base.conventions import FloatArray
from bafflelens.report import style
from bafflelens.report.curves import Curves, Mark
from bafflelens.report.figures.axes import BEAM_DB, signed
from bafflelens.report.style import inch_axes
from bafflelens.report.words import kilohertz

POLAR_TOP_DB: Final = 3.0
POLAR_RANGE_DB: Final = 30.0
POLAR_RINGS_DB: Final = (0.0, -6.0, -12.0, -18.0, -24.0)


def polars(
    curves: Curves,
    frequencies_hz: Sequence[float],
    marks: Sequence[Mark],
    baseline: tuple[str, Curves] | None = None,
) -> Figure:
    """Draw the horizontal and the vertical polar plot side by side.

    Parameters
    ----------
    curves : Curves
        The candidate.
    frequencies_hz : sequence of float
        Which frequencies to draw, in Hz; the nearest that was asked for is taken.
    marks : sequence of Mark
        Angles to be marked in the plane they belong to.
    baseline : (name, Curves) or None
        Drawn pale behind it, in the same colours; None where the candidate is the baseline.
    """
    figure = Figure(figsize=(7.3, 3.85))
    views = {
        "horizontal": ("seen from above", "left", "right"),
        "vertical": ("seen from its right", "up", "down"),
    }
    numbers = [curves.nearest(f) for f in frequencies_hz]
    for column, (plane, (view, plus, minus)) in enumerate(views.items()):
        axes = inch_axes(figure, 0.05 + column * 3.65, 0.32, 3.55, 3.55 * 2.38 / 2.68)
        _polar_frame(axes, plus, minus)
        _polar_marks(axes, [mark for mark in marks if mark.plane == plane])
        if baseline is not None:
            behind = [baseline[1].nearest(f) for f in frequencies_hz]
            _polar_lines(axes, baseline[1], plane, behind, linewidth=2.6, alpha=style.BEHIND)
        _polar_lines(axes, curves, plane, numbers, linewidth=1.5)
        axes.set_title(f"{plane.capitalize()}, {view}", pad=2, loc="center")
    handles = [
        Line2D([], [], color=colour, linestyle=dash, linewidth=1.7)
        for _, (colour, dash) in zip(numbers, style.SERIES, strict=False)
    ]
    labels = [
        kilohertz(curves.frequency_hz[n], asked) + ("" if curves.solved[n] else " (not solved)")
        for n, asked in zip(numbers, frequencies_hz, strict=True)
    ]
    if baseline is not None:
        handles.append(Line2D([], [], color=style.INK, linewidth=2.6, alpha=style.BEHIND))
        labels.append(f"pale: {baseline[0]}")
    figure.legend(
        handles, labels, loc="lower center", ncols=len(labels), bbox_to_anchor=(0.5, 0.0)
    )
    return figure


def _polar_lines(
    axes: Axes, curves: Curves, plane: str, numbers: Sequence[int], **look: Any
) -> None:
    """Draw a curve for each of these frequencies."""
    level = curves.level_db(plane)
    for number, (colour, dash) in zip(numbers, style.SERIES, strict=False):
        x, y = _polar_position(curves.angle_deg, level[number])
        solid = "-" if "alpha" in look else dash  # a dash of a pale line would be lost
        axes.plot(x, y, color=colour, linestyle=solid, clip_on=False, **look)


def _polar_position(angle_deg: FloatArray, level_db: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return where a level lies: 0 degrees up, positive angles to the left."""
    radius = np.clip((level_db - POLAR_TOP_DB + POLAR_RANGE_DB) / POLAR_RANGE_DB, 0, None)
    angle = np.radians(angle_deg)
    return -radius * np.sin(angle), radius * np.cos(angle)


def _polar_frame(axes: Axes, plus: str, minus: str) -> None:
    axes.set_aspect("equal")
    axes.set_xlim(-1.34, 1.34)
    axes.set_ylim(-1.19, 1.19)
    axes.set_axis_off()
    axes.add_patch(Circle((0, 0), 1, facecolor="white", edgecolor=style.MUTED, linewidth=0.8))
    for ring in POLAR_RINGS_DB:
        radius = (ring - POLAR_TOP_DB + POLAR_RANGE_DB) / POLAR_RANGE_DB
        strong = ring in (0.0, BEAM_DB)
        axes.add_patch(
            Circle(
                (0, 0),
                radius,
                fill=False,
                edgecolor=style.MUTED if strong else style.RULE,
                linewidth=0.8 if strong else 0.6,
                linestyle="--" if ring == BEAM_DB else "-",
            )
        )
        # On the spoke to the rear right, where the least is drawn.
        axes.text(
            radius * np.sin(np.radians(165)),
            radius * np.cos(np.radians(165)),
            f"{signed(ring)} dB" if ring == 0 else signed(ring),
            fontsize=7,
            color=style.MUTED,
            ha="center",
            va="center",
            zorder=5,
            bbox={"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none"},
        )
    for angle in range(-150, 181, 30):
        side, ahead = -np.sin(np.radians(angle)), np.cos(np.radians(angle))
        axes.plot((0, side), (0, ahead), color=style.RULE, linewidth=0.6, zorder=1)
        word = {90: f"\n{plus}", -90: f"\n{minus}"}.get(angle, "")
        text = f"{signed(angle) if abs(angle) < 180 else '±180'}°{word}"
        _around(axes, angle, text)


def _polar_marks(axes: Axes, marks: Sequence[Mark]) -> None:
    for mark in marks:
        side, ahead = -np.sin(np.radians(mark.angle_deg)), np.cos(np.radians(mark.angle_deg))
        axes.plot(
            (0.1 * side, 1.0 * side),
            (0.1 * ahead, 1.0 * ahead),
            color="black",
            linewidth=0.8,
            linestyle=(0, (5, 3)),
            zorder=2,
        )
        # Half way between two spokes, whose own labels stand on the same circle.
        beside = 30 * np.floor(abs(mark.angle_deg) / 30) + 15
        _around(axes, float(np.copysign(beside, mark.angle_deg)), mark.word, style="italic")


def _around(axes: Axes, angle_deg: float, text: str, style: str = "normal") -> None:
    """Write a text outside the circle, aligned so that it cannot touch it."""
    side, ahead = -np.sin(np.radians(angle_deg)), np.cos(np.radians(angle_deg))
    axes.text(
        1.05 * side,
        1.08 * ahead,
        text,
        fontsize=7.5,
        style=style,
        ha="center" if abs(side) < 0.1 else ("left" if side > 0 else "right"),
        va="center",
        multialignment="center",
    )
