# SPDX-License-Identifier: GPL-3.0-or-later
"""Acoustic centre and air load over frequency: what moves with the lens besides the levels."""

from __future__ import annotations

from typing import Final

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bafflelens.base.conventions import FloatArray
from bafflelens.directivity.radiation_impedance import acoustic_centre, radiation_impedance
from bafflelens.report import style
from bafflelens.report.figures.axes import DASHED, FULL_WIDTH, Scales, frequency_axis
from bafflelens.report.style import inch_axes

_HEIGHT: Final = 1.7
_WIDTH: Final = 4.4


def centre_and_load(dataset: xr.Dataset, baseline: xr.Dataset | None, scales: Scales) -> Figure:
    """Draw the acoustic centre in both planes and, where it is known, the load on the source.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    baseline : xarray.Dataset or None
        Drawn thinner beside it; None where it is the dataset itself, or missing.
    scales : Scales
        Shared frequency axis.
    """
    figure = Figure(figsize=(FULL_WIDTH, _HEIGHT + 1.1))
    centre = inch_axes(figure, 0.62, 0.5, _WIDTH, _HEIGHT)
    drawn = [(dataset, style.CANDIDATE, style.SECOND, 1.7, "")]
    if baseline is not None:
        drawn.insert(0, (baseline, style.BASELINE, style.BASELINE, 1.1, "baseline, "))
    for data, solid, dashed, width, prefix in drawn:
        horizontal, vertical = (
            1e3 * acoustic_centre(data, plane)["forward_m"].values
            for plane in ("horizontal", "vertical")
        )
        _line(centre, data, horizontal, solid, "-", width, f"{prefix}horizontal")
        _line(centre, data, vertical, dashed, DASHED, width, f"{prefix}vertical")
    _finish(centre, scales, "Acoustic centre", "mm before the front")
    if "load_resistance" not in dataset or dataset.sizes["source"] != 1:
        return figure
    load = inch_axes(figure, 0.62 + _WIDTH + 1.0, 0.5, _WIDTH, _HEIGHT)
    for data, solid, dashed, width, prefix in drawn:
        if "load_resistance" not in data or data.sizes["source"] != 1:
            continue
        impedance = radiation_impedance(data).values[0, 0]
        _line(load, data, impedance.real, solid, "-", width, f"{prefix}resistance")
        _line(load, data, -impedance.imag, dashed, DASHED, width, f"{prefix}reactance")
    _finish(load, scales, "Radiation impedance of the source", "N s/m")
    return figure


def _line(
    axes: Axes,
    data: xr.Dataset,
    values: FloatArray,
    colour: str,
    dash: style.Dash,
    width: float,
    label: str,
) -> None:
    axes.plot(
        data["frequency"].values,
        np.asarray(values),
        color=colour,
        linestyle=dash,
        linewidth=width,
        label=label,
    )


def _finish(axes: Axes, scales: Scales, title: str, unit: str) -> None:
    frequency_axis(axes, scales.frequency_hz)
    axes.set_ylabel(unit)
    axes.grid(visible=True, color=style.RULE, linewidth=0.6)
    axes.set_title(title, loc="left", fontsize=9.5, fontweight="bold", pad=31)
    axes.legend(
        loc="lower left",
        bbox_to_anchor=(-0.01, 1.0),
        ncols=2,
        borderpad=0,
        borderaxespad=0.35,
        labelspacing=0.25,
        columnspacing=1.2,
    )
