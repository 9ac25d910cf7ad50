# SPDX-License-Identifier: GPL-3.0-or-later
"""The choice between vertical control, horizontal width and side effects, as two scatter plots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from bafflelens.report import style
from bafflelens.report.figures.axes import FULL_WIDTH
from bafflelens.report.style import inch_axes

_LABEL_WIDTH: Final = 0.12  # shares of the axes
_LABEL_HEIGHT: Final = 0.05
_MOST_LABELS: Final = 14
_TITLES: Final = (
    ("Excess in horizontal width, dB", "Vertical control against horizontal width"),
    ("Cost of side effects, dB", "Vertical control against side effects"),
)


@dataclass(frozen=True, kw_only=True)
class TradeOffPoint:
    """A candidate in the plane of the objectives.

    Attributes
    ----------
    name : str
        What it is called.
    values : tuple of 3 floats
        Vertical control, horizontal width, side effects; in dB, lower is better.
    is_on_front, is_baseline : bool
        Whether nothing dominates it; whether it is a baseline.
    """

    name: str
    values: tuple[float, float, float]
    is_on_front: bool
    is_baseline: bool


def trade_off(points: Sequence[TradeOffPoint]) -> Figure:
    """Draw every candidate by its objectives, two panels with the same horizontal axis.

    Parameters
    ----------
    points : sequence of Point
        The candidates, best first; the first ones on the front are named.
    """
    figure = Figure(figsize=(FULL_WIDTH, 3.75))
    for number, (label, title) in enumerate(_TITLES):
        axes = inch_axes(figure, 0.62 + number * 5.6, 0.5, 4.85, 2.75)
        _panel(axes, points, 1 + number)
        axes.set_title(title, pad=8)
        axes.set_xlabel("Excess in vertical control, dB")
        axes.set_ylabel(label)
    figure.legend(handles=_key(), loc="upper right", ncols=3, bbox_to_anchor=(0.995, 1.0))
    return figure


def _panel(axes: Axes, points: Sequence[TradeOffPoint], objective: int) -> None:
    farthest = max(point.values[0] for point in points)
    for point in points:
        x, y = point.values[0], point.values[objective]
        axes.plot(x, y, zorder=4 if point.is_on_front else 3, **_marker(point))
    axes.grid(True, color=style.RULE, linewidth=0.5)
    axes.margins(0.12, 0.16)
    axes.set_xlim(left=min(0.0, axes.get_xlim()[0]))
    axes.set_ylim(bottom=min(0.0, axes.get_ylim()[0]))
    for point in _labelled(axes, points, objective):
        is_far_right = point.values[0] > 0.85 * farthest
        axes.annotate(
            point.name,
            (point.values[0], point.values[objective]),
            xytext=(-6 if is_far_right else 6, 4),
            textcoords="offset points",
            ha="right" if is_far_right else "left",
            size=7.5,
            color=style.INK,
        )
    axes.annotate(
        "better",
        (0.012, 0.02),
        xytext=(0.085, 0.115),
        xycoords="axes fraction",
        textcoords="axes fraction",
        size=7.5,
        color=style.MUTED,
        arrowprops={"arrowstyle": "->", "color": style.MUTED},
    )


def _labelled(axes: Axes, points: Sequence[TradeOffPoint], objective: int) -> list[TradeOffPoint]:
    """Return the points that have their names beside them.

    The baseline, and the best on the front, but for those too near to one that has its name.
    """
    wanted = [p for p in points if p.is_baseline]
    wanted += [p for p in points if p.is_on_front and not p.is_baseline][:_MOST_LABELS]
    to_share = (axes.transData + axes.transAxes.inverted()).transform
    places: list[tuple[float, float]] = []
    found = []
    for point in wanted:
        x, y = to_share((point.values[0], point.values[objective]))
        if all(abs(x - one) > _LABEL_WIDTH or abs(y - two) > _LABEL_HEIGHT for one, two in places):
            places.append((x, y))
            found.append(point)
    return found


def _marker(point: TradeOffPoint) -> dict[str, Any]:
    colour = style.BASELINE if point.is_baseline else style.CANDIDATE
    return {
        "marker": "s" if point.is_baseline else "o",
        "markersize": 6.5,
        "linestyle": "none",
        "markeredgecolor": colour,
        "markerfacecolor": colour if point.is_on_front else "white",
        "markeredgewidth": 1.2,
    }


def _key() -> list[Line2D]:
    shown = (
        ("on the front: no other shape beats it in all three", True, False),
        ("dominated", False, False),
        ("baseline", False, True),
    )
    handles = []
    for label, is_on_front, is_baseline in shown:
        point = TradeOffPoint(
            name="", values=(0, 0, 0), is_on_front=is_on_front, is_baseline=is_baseline
        )
        handles.append(Line2D([], [], label=label, **_marker(point)))
    return handles
