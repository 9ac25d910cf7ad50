# SPDX-License-Identifier: GPL-3.0-or-later
"""A drawing of what the numbers of a new job mean: front, side, and room, not to scale of each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

_LINE: dict[str, Any] = {"facecolor": "none", "edgecolor": "0.25", "linewidth": 1.2}
_SURROUND_MM = 10.0


def new_job_figure(answers: Mapping[str, float]) -> Figure:
    """Return a figure of a cabinet from the front and the side, and of the room.

    Parameters
    ----------
    answers : mapping of str to float
        An answer to each of `bafflelens.job.new_job.QUESTIONS`, by name, in its unit.
    """
    figure = Figure(figsize=(11, 5), layout="constrained")
    front, side, room = figure.subplots(1, 3, width_ratios=(1, 1, 1.5))
    _front(front, answers)
    _side(side, answers)
    _room(room, answers)
    for axes in (front, side, room):
        axes.set_aspect("equal")
        axes.axis("off")
        axes.margins(0.05)
    return figure


def _front(axes: Axes, a: Mapping[str, float]) -> None:
    width, height, top = a["cabinet_width"], a["cabinet_height"], a["tweeter_below_top"]
    axes.set_title("front", pad=16)
    axes.add_patch(Rectangle((-width / 2, top - height), width, height, **_LINE))
    axes.add_patch(Circle((0, 0), a["dome"] / 2, **_LINE))
    _measure(axes, (-width / 2, top + 0.05 * height), (width / 2, top + 0.05 * height),
             f"c  {width:g} mm")  # fmt: skip
    left = -width / 2 - 0.08 * height
    _measure(axes, (left, top - height), (left, top), f"d  {height:g} mm", aside=True)
    _measure(axes, (0.3 * width, 0), (0.3 * width, top), f"f  {top:g} mm", aside=True)
    axes.plot([0, 0.36 * width], [0, 0], color="0.6", linewidth=0.7)
    axes.text(0, a["dome"] / 2 + 6, f"a  {a['dome']:g} mm", ha="center", va="bottom", fontsize=8)
    if a["midrange"] > 0:
        below = -a["midrange_below"]
        axes.add_patch(Circle((0, below), a["midrange"] / 2, **_LINE))
        axes.text(0, below, f"g  {a['midrange']:g} mm", ha="center", va="center", fontsize=8)
        _measure(axes, (0.3 * width, below), (0.3 * width, 0), f"h  {-below:g} mm", aside=True)
        axes.plot([0.15 * width, 0.36 * width], [below, below], color="0.6", linewidth=0.7)


def _side(axes: Axes, a: Mapping[str, float]) -> None:
    depth, height, top = a["cabinet_depth"], a["cabinet_height"], a["tweeter_below_top"]
    axes.set_title("side", pad=16)
    axes.add_patch(Rectangle((-depth, top - height), depth, height, **_LINE))
    across = np.linspace(-1, 1, 25)
    axes.plot(a["dome_height"] * (1 - across**2), a["dome"] / 2 * across, color="0.25")
    axes.text(a["dome_height"] + 6, 0, f"b  {a['dome_height']:g} mm", va="center", fontsize=8)
    _measure(axes, (-depth, top + 0.05 * height), (0, top + 0.05 * height), f"e  {depth:g} mm")


def _room(axes: Axes, a: Mapping[str, float]) -> None:
    distance, ceiling = a["distance"], a["ceiling_height"]
    tweeter, ear = a["tweeter_height"], a["ear_height"]
    axes.set_title("room, from the side", pad=16)
    for level, name in ((0.0, "floor"), (ceiling, "ceiling")):
        axes.plot([-0.5, distance + 0.8], [level, level], color="0.25", linewidth=2)
        axes.text(0.12 * distance, level + 0.04, name, ha="center", va="bottom", fontsize=8)
    axes.plot([0, distance], [tweeter, ear], "o", color="0.25")
    axes.text(-0.05, tweeter + 0.1, "tweeter", ha="right", fontsize=8)
    axes.text(distance + 0.05, ear + 0.1, "ear", fontsize=8)
    for bounce in (0.0, ceiling):
        up, down = abs(tweeter - bounce), abs(ear - bounce)
        at = distance * up / (up + down)
        axes.plot([0, at, distance], [tweeter, bounce, ear], color="tab:blue", linewidth=0.8)
    middle = (tweeter + ear) / 2
    _measure(axes, (0, middle), (distance, middle), f"i  {distance:g} m")
    _measure(axes, (-0.3, 0), (-0.3, tweeter), f"k  {tweeter:g} m", aside=True)
    _measure(axes, (distance + 0.3, 0), (distance + 0.3, ear), f"j  {ear:g} m", aside=True)
    high = distance + 0.65
    _measure(axes, (high, 0), (high, ceiling), f"l  {ceiling:g} m", aside=True)


def _measure(
    axes: Axes, start: tuple[float, float], end: tuple[float, float], text: str, *,
    aside: bool = False,
) -> None:  # fmt: skip
    """Draw a dimension line with its letter and value."""
    axes.plot(*zip(start, end, strict=True), alpha=0.0)  # so that it is within the axes
    axes.annotate("", start, end, arrowprops={"arrowstyle": "<->", "color": "0.4"})
    middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
    place = (
        {"ha": "center", "va": "center", "rotation": 90}
        if aside
        else {"ha": "center", "va": "center"}
    )
    box = {"facecolor": "white", "edgecolor": "none", "pad": 1}
    axes.text(*middle, text, fontsize=8, bbox=box, **place)
