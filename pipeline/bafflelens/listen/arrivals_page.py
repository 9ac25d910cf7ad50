# SPDX-License-Identifier: GPL-3.0-or-later
"""One page on what carries the difference: arrivals of all shapes, each to be heard alone."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bafflelens.base.conventions import FloatArray
from bafflelens.job.job_file import LoadedJob
from bafflelens.listen.arrivals import DIRECT, arrival_levels, in_words, late_levels
from bafflelens.listen.binaural import PARTS
from bafflelens.listen.room import Enclosure
from bafflelens.listen.seat import Seat
from bafflelens.listen.shape_response import ShapeResponse
from bafflelens.report.figures.axes import frequency_axis
from bafflelens.report.style import RULE, SERIES, drawing_style, to_svg
from bafflelens.report.templates import templates_in

_COLUMNS: Final = 3
_PANEL: Final = (3.4, 1.9)  # inches
_LOWEST_DB: Final = -30.0


def arrivals_page(
    loaded: LoadedJob,
    shapes: Sequence[ShapeResponse],
    seat: Seat,
    enclosure: Enclosure,
    remarks: Sequence[str],
) -> bytes:
    """Return the page, which plays the files beside it."""
    names = tuple(shape.name for shape in shapes)
    arrivals = arrival_levels(shapes, seat)
    bands, late = late_levels(shapes)
    panels = [
        (f"{one.name}, {one.delay_ms:.1f} ms", one.bands_hz, one.level_db)
        for one in arrivals
        if one.name != DIRECT
    ]
    panels.append(("late: sound power re the axis", bands, late))
    with drawing_style():
        figure = to_svg(
            _figure(names, panels),
            "arrivals",
            "Level of each arrival at the seat re the direct sound, by third-octaves, "
            f"for {', '.join(names)}",
        )
    size = " x ".join(f"{value:.2f}" for value in enclosure.size_m)
    page = templates_in(Path(__file__).parent).get_template("arrivals.html.jinja")
    text = page.render(
        title=loaded.job.title,
        names=names,
        room=size,
        figure=Markup(figure),
        rows=[
            {
                "name": one.name,
                "delay": f"{one.delay_ms:.2f}",
                "leaving": _angles(one.leaving_azimuth_deg, one.leaving_elevation_deg),
                "head": _angles(one.head_azimuth_deg, one.head_elevation_deg),
                "levels": [f"{_mean(level):+.1f}" for level in one.level_db],
                "apart": "-" if one.name == DIRECT else f"{one.difference_db:.1f}",
            }
            for one in arrivals
        ],
        sentences=in_words(arrivals, names),
        parts=[(part, part.replace(" ", "_")) for part in PARTS],
        remarks=tuple(remarks),
    )
    return text.encode()


def _angles(azimuth_deg: float, elevation_deg: float) -> str:
    return f"{round(azimuth_deg):+d}, {round(elevation_deg):+d}"


def _mean(level_db: FloatArray) -> float:
    return float(10 * np.log10(np.mean(10 ** (level_db / 10))))


def _figure(names: Sequence[str], panels: Sequence[tuple[str, FloatArray, FloatArray]]) -> Figure:
    rows = -(-len(panels) // _COLUMNS)
    figure = Figure(figsize=(_COLUMNS * _PANEL[0], rows * (_PANEL[1] + 0.55) + 0.35))
    axes = figure.subplots(rows, _COLUMNS, squeeze=False)
    for (title, bands, levels), panel in zip(panels, axes.flat, strict=False):
        _draw(panel, title, bands, levels, names)
    for empty in list(axes.flat)[len(panels) :]:
        empty.set_visible(False)
    handles, labels = axes.flat[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="upper left", ncols=len(names))
    figure.subplots_adjust(0.06, 0.08, 0.99, 0.9, wspace=0.22, hspace=0.5)
    return figure


def _draw(
    axes: Axes, title: str, bands: FloatArray, levels: FloatArray, names: Sequence[str]
) -> None:
    for number, (name, level) in enumerate(zip(names, levels, strict=True)):
        colour, dash = SERIES[number % len(SERIES)]
        axes.plot(bands, level, color=colour, linestyle=dash, label=name)
    frequency_axis(axes, (float(bands[0]), float(bands[-1])), small=True)
    top = max(5.0, float(np.ceil(levels.max() / 5) * 5))
    axes.set_ylim(_LOWEST_DB, top)
    axes.set_title(title)
    axes.set_ylabel("dB")
    axes.grid(True, color=RULE, linewidth=0.5)
