# SPDX-License-Identifier: GPL-3.0-or-later
"""The picture of a deviation: where the clay stands proud of the nominal shape or falls short."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib import colormaps
from matplotlib.cm import ScalarMappable
from matplotlib.collections import PolyCollection
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.ticker import NullFormatter

from bafflelens.base.conventions import FloatArray, direction_vectors
from bafflelens.mockup.scan.findings import Place, Spread
from bafflelens.report.style import plain_words
from bafflelens.shapes.meshing.mesh_morph import Deviation

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_COLOURS: Final = "RdBu_r"  # also apart for those who do not tell red from green
_UNSEEN: Final = "#c8c8c8"
_SMALLEST_SCALE_MM: Final = 0.5
_VIEWS: Final = (("From the front", 0.0, 0.0), ("From its left and above", 40.0, 25.0))


@plain_words()
def deviation_picture(
    deviation: Deviation, spread: Spread, places: Sequence[Place], title: str
) -> bytes:
    """Return two views of the deviation in colours, its histogram and the largest places.

    Parameters
    ----------
    deviation : Deviation
        The deviation.
    spread : Spread
        Its statistics over all surfaces.
    places : sequence of Place
        Dents and humps to be numbered in the views.
    title : str
        A line above.

    Returns
    -------
    bytes
        A PNG file.
    """
    seen = deviation.height[deviation.seen] * 1e3
    limit = _scale_mm(seen)
    figure = Figure(figsize=(12.0, 7.4), layout="constrained", dpi=130)
    figure.suptitle(title)
    grid = figure.add_gridspec(2, 3, width_ratios=(1.0, 1.25, 0.9), height_ratios=(1.0, 0.9))
    views = [figure.add_subplot(grid[:, i], aspect="equal") for i in range(2)]
    for axes, (name, azimuth_deg, elevation_deg) in zip(views, _VIEWS, strict=True):
        _draw_view(axes, deviation, places, limit, azimuth_deg, elevation_deg)
        axes.set_title(name)
    views[0].set(xlabel="y, to its own left (mm)", ylabel="z, up (mm)")
    views[1].set_axis_off()
    mappable = ScalarMappable(Normalize(-limit, limit), _COLOURS)
    bar = figure.colorbar(mappable, ax=views, location="bottom", shrink=0.7, aspect=40, pad=0.02)
    bar.set_label("deviation from the nominal shape (mm): negative where clay is missing")
    if not deviation.seen.all():
        views[1].legend(
            handles=[Patch(color=_UNSEEN, label="not seen by the scanner")],
            loc="lower right",
            frameon=False,
        )
    areas = deviation.nominal.areas[deviation.seen]
    _draw_histogram(figure.add_subplot(grid[0, 2]), seen, areas, limit, spread)
    _write_places(figure.add_subplot(grid[1, 2]), places)
    stream = io.BytesIO()
    figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()


def _scale_mm(seen_mm: FloatArray) -> float:
    """Return the end of the colour scale: a round number that nearly all stay below."""
    largest = float(np.abs(seen_mm).max(initial=0.0))
    wanted = max(_SMALLEST_SCALE_MM, largest)
    step = 10.0 ** math.floor(math.log10(wanted))
    return next(step * m for m in (1.0, 1.5, 2.0, 3.0, 5.0, 7.5, 10.0) if step * m >= wanted)


def _draw_view(
    axes: Axes,
    deviation: Deviation,
    places: Sequence[Place],
    limit: float,
    azimuth_deg: float,
    elevation_deg: float,
) -> None:
    """Draw the surface as seen from a direction, the nearest triangles last."""
    towards = direction_vectors(np.array((azimuth_deg,)), np.array((elevation_deg,)))[0]
    right = np.cross((0.0, 0.0, 1.0), towards)
    right /= np.linalg.norm(right)
    up = np.cross(towards, right)
    plane = np.stack((right, up), axis=1) * 1e3
    mesh = deviation.nominal
    order = np.argsort(mesh.centroids @ towards)
    order = order[mesh.normals[order] @ towards > 0]
    shade = 0.82 + 0.18 * (mesh.normals[order] @ towards)
    scaled = (deviation.height[order] * 1e3 / limit + 1) / 2
    colours = np.asarray(colormaps[_COLOURS](np.clip(scaled, 0, 1)))[:, :3]
    colours[~deviation.seen[order]] = tuple(int(_UNSEEN[i : i + 2], 16) / 255 for i in (1, 3, 5))
    colours *= shade[:, None]
    polygons: Any = list(mesh.corners[order] @ plane)
    axes.add_collection(
        PolyCollection(polygons, facecolors=colours, edgecolors=colours, linewidths=0.3)
    )
    for number, place in enumerate(places, start=1):
        triangle = int(np.linalg.norm(mesh.centroids - place.centre, axis=1).argmin())
        if mesh.normals[triangle] @ towards > 0.05:
            x, y = place.centre @ plane
            axes.plot(x, y, "o", markersize=4, markerfacecolor="none", color="black")
            axes.annotate(
                str(number), (x, y), (5, 5), textcoords="offset points", fontweight="bold"
            )
    corners = mesh.vertices @ plane
    margin = 0.04 * float(np.ptp(corners, axis=0).max())
    axes.set_xlim(corners[:, 0].min() - margin, corners[:, 0].max() + margin)
    axes.set_ylim(corners[:, 1].min() - margin, corners[:, 1].max() + margin)


def _draw_histogram(
    axes: Axes, seen_mm: FloatArray, areas: FloatArray, limit: float, spread: Spread
) -> None:
    axes.hist(
        seen_mm, bins=np.linspace(-limit, limit, 61).tolist(), weights=areas * 1e4, color="#666666"
    )
    axes.set(xlabel="deviation (mm)", ylabel="seen area (cm²)", yscale="log")
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.set_title(
        f"mean {spread.mean_m * 1e3:+.2f}, rms {spread.rms_m * 1e3:.2f} mm;\n"
        f"{spread.within:.0%} of {spread.seen:.0%} seen within 0.5 mm",
        fontsize=10,
    )


def _write_places(axes: Axes, places: Sequence[Place]) -> None:
    axes.set_axis_off()
    lines = [place_text(number, place) for number, place in enumerate(places, start=1)]
    text = "\n".join(lines) if lines else "no dent or hump over 0.4 mm"
    axes.text(0, 1, text, va="top", fontsize=8.5, transform=axes.transAxes, linespacing=1.5)


def place_text(number: int, place: Place) -> str:
    """Return a line about a dent or hump."""
    x, y, z = place.centre * 1e3
    kind = "dent" if place.height_m < 0 else "hump"
    return (
        f"{number}. {kind} {place.height_m * 1e3:+.2f} mm, {place.width_m * 1e3:.0f} mm wide, "
        f"{place.surface}\n    at ({x:.0f}, {y:.0f}, {z:.0f}) mm"
    )
