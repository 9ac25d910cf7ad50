# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures of a shape: a view in three dimensions, and dimensioned sections.

VTK ends the whole process when it finds no way to draw off-screen, so the view is drawn in a
process of its own (``python -m bafflelens.report.shape_picture FOLDER``); should that fail,
matplotlib draws a plainer one here.
"""

from __future__ import annotations

import io
import itertools
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib import colormaps
from matplotlib.cm import ScalarMappable
from matplotlib.colors import BoundaryNorm, Colormap
from matplotlib.figure import Figure
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path as Outline
from mpl_toolkits.mplot3d.art3d import Poly3DCollection  # type: ignore[import-untyped]
from numpy.typing import NDArray

from bafflelens.base import child_process
from bafflelens.base.conventions import FloatArray, IntArray, direction_vectors
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.surface_names import FINE_KINDS, GUIDING_KINDS, surface_kind

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Okabe and Ito's palette for what matters, greys for the box: apart for every kind of sight.
SURFACE_COLOURS: Final = {
    "dome": "#d55e00",
    "surround": "#e69f00",
    "slit": "#8c3d00",
    "lens": "#56b4e9",
    "waveguide": "#0072b2",
    "faceplate": "#a8b8c4",
    "felt": "#009e73",
    "cone": "#cc79a7",
    "dust_cap": "#a35585",
    "cone_surround": "#e3b3ce",
    "baffle": "#c9c9c9",
    "cabinet": "#8a8a8a",
}
_OTHER_COLOUR: Final = "#f0e442"
_VIEW_AZIMUTH_DEG: Final = 33.0  # from the front, to the loudspeaker's left
_VIEW_ELEVATION_DEG: Final = 20.0
_LIGHTS: Final = (((3.0, 1.0, 3.4), 0.78), ((1.0, -3.0, -0.5), 0.25), ((1.0, 4.0, 0.5), 0.45))
_SHARP_DEG: Final = 40.0  # facets that meet at less than this belong to one smooth surface
_PIXELS: Final = (1100, 1100)
_ELEMENTS: Final = "elements.npy"
_LEVELS: Final = (0.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 14.0, 20.0)
"""Steps of the colours for elements a wavelength; the last one is open."""

_TIME_LIMIT_S: Final = 60.0
_OFF_PLANE_M: Final = 1e-6  # sections beside the mirror plane, where vertices lie


def shape_picture(mesh: Mesh, symmetry: tuple[str, ...] = ()) -> bytes:
    """Return a view of a shape from the front, its left and above, coloured by surface name.

    Parameters
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Planes in which the mesh is mirrored first.

    Returns
    -------
    bytes
        A PNG file.
    """
    full = _mirrored(mesh, symmetry)
    return _drawn_apart(full) or _plain_picture(full)


def mesh_picture(mesh: Mesh, symmetry: tuple[str, ...], wavelength_m: float) -> bytes:
    """Return a view of the triangles, coloured by how many of their edges make a wavelength.

    Parameters
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Planes in which the mesh is mirrored first.
    wavelength_m : float
        The shortest wavelength that the mesh is used at, in m.

    Returns
    -------
    bytes
        A PNG file.
    """
    full = _mirrored(mesh, symmetry)
    elements = elements_per_wavelength(full, wavelength_m)
    return _drawn_apart(full, elements) or _plain_picture(full, elements)


def elements_per_wavelength(mesh: Mesh, wavelength_m: float) -> FloatArray:
    """Return how many of its mean edges each triangle would need for a wavelength.

    The mean edge is that of the equilateral triangle of the same area, which is what the mesh
    rules of `bafflelens.mesh.quality` speak of.

    Parameters
    ----------
    mesh : Mesh
        The surface.
    wavelength_m : float
        The wavelength in m.
    """
    edge = np.sqrt(mesh.areas * 4 / np.sqrt(3))
    return np.asarray(wavelength_m / edge)


def _drawn_apart(mesh: Mesh, elements: FloatArray | None = None) -> bytes | None:
    """Have VTK draw a closed mesh in a process of its own; None if it cannot."""
    with tempfile.TemporaryDirectory(prefix="bafflelens_picture_") as name:
        folder = Path(name)
        mesh.save(folder / "mesh.npz")
        if elements is not None:
            np.save(folder / _ELEMENTS, elements)
        ended = child_process.run_module("bafflelens.report.shape_picture", folder, _TIME_LIMIT_S)
        picture = folder / "picture.png"
        return picture.read_bytes() if not ended and picture.is_file() else None


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
    figure = _section_figure(_mirrored(mesh, symmetry))
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
    _add_legend(figure, mesh)
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
    for name in _names(mesh):
        if surface_kind(name) == "dome":
            dome = mesh.corners[mesh.surface == name][..., 2] * 1e3
            _dimension(axes, (rim, dome.min()), (rim, dome.max()), 2.0 * gap)
    if len(_corners_of(mesh, GUIDING_KINDS)):
        _dimension(axes, (0.0, low), (0.0, high), -1.5 * gap)
        _dimension(axes, (rim, high), (0.0, high), gap)


def _corners_of(mesh: Mesh, kinds: Sequence[str]) -> FloatArray:
    """Return the corners of all triangles on surfaces of some kinds, (n, 3, 3), in m."""
    names = [name for name in _names(mesh) if surface_kind(name) in kinds]
    return np.asarray(mesh.corners[np.isin(mesh.surface, names)])


def _driver_heights(mesh: Mesh) -> list[float]:
    """Return z of the middle of every driver, from the top downwards, in mm."""
    heights = []
    for name in _names(mesh):
        if surface_kind(name) in ("dome", "cone"):
            z = mesh.corners[mesh.surface == name][..., 2] * 1e3
            heights.append(0.5 * float(z.min() + z.max()))
    return sorted(heights, reverse=True)


def _mirrored(mesh: Mesh, symmetry: tuple[str, ...]) -> Mesh:
    for plane in symmetry:
        mesh = mesh.mirrored(plane)
    return mesh


def _names(mesh: Mesh) -> list[str]:
    """Return the surface names of a mesh, in the order of the palette."""
    present = [str(name) for name in np.unique(mesh.surface)]
    order = list(SURFACE_COLOURS)

    def place(name: str) -> int:
        kind = surface_kind(name)
        return order.index(kind) if kind else len(order)

    return sorted(present, key=lambda name: (place(name), name))


def _colour(name: str) -> str:
    return SURFACE_COLOURS.get(surface_kind(name), _OTHER_COLOUR)


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
    for name in _names(mesh):
        segments = section_segments(mesh.corners[mesh.surface == name], across)
        ends = segments[:, :, [0, up]].reshape(-1, 2) * 1e3
        codes = np.tile((Outline.MOVETO, Outline.LINETO), len(segments))
        axes.add_patch(
            PathPatch(Outline(ends, codes), edgecolor=_colour(name), linewidth=2.2, fill=False)
        )


def section_segments(corners: FloatArray, across: int) -> FloatArray:
    """Return the segments in which a plane cuts triangles, (n_segments, 2 ends, 3), in m."""
    height = corners[:, :, across] - _OFF_PLANE_M
    ends = []
    cut = np.flatnonzero((height.min(axis=1) < 0) & (height.max(axis=1) > 0))
    for triangle, level in zip(corners[cut], height[cut], strict=True):
        points = []
        for i in range(3):
            j = (i + 1) % 3
            if level[i] * level[j] < 0:
                share = level[i] / (level[i] - level[j])
                points.append(triangle[i] + share * (triangle[j] - triangle[i]))
        if len(points) == 2:
            ends.append(points)
    return np.asarray(ends, dtype=float).reshape(-1, 2, 3)


def _dimension(
    axes: Axes, start: tuple[float, float], end: tuple[float, float], offset: float
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
    """
    vertical = start[0] == end[0]
    shift = np.array((-offset, 0.0) if vertical else (0.0, offset))
    first, last = start + shift, end + shift
    for foot, point in ((start, first), (end, last)):
        axes.plot(*zip(foot, point, strict=True), color="#555555", linewidth=0.5, zorder=0)
    arrow = {"arrowstyle": "<->", "color": "#333333", "linewidth": 0.8, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", xy=tuple(last), xytext=tuple(first), arrowprops=arrow)
    axes.annotate(
        f"{np.linalg.norm(last - first):.1f}".removesuffix(".0"),
        xy=tuple((first + last) / 2),
        xytext=tuple(np.sign(shift) * 3),
        textcoords="offset points",
        rotation=90 if vertical else 0,
        ha=("right" if offset > 0 else "left") if vertical else "center",
        va="center" if vertical else ("bottom" if offset > 0 else "top"),
        fontsize=9,
    )


def _plain_picture(mesh: Mesh, elements: FloatArray | None = None) -> bytes:
    """Draw the view with matplotlib: no shadows, hidden surfaces by sorting."""
    facing = mesh.normals @ _towards_viewer() > 0
    light = 0.55 + 0.45 * np.clip(mesh.normals @ np.array((0.55, 0.35, 0.76)), 0.0, 1.0)
    figure = Figure(figsize=(6.0, 6.0), dpi=150, layout="constrained")
    axes: Any = figure.add_subplot(projection="3d", proj_type="ortho")
    colours = np.array([_rgb(_colour(str(name))) for name in mesh.surface])
    if elements is not None:
        by_value, norm = _element_colours()
        colours = by_value(norm(elements))[:, :3]
    axes.add_collection3d(
        Poly3DCollection(
            list(mesh.corners[facing] * 1e3),
            facecolors=colours[facing] * light[facing, None],
            edgecolors=colours[facing] * light[facing, None] * (1.0 if elements is None else 0.6),
            linewidths=0.3,
        )
    )
    low, high = mesh.vertices.min(axis=0) * 1e3, mesh.vertices.max(axis=0) * 1e3
    axes.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]), zlim=(low[2], high[2]))
    axes.set_box_aspect(high - low, zoom=1.0)
    axes.view_init(elev=_VIEW_ELEVATION_DEG, azim=_VIEW_AZIMUTH_DEG)
    axes.set_axis_off()
    if elements is None:
        _add_legend(figure, mesh)
    else:
        _add_colour_bar(figure, axes)
    return _as_png(figure)


def _rgb(colour: str) -> tuple[float, float, float]:
    red, green, blue = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return red, green, blue


def _towards_viewer() -> FloatArray:
    azimuth, elevation = np.array((_VIEW_AZIMUTH_DEG,)), np.array((_VIEW_ELEVATION_DEG,))
    return np.asarray(direction_vectors(azimuth, elevation)[0])


def _add_legend(figure: Figure, mesh: Mesh) -> None:
    """Add what the colours of the surfaces mean, below."""
    kinds = dict.fromkeys(surface_kind(name) or name for name in _names(mesh))
    figure.legend(
        handles=[Patch(color=_colour(kind), label=kind.replace("_", " ")) for kind in kinds],
        loc="outside lower center",
        ncols=5,
        frameon=False,
    )


def _add_colour_bar(figure: Figure, axes: Axes) -> None:
    """Add what the colours of the mesh mean, below."""
    colours, norm = _element_colours()
    bar = figure.colorbar(
        ScalarMappable(norm, colours),
        ax=axes,
        location="bottom",
        shrink=0.8,
        ticks=_LEVELS[1:],
        spacing="uniform",
    )
    bar.set_label("elements a wavelength")


def _element_colours() -> tuple[Colormap, BoundaryNorm]:
    colours = colormaps["cividis"].resampled(len(_LEVELS))
    return colours, BoundaryNorm(_LEVELS, colours.N, extend="max")


def _as_png(figure: Figure) -> bytes:
    stream = io.BytesIO()
    figure.savefig(stream, format="png")
    return stream.getvalue()


def main(folder: Path) -> int:
    """Draw ``mesh.npz`` of a folder to ``picture.png`` with VTK; return the exit code.

    With ``elements.npy``, one number a triangle, the triangles are drawn in its colours.
    """
    mesh = Mesh.load(folder / "mesh.npz")
    figure = Figure(figsize=(6.0, 6.0), dpi=200, layout="constrained")
    axes = figure.add_subplot()
    axes.set_axis_off()
    if (folder / _ELEMENTS).is_file():
        axes.imshow(_rendered(mesh, np.load(folder / _ELEMENTS)))
        _add_colour_bar(figure, axes)
    else:
        axes.imshow(_rendered(mesh))
        _add_legend(figure, mesh)
    (folder / "picture.png").write_bytes(_as_png(figure))
    return 0


def _rendered(mesh: Mesh, elements: FloatArray | None = None) -> NDArray[np.uint8]:
    """Return the view drawn by VTK, (height, width, 3)."""
    import pyvista

    plotter: Any = pyvista.Plotter(off_screen=True, window_size=list(_PIXELS), lighting="none")
    if elements is not None:
        colours, norm = _element_colours()
        surface = _polygons(mesh.triangles, mesh)
        surface.cell_data["colour"] = (255 * colours(norm(elements))[:, :3]).astype(np.uint8)
        plotter.add_mesh(
            surface,
            scalars="colour",
            rgb=True,
            show_edges=True,
            edge_color="#202020",
            line_width=0.5,
            ambient=0.6,
            diffuse=0.5,
        )
    for name in _names(mesh) if elements is None else ():
        plotter.add_mesh(
            _polygons(mesh.triangles[mesh.surface == name], mesh).clean(),
            color=_colour(name),
            smooth_shading=True,
            split_sharp_edges=True,
            feature_angle=_SHARP_DEG,
            ambient=0.3,
            diffuse=0.8,
        )
    edges = _polygons(mesh.triangles, mesh).extract_feature_edges(
        feature_angle=_SHARP_DEG,
        boundary_edges=False,
        non_manifold_edges=False,
        manifold_edges=False,
    )
    if edges.n_points:
        plotter.add_mesh(edges, color="#404040", line_width=1.5)
    for position, intensity in _LIGHTS:
        plotter.add_light(pyvista.Light(position=position, intensity=intensity))
    plotter.set_background("white")
    centre = (mesh.vertices.min(axis=0) + mesh.vertices.max(axis=0)) / 2
    size = float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    eye = centre + 4.0 * size * _towards_viewer()
    plotter.camera_position = [tuple(eye), tuple(centre), (0.0, 0.0, 1.0)]
    plotter.camera.view_angle = 14.0
    plotter.enable_anti_aliasing("ssaa")
    image = np.asarray(plotter.screenshot(return_img=True))
    plotter.close()
    return image


def _polygons(triangles: IntArray, mesh: Mesh) -> Any:
    """Return triangles of a mesh as a VTK surface."""
    import pyvista

    faces = np.column_stack((np.full(len(triangles), 3), triangles))
    return pyvista.PolyData(mesh.vertices, faces.ravel())


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
