# SPDX-License-Identifier: GPL-3.0-or-later
"""Sections of a shape through the axis, with dimensions."""

from __future__ import annotations

import io
import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline

from bafflelens.base.conventions import FloatArray
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.plane_cuts import cut_by_plane
from bafflelens.mesh.surface_names import FINE_KINDS, GUIDING_KINDS, surface_kind
from bafflelens.report.dimensions import Dimension
from bafflelens.report.shape_drawing import add_legend, colour_of, names_in

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_BODY_COLOUR: Final = "#eceeea"
_FILL_STEPS: Final = 800


def section_picture(mesh: Mesh, symmetry: tuple[str, ...] = ()) -> str:
    """Return the vertical and the horizontal section through the axis, with main dimensions.

    Parameters
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Planes in which the mesh is mirrored first.

    Returns
    -------
    str
        An SVG file; lengths in mm.
    """
    stream = io.StringIO()
    figure = _section_figure(mesh.whole(symmetry))
    figure.savefig(stream, format="svg", metadata={"Date": None})
    return stream.getvalue()


def _section_figure(mesh: Mesh) -> Figure:
    """Return the sections of a closed mesh as a figure."""
    low, high = mesh.vertices.min(axis=0) * 1e3, mesh.vertices.max(axis=0) * 1e3
    figure = Figure(figsize=(9.0, 7.4), layout="constrained")
    grid = figure.add_gridspec(2, 2, height_ratios=(1.0, 0.9))
    side = figure.add_subplot(grid[:, 0], aspect="equal")
    plan = figure.add_subplot(grid[0, 1], aspect="equal")
    close = figure.add_subplot(grid[1, 1], aspect="equal")
    gap = 0.06 * float((high - low).max())
    for axes, up, label in ((side, 2, "z, up (mm)"), (plan, 1, "y, to the left (mm)")):
        _draw_section(axes, mesh, across=3 - up)
        axes.set(xlim=(low[0] - 4 * gap, high[0] + 2 * gap), xlabel="x, forward (mm)")
        axes.set(ylim=(low[up] - 1.5 * gap, high[up] + 3 * gap), ylabel=label)
        _dimension(axes, (low[0], high[up]), (0.0, high[up]), gap)
        _dimension(axes, (low[0], low[up]), (low[0], high[up]), gap)
    right = max(float(high[0]), 0.0)
    front = _corners_of(mesh, ("baffle",))
    top = float(front[..., 2].max()) * 1e3 if len(front) else float(high[2])
    steps = [top, *_driver_heights(mesh)]
    for above, below in itertools.pairwise(steps):
        _dimension(side, (right, below), (right, above), -gap)
    side.set_title("Vertical section, y = 0")
    plan.set_title("Horizontal section, z = 0")
    _draw_close_up(close, mesh)
    add_legend(figure, mesh)
    return figure


def _draw_close_up(axes: Axes, mesh: Mesh) -> None:
    """Draw the vertical section around the moving surfaces and the lens, if there are any."""
    of_interest = _corners_of(mesh, FINE_KINDS) * 1e3
    if not len(of_interest):
        axes.set_axis_off()
        return
    _draw_section(axes, mesh, across=1)
    axes.set(title="Vertical section, close up", xlabel="x, forward (mm)", ylabel="z, up (mm)")
    low, high = of_interest[..., 2].min(), of_interest[..., 2].max()
    gap = 0.09 * float(high - low)
    axes.set_ylim(low - 2 * gap, high + 3 * gap)
    surround = _corners_of(mesh, ("surround",)) * 1e3
    middle = 0.5 * (float(of_interest[..., 0].min()) + float(of_interest[..., 0].max()))
    rim = float(np.median(surround[..., 0])) if len(surround) else middle
    axes.set_xlim(middle - 0.8 * (high - low), middle + 0.8 * (high - low))
    for name in names_in(mesh):
        if surface_kind(name) == "dome":
            dome = mesh.corners[mesh.surface == name][..., 2] * 1e3
            _dimension(axes, (rim, dome.min()), (rim, dome.max()), 2.0 * gap)
    if len(_corners_of(mesh, GUIDING_KINDS)):
        _dimension(axes, (0.0, low), (0.0, high), -1.5 * gap)
        _dimension(axes, (rim, high), (0.0, high), gap)


def opening_picture(
    mesh: Mesh, symmetry: tuple[str, ...], dimensions: Sequence[Dimension]
) -> tuple[str, bytes]:
    """Return the vertical section close to the axis, small, with the dimensions that matter.

    Parameters
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Planes in which the mesh is mirrored first.
    dimensions : sequence of Dimension
        What is written at it: the depth and the mouth as lines, angle and lip at the upper wall.

    Returns
    -------
    str, bytes
        An SVG file and a PNG file of the same; lengths in mm.
    """
    figure = _opening_figure(mesh.whole(symmetry), dimensions)
    stream, pixels = io.StringIO(), io.BytesIO()
    figure.savefig(stream, format="svg", metadata={"Date": None})
    figure.savefig(pixels, format="png", dpi=220)
    return stream.getvalue(), pixels.getvalue()


def _opening_figure(mesh: Mesh, dimensions: Sequence[Dimension]) -> Figure:
    figure = Figure(figsize=(3.3, 3.7))
    axes = figure.add_axes((0.0, 0.0, 1.0, 0.93), aspect="equal")
    axes.set_axis_off()
    figure.text(0.5, 0.965, "Vertical section, mm", ha="center", va="center", fontsize=12)
    of_interest = _corners_of(mesh, FINE_KINDS) * 1e3
    if not len(of_interest):
        of_interest = mesh.corners * 1e3
    low, high = of_interest[..., 2].min(), of_interest[..., 2].max()
    deepest, foremost = float(of_interest[..., 0].min()), float(of_interest[..., 0].max())
    up = 1.42 * float(high - low)
    across, gap = up * 3.3 / (0.93 * 3.7), 0.09 * float(high - low)
    middle = 0.5 * (deepest + max(foremost, 0.0)) - 0.02 * across
    axes.set_xlim(middle - 0.5 * across, middle + 0.5 * across)
    axes.set_ylim(0.5 * (low + high - up), 0.5 * (low + high + up))
    _fill_behind(axes, mesh, middle - 0.5 * across)
    _draw_section(axes, mesh, across=1)
    known = {dimension.word: dimension for dimension in dimensions}
    if depth := known.get("depth"):
        _dimension(axes, (-depth.value, low), (0.0, low), -1.4 * gap, digits=0, size=12)
    if mouth := known.get("mouth"):
        ends = (0.0, -mouth.value / 2), (0.0, mouth.value / 2)
        _dimension(axes, *ends, -1.8 * gap, digits=0, size=12)
    _dimension(
        axes, (0.0, low), (0.0, high), -3.6 * gap if mouth else -1.8 * gap, digits=0, size=12
    )
    wall = _upper_wall(mesh)
    for word, share, beside in (("walls", 0.45, (-14, 4)), ("lip", 0.88, (-16, 12))):
        if (told := known.get(word)) and len(wall):
            x, z = wall[min(round(share * len(wall)), len(wall) - 1)]
            axes.annotate(
                told.text.replace("walls", "wall"),
                (x, z),
                xytext=beside,
                textcoords="offset points",
                ha="right",
                fontsize=12,
                arrowprops={"arrowstyle": "-", "color": "#333333", "linewidth": 0.6},
            )
    return figure


def _fill_behind(axes: Axes, mesh: Mesh, left: float) -> None:
    """Tint what is behind the front in the vertical section, as far as a line in mm."""
    ends = cut_by_plane(mesh.corners, across=1)[:, :, [0, 2]] * 1e3
    low, high = ends[..., 1].min(axis=1), ends[..., 1].max(axis=1)
    heights = np.linspace(low.min(), high.max(), _FILL_STEPS)
    front = np.full(heights.shape, np.nan)
    for number, height in enumerate(heights):
        cut = ends[(low <= height) & (height <= high) & (high > low)]
        if len(cut):
            along = (height - cut[:, 0, 1]) / (cut[:, 1, 1] - cut[:, 0, 1])
            front[number] = (cut[:, 0, 0] + along * (cut[:, 1, 0] - cut[:, 0, 0])).max()
    axes.fill_betweenx(
        heights, left, front, where=front > left, color=_BODY_COLOUR, linewidth=0, zorder=0
    )


def _upper_wall(mesh: Mesh) -> FloatArray:
    """Return (x, z) of what guides above the axis, from the dome outwards, in mm."""
    corners = _corners_of(mesh, GUIDING_KINDS)
    if not len(corners):
        return np.empty((0, 2))
    points = cut_by_plane(corners, across=1)[:, :, [0, 2]].mean(axis=1) * 1e3
    points = points[points[:, 1] > 0]
    return np.asarray(points[np.argsort(points[:, 1])])


def _corners_of(mesh: Mesh, kinds: Sequence[str]) -> FloatArray:
    """Return the corners of all triangles on surfaces of some kinds, (n, 3, 3), in m."""
    names = [name for name in names_in(mesh) if surface_kind(name) in kinds]
    return np.asarray(mesh.corners[np.isin(mesh.surface, names)])


def _driver_heights(mesh: Mesh) -> list[float]:
    """Return z of the middle of every driver, from the top downwards, in mm."""
    heights = []
    for name in names_in(mesh):
        if surface_kind(name) in ("dome", "cone"):
            z = mesh.corners[mesh.surface == name][..., 2] * 1e3
            heights.append(0.5 * float(z.min() + z.max()))
    return sorted(heights, reverse=True)


def _draw_section(axes: Axes, mesh: Mesh, *, across: int) -> None:
    """Draw where a coordinate plane through the axis cuts the surface.

    Parameters
    ----------
    axes : Axes
        Where to draw.
    mesh : Mesh
        A closed surface.
    across : int
        Coordinate that is zero on the plane.
    """
    up = 3 - across
    for name in names_in(mesh):
        segments = cut_by_plane(mesh.corners[mesh.surface == name], across)
        ends = segments[:, :, [0, up]].reshape(-1, 2) * 1e3
        codes = np.tile((Outline.MOVETO, Outline.LINETO), len(segments))
        axes.add_patch(
            PathPatch(Outline(ends, codes), edgecolor=colour_of(name), linewidth=2.2, fill=False)
        )


def _dimension(
    axes: Axes,
    start: tuple[float, float],
    end: tuple[float, float],
    offset: float,
    *,
    digits: int = 1,
    size: float = 9,
) -> None:
    """Draw the dimension of a horizontal or vertical length.

    Parameters
    ----------
    axes : Axes
        Where to draw.
    start, end : tuple of 2 floats
        Ends of the length in mm.
    offset : float
        Distance of the dimension line from them in mm: up or to the left, negative down or to
        the right.
    digits : int
        After the point, where they are not zero.
    size : float
        Of the text, in points.
    """
    vertical = start[0] == end[0]
    shift = np.array((-offset, 0.0) if vertical else (0.0, offset))
    first, last = start + shift, end + shift
    for foot, point in ((start, first), (end, last)):
        axes.plot(*zip(foot, point, strict=True), color="#555555", linewidth=0.5, zorder=0)
    arrow = {"arrowstyle": "<->", "color": "#333333", "linewidth": 0.8, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", xy=tuple(last), xytext=tuple(first), arrowprops=arrow)
    axes.annotate(
        f"{np.linalg.norm(last - first):.{digits}f}".removesuffix(".0"),
        xy=tuple((first + last) / 2),
        xytext=tuple(np.sign(shift) * 3),
        textcoords="offset points",
        rotation=90 if vertical else 0,
        ha=("right" if offset > 0 else "left") if vertical else "center",
        va="center" if vertical else ("bottom" if offset > 0 else "top"),
        fontsize=size,
    )
