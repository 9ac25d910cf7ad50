# SPDX-License-Identifier: GPL-3.0-or-later
"""Draws a shape in three dimensions, in a process of its own or more plainly in any.

Started by `bafflelens.report.shape_picture`; slow to load.
"""

from __future__ import annotations

import io
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib import colormaps
from matplotlib.cm import ScalarMappable
from matplotlib.colors import BoundaryNorm, Colormap
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from numpy.typing import NDArray
from PIL import Image, ImageOps

from bafflelens.base.conventions import FloatArray, IntArray, direction_vectors
from bafflelens.base.loading import without_collector
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.surface_names import surface_kind
from bafflelens.report.shape_picture import ELEMENTS, SMALL

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
_LEVELS: Final = (0.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 14.0, 20.0)
"""Steps of the colours for elements a wavelength; the last one is open."""

_SMALL_PX: Final = 640
_COLOURS: Final = 96


def names_in(mesh: Mesh) -> list[str]:
    """Return the surface names of a mesh, in the order of the palette."""
    present = [str(name) for name in np.unique(mesh.surface)]
    order = list(SURFACE_COLOURS)

    def place(name: str) -> int:
        kind = surface_kind(name)
        return order.index(kind) if kind else len(order)

    return sorted(present, key=lambda name: (place(name), name))


def colour_of(name: str) -> str:
    """Return the colour of a surface."""
    return SURFACE_COLOURS.get(surface_kind(name), _OTHER_COLOUR)


def plain_picture(
    mesh: Mesh, elements: FloatArray | None = None, *, has_key: bool = True
) -> bytes:
    """Draw the view with matplotlib: no shadows, hidden surfaces by sorting."""
    # Loaded where VTK cannot draw alone.
    from mpl_toolkits.mplot3d.art3d import Poly3DCollection  # type: ignore[import-untyped]

    facing = mesh.normals @ _towards_viewer() > 0
    light = 0.55 + 0.45 * np.clip(mesh.normals @ np.array((0.55, 0.35, 0.76)), 0.0, 1.0)
    figure = Figure(figsize=(6.0, 6.0), dpi=150, layout="constrained")
    axes: Any = figure.add_subplot(projection="3d", proj_type="ortho")
    colours = np.array([_rgb(colour_of(str(name))) for name in mesh.surface])
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
    if elements is not None:
        _add_colour_bar(figure, axes)
    elif has_key:
        add_legend(figure, mesh)
    return _as_png(figure)


def _rgb(colour: str) -> tuple[float, float, float]:
    red, green, blue = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return red, green, blue


def _towards_viewer() -> FloatArray:
    azimuth, elevation = np.array((_VIEW_AZIMUTH_DEG,)), np.array((_VIEW_ELEVATION_DEG,))
    return np.asarray(direction_vectors(azimuth, elevation)[0])


def add_legend(figure: Figure, mesh: Mesh) -> None:
    """Add what the colours of the surfaces mean, below."""
    kinds = dict.fromkeys(surface_kind(name) or name for name in names_in(mesh))
    figure.legend(
        handles=[Patch(color=colour_of(kind), label=kind.replace("_", " ")) for kind in kinds],
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


def trimmed(picture: bytes) -> bytes:
    """Return a picture on white without its margins, at most `_SMALL_PX` high or wide."""
    return _trimmed(Image.open(io.BytesIO(picture)))


def _trimmed(picture: Image.Image) -> bytes:
    image = picture.convert("RGB")
    box = ImageOps.invert(image).getbbox()
    image = image.crop(box) if box else image
    image.thumbnail((_SMALL_PX, _SMALL_PX))
    stream = io.BytesIO()
    image.quantize(_COLOURS).save(stream, format="PNG", optimize=True)
    return stream.getvalue()


def main(folder: Path) -> int:
    """Draw ``mesh.npz`` of a folder to ``picture.png`` with VTK; return the exit code.

    Where there is a ``small.png``, it becomes the same without a key. With ``elements.npy``,
    one number a triangle, the triangles are drawn in its colours.
    """
    with without_collector():  # it finds next to nothing in libraries and pictures
        _draw(folder)
    return 0


def _draw(folder: Path) -> None:
    mesh = Mesh.load(folder / "mesh.npz")
    figure = Figure(figsize=(6.0, 6.0), dpi=200, layout="constrained")
    axes = figure.add_subplot()
    axes.set_axis_off()
    if (folder / ELEMENTS).is_file():
        shown = axes.imshow(_rendered(mesh, np.load(folder / ELEMENTS)))
        _add_colour_bar(figure, axes)
    else:
        image = _rendered(mesh)
        shown = axes.imshow(image)
        add_legend(figure, mesh)
        if (folder / SMALL).is_file():
            (folder / SMALL).write_bytes(_trimmed(Image.fromarray(image)))
    # Laid out without it, so that the image is scaled once.
    shown.set_visible(False)
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    shown.set_visible(True)
    (folder / "picture.png").write_bytes(_as_png(figure))


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
    for name in names_in(mesh) if elements is None else ():
        plotter.add_mesh(
            _polygons(mesh.triangles[mesh.surface == name], mesh).clean(),
            color=colour_of(name),
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
