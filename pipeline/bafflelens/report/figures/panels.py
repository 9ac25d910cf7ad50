# SPDX-License-Identifier: GPL-3.0-or-later
"""Curves over frequency, three panels side by side."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.legend import Legend
from matplotlib.ticker import MultipleLocator

from bafflelens.base.conventions import FloatArray
from bafflelens.report import style
from bafflelens.report.curves import (
    BoolArray,
    Curves,
    Requirement,
    rounded_limits,
    unsolved_spans,
)
from bafflelens.report.figures.axes import DASHED, FULL_WIDTH, Scales, frequency_axis
from bafflelens.report.style import Dash, inch_axes

_SLOPES: Final = (25.0, 50.0)  # dB a decade, the usual ones of IEC 60263
_PANEL_GAP: Final = 0.72
_PANEL_WIDTH: Final = (FULL_WIDTH - 0.62 - 2 * _PANEL_GAP - 0.1) / 3
_TALLEST_PANEL: Final = 3.1
_LEGEND_COLUMNS: Final = 2
_LEGEND_SIZES: Final = (8.0, 7.5, 7.0, 6.5, 6.0)


@dataclass(frozen=True, eq=False)
class _Line:
    label: str
    values: FloatArray
    colour: str
    dash: Dash = "-"
    width: float = 1.7
    frequency_hz: FloatArray | None = None  # where it is not that of the candidate


def responses(
    name: str, curves: Curves, baseline: tuple[str, Curves] | None, scales: Scales
) -> Figure:
    """Draw response, directivity index and beamwidth over frequency.

    Parameters
    ----------
    name : str
        What the candidate is called in the legends.
    curves : Curves
        The candidate.
    baseline : (name, Curves) or None
        Drawn thinner beside it; None where the candidate is the baseline itself.
    scales : Scales
        Shared axes.
    """
    figure, panels = _three_panels(scales.response_db, scales, legend_lines=2 if baseline else 1)
    _curves_panel(
        panels[0],
        curves,
        [
            *_reference(baseline, "{}, on axis", lambda other: other.on_axis_db),
            _Line("on axis", curves.on_axis_db, style.CANDIDATE),
            _Line("listening window", curves.listening_window_db, style.SECOND, dash=DASHED),
        ],
        scales,
    )
    _level_axis(panels[0], scales.response_db, scales.response_label)
    _title(panels[0], "Response")

    _curves_panel(
        panels[1],
        curves,
        [
            *_reference(baseline, "{}", lambda other: other.directivity_index_db),
            _Line(name, curves.directivity_index_db, style.CANDIDATE),
        ],
        scales,
    )
    _level_axis(panels[1], scales.directivity_db, "Directivity index in dB")
    _title(panels[1], "Directivity index on the axis")

    _curves_panel(
        panels[2],
        curves,
        [
            *_reference(baseline, "{}, horizontal", lambda other: other.beamwidth_h_deg),
            *_reference(baseline, "{}, vertical", lambda other: other.beamwidth_v_deg, DASHED),
            _Line("horizontal", curves.beamwidth_h_deg, style.CANDIDATE),
            _Line("vertical", curves.beamwidth_v_deg, style.SECOND, dash=DASHED),
        ],
        scales,
    )
    panels[2].set_ylim(0, scales.beamwidth_deg)
    panels[2].yaxis.set_major_locator(MultipleLocator(60))
    panels[2].set_ylabel("Full angle in °")
    _title(panels[2], "Beamwidth, −6 dB")
    for missing, marker, colour in (
        (curves.no_crossing_h, "^", style.CANDIDATE),
        (curves.no_crossing_v, "v", style.SECOND),
    ):
        if missing.any():
            where = curves.frequency_hz[missing]
            top = np.full(where.shape, scales.beamwidth_deg)
            _markers(panels[2], where, top, marker, colour)
    return figure


def bounce_levels(
    name: str,
    curves: Curves,
    baseline: tuple[str, Curves] | None,
    requirements: Sequence[Requirement],
    scales: Scales,
) -> Figure:
    """Draw the levels that leave towards the bounces and to the sides, against the target.

    Parameters
    ----------
    name, curves, baseline
        As in `responses`.
    requirements : sequence of at most three Requirement
        One panel each: what the target allows or wants.
    scales : Scales
        Shared axes.
    """
    figure, panels = _three_panels(scales.bounce_db, scales, legend_lines=2 if baseline else 1)
    frequency = np.geomspace(*scales.frequency_hz, 400)
    for panel, requirement in zip(panels, requirements, strict=False):
        wanted = requirement.limit.level_at(frequency)
        key = requirement.key
        _curves_panel(
            panel,
            curves,
            [
                *_reference(baseline, "{}", partial(_towards, key)),
                _Line(
                    "target: at most" if requirement.is_upper else "target: at least",
                    wanted,
                    style.TARGET,
                    dash=(0, (1.2, 1.2)),
                    frequency_hz=frequency,
                ),
                _Line(name, curves.towards.level_db[key], style.CANDIDATE),
            ],
            scales,
        )
        panel.fill_between(
            frequency,
            wanted,
            scales.bounce_db[1 if requirement.is_upper else 0],
            where=np.isfinite(wanted),
            color=style.TARGET,
            alpha=0.07,
            linewidth=0,
        )
        _level_axis(panel, scales.bounce_db, "Level in dB re listening window")
        _title(panel, requirement.title)
    for panel in panels[len(requirements) :]:
        panel.remove()
    return figure


def bounce_pair(
    name: str,
    curves: Curves,
    baseline: tuple[str, Curves] | None,
    requirements: Sequence[Requirement],
    scales: Scales,
) -> Figure:
    """Draw the levels that leave towards floor and ceiling, small, one above the other.

    Parameters
    ----------
    name, curves, baseline, requirements
        As in `bounce_levels`; the sides are left out.
    scales : Scales
        Shared axes.
    """
    figure = Figure(figsize=(3.7, 3.44))
    frequency = np.geomspace(*scales.frequency_hz, 300)
    upper = [requirement for requirement in requirements if requirement.is_upper]
    shown = [curves, *([baseline[1]] if baseline else [])]
    limits = rounded_limits(
        [
            *(c.towards.level_db[requirement.key] for c in shown for requirement in upper),
            *(requirement.limit.level_at(frequency) for requirement in upper),
        ],
        step=5,
        least=(-10, 0),
    )
    limits = max(limits[0], scales.bounce_db[0]), limits[1]
    for number, requirement in enumerate(upper):
        axes = inch_axes(figure, 0.44, 1.83 - 1.55 * number, 3.18, 1.18)
        wanted, key = requirement.limit.level_at(frequency), requirement.key
        lines = [
            *_reference(baseline, "{}", partial(_towards, key)),
            _Line(name, curves.towards.level_db[key], style.CANDIDATE),
            _Line(
                "target: at most",
                wanted,
                style.TARGET,
                dash=(0, (1.2, 1.2)),
                frequency_hz=frequency,
            ),
        ]
        _curves_panel(axes, curves, lines, scales)
        axes.set_ylim(limits)
        axes.yaxis.set_major_locator(MultipleLocator(5))
        axes.tick_params(labelsize=7.5, pad=2)
        axes.set_xlabel("")
        legend = axes.get_legend()
        if legend is not None:
            legend.remove()
        axes.set_title(f"{requirement.title}, dB", fontsize=8.5, pad=3)
        if not number:
            handles, labels = axes.get_legend_handles_labels()
            legend = figure.legend(
                handles, labels, loc="upper right", ncols=3, bbox_to_anchor=(0.98, 0.985),
                borderpad=0, borderaxespad=0, columnspacing=1.2, handlelength=2.0,
            )  # fmt: skip
            _fit(legend, figure)
    figure.text(0.44 / 3.7 - 0.035, 0.035, "kHz", ha="right", va="bottom", fontsize=7.5)
    return figure


def _fit(legend: Legend, figure: Figure) -> None:
    """Make the text of a legend at the right edge smaller until it begins within the figure."""
    for size in _LEGEND_SIZES:
        for text in legend.get_texts():
            text.set_fontsize(size)
        if legend.get_window_extent().x0 >= 0.01 * figure.bbox.width:
            return


def level_slope(span_db: float, scales: Scales) -> float:
    """Return how many dB a level axis has on the length of a decade (IEC 60263: 25 or 50)."""
    decades = np.log10(scales.frequency_hz[1] / scales.frequency_hz[0])
    fits = [s for s in _SLOPES if _PANEL_WIDTH / decades * span_db / s <= _TALLEST_PANEL]
    return fits[0] if fits else _SLOPES[-1]


def _three_panels(
    limits_db: tuple[float, float], scales: Scales, *, legend_lines: int
) -> tuple[Figure, list[Axes]]:
    """Return a figure with three panels as high as a level axis with these limits must be."""
    decades = np.log10(scales.frequency_hz[1] / scales.frequency_hz[0])
    span = limits_db[1] - limits_db[0]
    decades_per_db = 1 / level_slope(span, scales)
    width = min(_PANEL_WIDTH, _TALLEST_PANEL * decades / (span * decades_per_db))
    height = width / decades * span * decades_per_db
    figure = Figure(figsize=(FULL_WIDTH, height + 0.78 + 0.17 * legend_lines))
    step = _PANEL_WIDTH + _PANEL_GAP
    panels = [inch_axes(figure, 0.62 + number * step, 0.5, width, height) for number in range(3)]
    return figure, panels


def _title(axes: Axes, text: str) -> None:
    """Write a panel's title above its legend, which stands above the axes."""
    legend = axes.get_legend()
    lines = -(-len(legend.get_texts()) // _LEGEND_COLUMNS) if legend else 0
    axes.annotate(
        text,
        (0, 1),
        xycoords="axes fraction",
        xytext=(0, 5 + 11.5 * lines),
        textcoords="offset points",
        fontsize=9.5,
        fontweight="bold",
        va="bottom",
    )


def _towards(key: str, curves: Curves) -> FloatArray:
    return curves.towards.level_db[key]


def _reference(
    baseline: tuple[str, Curves] | None,
    label: str,
    values: Callable[[Curves], FloatArray],
    dash: Dash = "-",
) -> list[_Line]:
    """Return the thin line of the baseline, or nothing where there is none."""
    if baseline is None:
        return []
    name, other = baseline
    return [
        _Line(
            label.format(name),
            values(other),
            style.BASELINE,
            dash=dash,
            width=1.1,
            frequency_hz=other.frequency_hz,
        )
    ]


def _level_axis(axes: Axes, limits_db: tuple[float, float], label: str) -> None:
    axes.set_ylim(limits_db)
    axes.yaxis.set_major_locator(MultipleLocator(5))
    axes.set_ylabel(label)


def _curves_panel(axes: Axes, curves: Curves, lines: Sequence[_Line], scales: Scales) -> None:
    for line in lines:
        frequency = curves.frequency_hz if line.frequency_hz is None else line.frequency_hz
        axes.plot(
            frequency,
            line.values,
            color=line.colour,
            linestyle=line.dash,
            linewidth=line.width,
            label=line.label,
        )
        alone = _isolated(line.values)
        if alone.any():
            _markers(axes, frequency[alone], line.values[alone], ".", line.colour)
    _hatch_gaps(axes, curves)
    axes.plot(
        scales.scored_hz,
        (0.011, 0.011),
        transform=axes.get_xaxis_transform(),
        color=style.MUTED,
        linewidth=2.6,
        solid_capstyle="butt",
    )
    frequency_axis(axes, scales.frequency_hz)
    axes.grid(visible=True, color=style.RULE, linewidth=0.6)
    axes.legend(
        loc="lower left",
        bbox_to_anchor=(-0.01, 1.0),
        ncols=_LEGEND_COLUMNS,
        borderpad=0,
        borderaxespad=0.35,
        labelspacing=0.25,
        columnspacing=1.2,
    )


def _markers(axes: Axes, x: FloatArray, y: FloatArray, marker: str, colour: str) -> None:
    axes.plot(
        x, y, marker, color=colour, markersize=4.5, clip_on=False, linestyle="none", zorder=3
    )


def _isolated(values: FloatArray) -> BoolArray:
    """Return which values have no finite neighbour: a line would not show them."""
    finite = np.isfinite(values)
    padded = np.concatenate(([False], finite, [False]))
    return np.asarray(finite & ~padded[:-2] & ~padded[2:])


def _hatch_gaps(axes: Axes, curves: Curves) -> None:
    for low, high in unsolved_spans(curves):
        axes.axvspan(low, high, zorder=0.5, **style.GAP)
