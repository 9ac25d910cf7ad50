# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures of a comparison."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from bafflelens.base.conventions import FloatArray
from bafflelens.mockup.comparison.difference import OrbitDifference
from bafflelens.mockup.comparison.result import Comparison, ThreeWay, errors_within_60
from bafflelens.report import style
from bafflelens.report.figures.axes import FULL_WIDTH, frequency_axis, signed

MEASURED: Final = style.TARGET
SIMULATED: Final = style.CANDIDATE
_DASHES: Final = (0, (5, 1.5))
_LEVELS_DB: Final = tuple(float(level) for level in range(-30, 4, 3))
_STEPS_DB: Final = (-6.0, -4.0, -3.0, -2.0, -1.0, -0.5, 0.5, 1.0, 2.0, 3.0, 4.0, 6.0)
_CURVE_ANGLES: Final = (0, 15, 30, 45, 60, 90)
_NEAR_DEG: Final = 4.0
_ROW_IN: Final = 2.7


def curves_figure(comparison: Comparison) -> Figure:
    """Draw measured over simulated levels at several angles of each orbit."""
    differences = comparison.differences
    figure = Figure(figsize=(FULL_WIDTH, 4.6 * len(differences)), layout="constrained")
    panels = figure.subplots(len(differences), 2, squeeze=False, sharey=True)
    for row, one in zip(panels, differences, strict=True):
        for axes, sign in zip(row, (1, -1), strict=True):
            _curves(axes, one, sign, comparison)
    _legend(panels[0][0], differences[0].spread_db is not None)
    return figure


def _curves(axes: Axes, one: OrbitDifference, sign: int, comparison: Comparison) -> None:
    """Draw one side of an orbit, curves 10 dB apart."""
    for place, wanted in enumerate(_CURVE_ANGLES):
        number = int(np.argmin(np.abs(one.angle_deg - sign * wanted)))
        if abs(one.angle_deg[number] - sign * wanted) > _NEAR_DEG:
            continue
        shift = -10.0 * place
        measured = one.measured_db[:, number] + shift
        simulated = one.simulated_db[:, number] + shift
        if one.spread_db is not None:
            spread = 2 * one.spread_db[:, number]
            axes.fill_between(
                one.frequency_hz,
                measured - spread,
                measured + spread,
                color=MEASURED,
                alpha=0.25,
                linewidth=0,
            )
        axes.plot(one.frequency_hz, measured, color=MEASURED, linewidth=1.4)
        axes.plot(one.frequency_hz, simulated, color=SIMULATED, linewidth=1.2, linestyle=_DASHES)
        known = np.flatnonzero(np.isfinite(simulated))
        if known.size:
            axes.annotate(
                f"{signed(sign * wanted)}°" if wanted else "0°",
                (one.frequency_hz[known[0]], simulated[known[0]]),
                xytext=(-4, 0),
                textcoords="offset points",
                ha="right",
                va="center",
                fontsize=7.5,
                color=style.MUTED,
            )
    low, high = float(one.frequency_hz[0]), float(one.frequency_hz[-1])
    frequency_axis(axes, (low / 1.4, high))
    axes.set_ylim(-10 * (len(_CURVE_ANGLES) - 1) - 25, 8)
    axes.grid(axis="y", color=style.RULE, linewidth=0.5)
    sides = {"horizontal": ("left", "right"), "vertical": ("up", "down")}[one.plane]
    axes.set_title(f"{one.plane.capitalize()} orbit, {sides[0] if sign > 0 else sides[1]}")
    axes.set_ylabel("Level in dB re mean within ±30°, 10 dB apart")
    _mark_reach(axes, comparison)


def _legend(axes: Axes, has_spread: bool) -> None:
    axes.plot([], [], color=MEASURED, linewidth=1.4, label="measured")
    axes.plot([], [], color=SIMULATED, linewidth=1.2, linestyle=_DASHES, label="simulated")
    if has_spread:
        axes.fill_between([], [], [], color=MEASURED, alpha=0.25, label="repeatability, ±2 s.d.")
    axes.legend(loc="lower left", ncols=3)


def _mark_reach(axes: Axes, comparison: Comparison) -> None:
    """Mark up to where the front agrees."""
    front = next((r for r in comparison.verdict.reaches if r.zone.startswith("front")), None)
    if front is not None and 0 < front.to_hz < front.top_hz:
        axes.axvline(front.to_hz, color=style.MUTED, linewidth=0.8, linestyle=":")


def maps_figure(comparison: Comparison) -> Figure:
    """Draw measured, simulated and their difference as maps, one row an orbit."""
    rows = [
        (
            one,
            (
                ("Measured", one.measured_db, _LEVELS_DB),
                ("Simulated at the same microphones", one.simulated_db, _LEVELS_DB),
                ("Measured − simulated", one.difference_db, _STEPS_DB),
            ),
        )
        for one in comparison.differences
    ]
    return _maps(rows)


def three_way_figure(comparison: Comparison, three_way: ThreeWay) -> Figure:
    """Draw the whole difference, the shape's part and the model's part, one row an orbit."""
    rows = [
        (
            one,
            (
                ("Whole: measured − nominal shape", one.difference_db, _STEPS_DB),
                ("Shape: scanned clay − nominal shape", shape, _STEPS_DB),
                ("Rest: measured − scanned clay", scanned.difference_db, _STEPS_DB),
            ),
        )
        for one, scanned, shape in zip(
            comparison.differences, three_way.scanned, three_way.shape_db, strict=True
        )
    ]
    return _maps(rows)


def _maps(rows: Sequence[tuple[OrbitDifference, Sequence[tuple[str, FloatArray, Any]]]]) -> Figure:
    figure = Figure(figsize=(FULL_WIDTH, 3.5 * len(rows)), layout="constrained")
    panels = figure.subplots(len(rows), 3, squeeze=False, sharey="row")
    for row, (one, entries) in zip(panels, rows, strict=True):
        bars: list[tuple[Any, Any]] = []
        for axes, (title, values, steps) in zip(row, entries, strict=True):
            filled = _map(axes, one, values, steps)
            axes.set_title(title)
            bars.append((filled, steps))
        sides = {"horizontal": "right − / left +", "vertical": "down − / up +"}[one.plane]
        row[0].set_ylabel(f"{one.plane.capitalize()} angle in °, {sides}")
        first, last = bars[0], bars[-1]
        if first[1] is not last[1]:
            _bar(figure, first[0], row[1], first[1], "dB re mean within ±30°")
        _bar(figure, last[0], row[2], last[1], "Difference in dB")
    return figure


def _bar(figure: Figure, filled: Any, axes: Axes, steps: Sequence[float], label: str) -> None:
    bar = figure.colorbar(filled, ax=axes, ticks=list(steps), pad=0.02, label=label)
    bar.ax.set_yticklabels([signed(step) for step in steps])
    bar.ax.tick_params(labelsize=7)


def _map(axes: Axes, one: OrbitDifference, values: FloatArray, steps: Sequence[float]) -> Any:
    is_difference = steps is _STEPS_DB
    name = style.DIFFERENCE_COLOURS if is_difference else style.LEVEL_COLOURS
    colours = mpl.colormaps[name].resampled(len(steps) + 1)
    axes.add_patch(Rectangle((0, 0), 1, 1, transform=axes.transAxes, zorder=0, **style.GAP))
    filled = axes.pcolormesh(
        _edges(np.log(one.frequency_hz), np.exp),
        _edges(one.angle_deg, np.asarray),
        np.ma.masked_invalid(values.T),
        cmap=colours,
        norm=BoundaryNorm(list(steps), colours.N, extend="both"),
        rasterized=True,
        zorder=1,
    )
    frequency_axis(axes, (float(one.frequency_hz[0]), float(one.frequency_hz[-1])))
    low, high = float(one.angle_deg[0]), float(one.angle_deg[-1])
    axes.set_ylim(low, high)
    step = 30 if high - low > 130 else 15
    ticks = [t for t in range(-180, 181, step) if low - 3 <= t <= high + 3]
    axes.set_yticks(ticks, [signed(t) for t in ticks])
    return filled


def _edges(values: FloatArray, back: Any) -> FloatArray:
    middle = (values[1:] + values[:-1]) / 2
    first, last = 2 * values[0] - middle[0], 2 * values[-1] - middle[-1]
    return np.asarray(back(np.concatenate(([first], middle, [last]))))


def errors_figure(comparison: Comparison) -> Figure:
    """Draw the error of each zone over frequency, with the limit and the repeatability."""
    names = list(comparison.by_third)
    columns = 3
    count = -(-len(names) // columns)
    figure = Figure(figsize=(FULL_WIDTH, 2.1 * count + 0.3), layout="constrained")
    panels = figure.subplots(count, columns, squeeze=False, sharey=True)
    top = 1.2 * max(
        (one.rms_db for rows in comparison.by_third.values() for one in rows
         if np.isfinite(one.rms_db)), default=1.0,
    )  # fmt: skip
    for number, axes in enumerate(panels.ravel()):
        if number >= len(names):
            axes.set_axis_off()
            continue
        rows = comparison.by_third[names[number]]
        centre = [np.sqrt(one.from_hz * one.to_hz) for one in rows]
        for one in rows:
            axes.fill_between(
                [one.from_hz, one.to_hz], 0, 2 * one.repeatability_db, color=MEASURED, alpha=0.25,
                linewidth=0,
            )  # fmt: skip
        axes.plot(centre, [one.rms_db for one in rows], "o-", color=style.INK, markersize=3)
        axes.axhline(comparison.settings.within_db, color=style.MUTED, linestyle=":", linewidth=1)
        frequency_axis(axes, (rows[0].from_hz, rows[-1].to_hz), small=True)
        if number >= len(names) - columns:
            axes.set_xlabel("Frequency in kHz")
        axes.set_ylim(0, min(max(top, 2 * comparison.settings.within_db), 8))
        axes.set_title(names[number])
        if number % columns == 0:
            axes.set_ylabel("r.m.s. in dB")
    return figure


def widths_figure(comparison: Comparison) -> Figure:
    """Draw beamwidth, directivity index and response of both sides."""
    curves = comparison.curves
    panels = [
        (f"Beamwidth, {plane}, −6 dB", values, curves.beamwidth_spread_deg[plane], "Width in °")
        for plane, values in curves.beamwidth_deg.items()
    ]
    index = (curves.directivity_index_db, curves.index_spread_db)
    panels.append(("Directivity index from the orbits", *index, "dB"))
    figure = Figure(figsize=(FULL_WIDTH, _ROW_IN), layout="constrained")
    all_axes = figure.subplots(1, len(panels))
    for axes, (title, values, spread, label) in zip(all_axes, panels, strict=True):
        if np.isfinite(spread).any():
            axes.fill_between(
                curves.frequency_hz,
                values[0] - 2 * spread,
                values[0] + 2 * spread,
                color=MEASURED,
                alpha=0.25,
                linewidth=0,
            )
        axes.plot(curves.frequency_hz, values[0], color=MEASURED, label="measured")
        axes.plot(
            curves.frequency_hz, values[1], color=SIMULATED, linestyle=_DASHES, label="simulated"
        )
        frequency_axis(axes, (float(curves.frequency_hz[0]), float(curves.frequency_hz[-1])))
        axes.set_title(title)
        axes.set_ylabel(label)
        axes.grid(axis="y", color=style.RULE, linewidth=0.5)
        axes.set_ylim(bottom=0 if "Beam" in title else None)
        axes.legend()
    return figure


def response_figure(comparison: Comparison) -> Figure:
    """Draw the responses on axis, and the difference that is the same at all angles."""
    figure = Figure(figsize=(FULL_WIDTH, _ROW_IN), layout="constrained")
    left, right = figure.subplots(1, 2)
    one = comparison.differences[0]
    band = (float(one.frequency_hz[0]), float(one.frequency_hz[-1]))
    left.plot(one.frequency_hz, one.on_axis_db[0], color=MEASURED, label="measured")
    left.plot(
        one.frequency_hz, one.on_axis_db[1], color=SIMULATED, linestyle=_DASHES, label="simulated"
    )
    left.set_title("On axis, after one overall level")
    for item, dash in zip(comparison.differences, ("-", _DASHES), strict=False):
        right.plot(
            item.frequency_hz, item.response_db, color=style.INK, linestyle=dash,
            label=f"mean within ±30°, {item.plane}", linewidth=1.2,
        )  # fmt: skip
    correction = comparison.correction
    if correction is not None:
        level = correction.level_db - np.mean(correction.level_db)
        spread = correction.level_uncertainty_db
        right.plot(correction.frequency_hz, level, color=SIMULATED, label="velocity correction")
        right.fill_between(
            correction.frequency_hz, level - spread, level + spread, color=SIMULATED, alpha=0.25,
            linewidth=0,
        )  # fmt: skip
    right.set_title("Measured − simulated, what all angles share")
    for axes in (left, right):
        frequency_axis(axes, band)
        axes.set_ylabel("dB")
        axes.grid(axis="y", color=style.RULE, linewidth=0.5)
        axes.legend()
    return figure


def split_figure(comparison: Comparison, three_way: ThreeWay) -> Figure:
    """Draw how large whole, shape's part and rest are by third-octave, within 60 degrees."""
    figure = Figure(figsize=(FULL_WIDTH, _ROW_IN), layout="constrained")
    axes = figure.subplots()
    bands = errors_within_60(comparison)
    centre = np.sqrt([one.from_hz * one.to_hz for one in bands])
    parts: list[tuple[str, list[FloatArray], str, Any]] = [
        ("whole", [one.difference_db for one in comparison.differences], style.INK, "-"),
        ("shape (scan − nominal)", list(three_way.shape_db), SIMULATED, _DASHES),
        ("rest (measured − scan)", [o.difference_db for o in three_way.scanned], MEASURED, "-"),
    ]
    for label, values, colour, dash in parts:
        rms = []
        for one in bands:
            picked = [
                value[(d.frequency_hz >= one.from_hz * (1 - 1e-9)) & (d.frequency_hz < one.to_hz)][
                    :, np.abs(d.angle_deg) <= 60.5
                ]
                for d, value in zip(comparison.differences, values, strict=True)
            ]
            flat = np.concatenate([part[np.isfinite(part)] for part in picked])
            rms.append(np.sqrt(np.mean(flat**2)) if flat.size else np.nan)
        axes.plot(centre, rms, color=colour, linestyle=dash, label=label, marker="o", markersize=3)
    frequency_axis(axes, (bands[0].from_hz, bands[-1].to_hz))
    axes.set_ylim(bottom=0)
    axes.set_ylabel("r.m.s. within 60°, dB")
    axes.set_title("Where the difference comes from")
    axes.grid(axis="y", color=style.RULE, linewidth=0.5)
    axes.legend()
    return figure
