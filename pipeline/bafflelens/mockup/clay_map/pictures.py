# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures of a clay map: from the front, in space, in section; and of the parts of the score."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib import colormaps
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.tri import Triangulation

from bafflelens.base.conventions import FloatArray, direction_vectors
from bafflelens.bem.discretisation import mirror_signs
from bafflelens.mesh.mesh import Mesh
from bafflelens.mockup.clay_map.places import ClayMap, ClayPlace

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_COLOURS: Final = "RdBu_r"  # also apart for those who do not tell red from green
_STILL: Final = (0.45, 0.45, 0.45)
_FRONT: Final = (0.0, 0.0)
_IN_SPACE: Final = (35.0, 22.0)
_LEVELS: Final = 4  # contour lines on each side of zero
_SMALLEST_SCALE_DB: Final = 0.02
_MATTERS: Final = 0.1  # of the largest slope: what is smaller is not worth a part of the picture
_OFF_PLANE_M: Final = 1e-6  # sections beside the mirror plane, where vertices lie
_LONGEST_MM: Final = 12.0  # of what is drawn beside a section
_PARTS: Final = {
    "vertical_control": "Vertical control",
    "horizontal_width": "Horizontal width",
    "side_effects": "Side effects",
}


def score_picture(found: ClayMap, places: Sequence[ClayPlace], title: str) -> bytes:
    """Return the map of the score from the front, in space and along two sections, as PNG.

    Parameters
    ----------
    found : ClayMap
        The map.
    places : sequence of Place
        Places to be numbered.
    title : str
        A line above.
    """
    mesh, values = _whole(found, "score")
    limit = scale_db(values)
    figure = Figure(figsize=(15.0, 6.0), layout="constrained", dpi=130)
    figure.suptitle(title)
    grid = figure.add_gridspec(1, 4, width_ratios=(1.3, 1.15, 0.75, 0.75))
    views = [figure.add_subplot(grid[i], aspect="equal") for i in range(2)]
    for axes, towards in zip(views, (_FRONT, _IN_SPACE), strict=True):
        _draw_view(axes, found, mesh, values, limit, towards)
        _number(axes, found, places, mesh, towards)
    views[0].set(xlabel="y, to its own left (mm)", ylabel="z, up (mm)", title="From the front")
    views[1].set_axis_off()
    views[1].set_title("From its left and above")
    mappable = ScalarMappable(Normalize(-limit, limit), _COLOURS)
    bar = figure.colorbar(mappable, ax=views, location="bottom", shrink=0.7, aspect=45)
    bar.set_label(
        f"score, dB per mm of a bump {1e3 * found.across_m:.0f} mm across: "
        "adding helps where it is blue, taking where it is red"
    )
    for column, (across, up, label) in enumerate(((1, 2, "z, up (mm)"), (2, 1, "y, left (mm)"))):
        axes = figure.add_subplot(grid[2 + column], aspect="equal")
        _draw_section(axes, mesh, values, limit, across, up)
        axes.set(xlabel="x, forward (mm)", ylabel=label)
    stream = io.BytesIO()
    figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()


def parts_picture(found: ClayMap, title: str) -> bytes:
    """Return the maps of the three parts of the score from the front, on one scale, as PNG."""
    figure = Figure(figsize=(12.5, 6.6), layout="constrained", dpi=130)
    figure.suptitle(title)
    drawn = [_whole(found, name) for name in _PARTS]
    limit = max(scale_db(values) for _, values in drawn)
    views = list(figure.subplots(1, 3, subplot_kw={"aspect": "equal"}))
    around = np.concatenate([_of_interest(*one, limit) for one in drawn])
    for axes, (mesh, values), name in zip(views, drawn, _PARTS.values(), strict=True):
        _draw_view(axes, found, mesh, values, limit, _FRONT)
        _limit(axes, around @ _plane_of(_FRONT)[1])
        axes.set(title=name, xlabel="y, to its own left (mm)")
    views[0].set_ylabel("z, up (mm)")
    mappable = ScalarMappable(Normalize(-limit, limit), _COLOURS)
    bar = figure.colorbar(mappable, ax=views, location="right", shrink=0.8, aspect=30, pad=0.01)
    bar.set_label(f"dB per mm of a bump {1e3 * found.across_m:.0f} mm across")
    stream = io.BytesIO()
    figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()


def scale_db(values: FloatArray) -> float:
    """Return the end of the colour scale in dB per mm: a round number not below any value."""
    wanted = max(_SMALLEST_SCALE_DB, float(np.abs(values).max(initial=0.0)))
    step = 10.0 ** math.floor(math.log10(wanted))
    return next(step * m for m in (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 8.0, 10.0) if step * m >= wanted)


def _whole(found: ClayMap, name: str) -> tuple[Mesh, FloatArray]:
    """Return the whole surface and what a bump does on each of its triangles."""
    symmetry = found.slopes.symmetry
    return found.slopes.mesh.whole(symmetry), np.tile(found.per_mm[name], 2 ** len(symmetry))


def _plane_of(view: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Return where the viewer is, and the axes to the right and up, (3, 2), in mm."""
    towards = direction_vectors(np.array(view[:1]), np.array(view[1:]))[0]
    right = np.cross((0.0, 0.0, 1.0), towards)
    right /= np.linalg.norm(right)
    return towards, np.stack((right, np.cross(towards, right)), axis=1) * 1e3


def _draw_view(
    axes: Axes,
    found: ClayMap,
    mesh: Mesh,
    values: FloatArray,
    limit: float,
    view: tuple[float, float],
) -> None:
    """Draw the surface as seen from a direction, the nearest triangles last, and contours."""
    towards, plane = _plane_of(view)
    is_clay = np.tile(found.slopes.is_clay, mesh.n_triangles // found.slopes.mesh.n_triangles)
    colours = np.asarray(colormaps[_COLOURS]((values / limit + 1) / 2))[:, :3]
    colours[~is_clay] = _STILL
    draw_triangles(axes, mesh, colours, view)
    _draw_contours(axes, mesh, values, limit, towards, plane)
    _limit(axes, _of_interest(mesh, values, limit) @ plane)


def draw_triangles(
    axes: Axes, mesh: Mesh, colours: FloatArray, view: tuple[float, float] = _FRONT
) -> None:
    """Draw a surface in colours (n_triangles, 3), shaded, as seen from a direction, in mm.

    The nearest triangles are drawn last, those that face away not at all.
    """
    towards, plane = _plane_of(view)
    order = np.argsort(mesh.centroids @ towards)
    order = order[mesh.normals[order] @ towards > 0]
    shaded = colours[order] * (0.75 + 0.25 * (mesh.normals[order] @ towards))[:, np.newaxis]
    polygons: Any = list(mesh.corners[order] @ plane)
    axes.add_collection(
        PolyCollection(polygons, facecolors=shaded, edgecolors=shaded, linewidths=0.3)
    )


def _of_interest(mesh: Mesh, values: FloatArray, limit: float) -> FloatArray:
    """Return the corners of triangles that matter, or all if the slope is small everywhere."""
    matters = np.abs(values) > _MATTERS * limit
    return np.asarray(mesh.corners[matters if matters.any() else slice(None)].reshape(-1, 3))


def _limit(axes: Axes, points_mm: FloatArray) -> None:
    """Show what is around points."""
    low, high = points_mm.min(axis=0), points_mm.max(axis=0)
    margin = 0.12 * float((high - low).max())
    axes.set_xlim(low[0] - margin, high[0] + margin)
    axes.set_ylim(low[1] - margin, high[1] + margin)


def _draw_contours(
    axes: Axes,
    mesh: Mesh,
    values: FloatArray,
    limit: float,
    towards: FloatArray,
    plane: FloatArray,
) -> None:
    """Draw lines of equal slope over what is seen, with their values in dB per mm."""
    seen = mesh.normals @ towards > 0.15
    points = mesh.vertices @ plane
    steps = limit * np.arange(1, _LEVELS + 1) / (_LEVELS + 1)
    lines = axes.tricontour(
        Triangulation(points[:, 0], points[:, 1], mesh.triangles[seen]),
        mesh.at_vertices(values),
        levels=np.concatenate((-steps[::-1], steps)),
        colors="black",
        linewidths=0.7,
        negative_linestyles="dashed",
    )
    axes.clabel(lines, fmt="%+.2g", fontsize=6.5)


def _number(
    axes: Axes,
    found: ClayMap,
    places: Sequence[ClayPlace],
    mesh: Mesh,
    view: tuple[float, float],
) -> None:
    """Write the numbers of places, and of their images, where they are seen."""
    towards, plane = _plane_of(view)
    for number, place in enumerate(places, start=1):
        normal = found.slopes.mesh.normals[place.triangle]
        for sign in mirror_signs(found.slopes.symmetry):
            if normal @ (towards * sign) < 0.05:
                continue
            x, y = (place.centre * sign) @ plane
            axes.plot(x, y, "o", markersize=4, markerfacecolor="white", color="black")
            axes.annotate(
                str(number), (x, y), (5, 5), textcoords="offset points", fontweight="bold"
            )


def _draw_section(
    axes: Axes, mesh: Mesh, values: FloatArray, limit: float, across: int, up: int
) -> None:
    """Draw a section, and beside it where to add and to take: outwards is more clay."""
    ends, normals, at_ends = _section(mesh, values, across)
    lines = 1e3 * ends[..., (0, up)]
    axes.add_collection(LineCollection(list(lines), colors="black", linewidths=1.2))
    wanted = -at_ends / limit * _LONGEST_MM
    offset = normals[:, np.newaxis, (0, up)] * wanted[:, np.newaxis, np.newaxis]
    for sign, colour, name in ((1, "#2166ac", "add"), (-1, "#b2182b", "take")):
        part = sign * wanted > 0.02 * _LONGEST_MM
        strips = np.concatenate((lines[part], (lines + offset)[part][:, ::-1]), axis=1)
        axes.add_collection(
            PolyCollection(list(strips), facecolors=colour, alpha=0.65, linewidths=0, label=name)
        )
    _limit(axes, 1e3 * _of_interest(mesh, values, limit)[:, (0, up)])
    axes.legend(loc="lower left", frameon=False, fontsize=8)
    plane = "Vertical" if across == 1 else "Horizontal"
    title = f"{plane} section\n{_LONGEST_MM:g} mm of strip:\n{limit:.2g} dB/mm"
    axes.set_title(title, fontsize=10)


def _section(
    mesh: Mesh, values: FloatArray, across: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the lines where a plane meets triangles, (n, 2, 3), their normals and values."""
    height = mesh.corners[..., across] - _OFF_PLANE_M
    above = height > 0
    met = np.flatnonzero(above.any(axis=1) & ~above.all(axis=1))
    ends = np.empty((len(met), 2, 3))
    filled = np.zeros(len(met), dtype=int)
    for first in range(3):
        second = (first + 1) % 3
        here = above[met, first] != above[met, second]
        rows = met[here]
        share = height[rows, first] / (height[rows, first] - height[rows, second])
        start, end = mesh.corners[rows, first], mesh.corners[rows, second]
        ends[here, filled[here]] = start + share[:, np.newaxis] * (end - start)
        filled[here] += 1
    return ends, mesh.normals[met], values[met]
