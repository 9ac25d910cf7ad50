# SPDX-License-Identifier: GPL-3.0-or-later
"""Main effects as marks with intervals, one panel an outcome."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, FuncFormatter, MaxNLocator

from bafflelens.report import style
from bafflelens.report.figures.axes import FULL_WIDTH, signed
from bafflelens.report.style import inch_axes
from bafflelens.scoring.main_effects import EffectEstimate


def effect_bars(
    changes: Mapping[str, Sequence[EffectEstimate]], outcomes: Sequence[str]
) -> Figure:
    """Draw what every parameter did to every outcome, on one scale.

    Parameters
    ----------
    changes : mapping of str to sequence of Estimate
        One estimate an outcome for each parameter, the uppermost first.
    outcomes : sequence of str
        Titles of the panels.
    """
    row, left, gap = 0.42, 2.15, 0.16
    height = row * len(changes) + 0.1
    figure = Figure(figsize=(FULL_WIDTH, height + 0.85))
    width = (FULL_WIDTH - left - 0.15 - gap * (len(outcomes) - 1)) / len(outcomes)
    ends = [abs(end) for found in changes.values() for e in found for end in (e.low, e.high)]
    widest = 1.05 * max(ends) or 1.0
    for number, outcome in enumerate(outcomes):
        axes = inch_axes(figure, left + number * (width + gap), 0.48, width, height)
        axes.axvline(0, color=style.MUTED, linewidth=0.8)
        for place, found in enumerate(changes.values()):
            _mark(axes, found[number], place)
        axes.set_xlim(-widest, widest)
        axes.set_ylim(len(changes) - 0.5, -0.5)
        axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: signed(round(value, 3))))
        axes.grid(True, axis="x", color=style.RULE, linewidth=0.5)
        axes.yaxis.set_major_locator(FixedLocator(list(range(len(changes)))))
        axes.yaxis.set_major_formatter(FixedFormatter(list(changes)))
        axes.tick_params(axis="y", labelleft=number == 0, length=0)
        axes.set_title(outcome)
        axes.set_xlabel("Change in dB")
    return figure


def _mark(axes: Axes, change: EffectEstimate, place: int) -> None:
    colour = style.CANDIDATE if change.is_certain else style.BASELINE
    axes.plot([change.low, change.high], [place, place], color=colour, linewidth=1.6)
    axes.plot(
        [change.value],
        [place],
        "o",
        markersize=6,
        markeredgecolor=colour,
        markerfacecolor=colour if change.is_certain else "white",
        markeredgewidth=1.3,
    )
