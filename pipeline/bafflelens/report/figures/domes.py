# SPDX-License-Identifier: GPL-3.0-or-later
"""The ranking with bars over the family of plausible dome motions."""

from __future__ import annotations

from collections.abc import Mapping

from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator

from bafflelens.report import style
from bafflelens.report.figures.axes import FULL_WIDTH
from bafflelens.report.style import inch_axes
from bafflelens.scoring.dome_family import DomeScores


def dome_bars(found: Mapping[str, DomeScores], emphasised: str) -> Figure:
    """Draw each shape's scores over the family: best to worst, mean and spread, rigid.

    Parameters
    ----------
    found : mapping of str to DomeScores
        By the name to show, the uppermost first.
    emphasised : str
        The name whose bar is in the colour of the baseline.
    """
    row, left = 0.36, 2.15
    height = row * len(found) + 0.1
    figure = Figure(figsize=(FULL_WIDTH, height + 0.75))
    axes = inch_axes(figure, left, 0.48, FULL_WIDTH - left - 0.3, height)
    for place, (name, domes) in enumerate(found.items()):
        colour = style.BASELINE if name == emphasised else style.CANDIDATE
        axes.plot([domes.best_db, domes.worst_db], [place, place], color=colour, linewidth=1.2)
        low, high = domes.mean_db - domes.spread_db, domes.mean_db + domes.spread_db
        axes.plot([low, high], [place, place], color=colour, linewidth=7, alpha=0.45)
        axes.plot([domes.mean_db], [place], "o", color=colour, markersize=6)
        axes.plot(
            [domes.rigid_db],
            [place],
            "D",
            markersize=6,
            markerfacecolor="white",
            markeredgecolor=style.INK,
            markeredgewidth=1.2,
        )
    axes.set_ylim(len(found) - 0.5, -0.5)
    axes.grid(True, axis="x", color=style.RULE, linewidth=0.5)
    axes.yaxis.set_major_locator(FixedLocator(list(range(len(found)))))
    axes.yaxis.set_major_formatter(FixedFormatter(list(found)))
    axes.tick_params(axis="y", length=0)
    axes.set_xlabel("Score in dB, lower is better")
    return figure
