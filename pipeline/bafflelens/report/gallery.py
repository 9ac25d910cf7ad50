# SPDX-License-Identifier: GPL-3.0-or-later
"""The page of all shapes: a thumbnail, one line, and every parameter with its range."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from bafflelens.base.errors import BafflelensError, InputError, invalid
from bafflelens.base.progress import Progress
from bafflelens.mesh.quality import MeshSize
from bafflelens.report.shape_picture import shape_picture
from bafflelens.report.style import png_uri
from bafflelens.report.templates import templates_in
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.parameters import Shape

_TEMPLATE: Final = "gallery.html.jinja"
_TIME_LIMIT_S: Final = 60.0
_SIZE: Final = MeshSize(
    source_size_m=0.006,
    growth=3.0,
    growth_distance_m=0.2,
    largest_m=0.02,
    curvature_elements=30,
)


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One shape of the page.

    Attributes
    ----------
    shape : Shape
        The shape.
    picture : str
        Its picture as the address of an image, empty if it could not be meshed.
    volume_l, area_m2 : float
        Of the whole body with its default parameters.
    fault : str
        Why there is no picture.
    """

    shape: Shape
    picture: str = ""
    volume_l: float = 0.0
    area_m2: float = 0.0
    fault: str = ""


def collect_shapes(folder: Path) -> list[Shape]:
    """Return the shapes of a folder, in the order of their names.

    Parameters
    ----------
    folder : Path
        A folder of geometry scripts.

    Raises
    ------
    InputError
        If there is no such folder or no script in it.
    GeometryError
        If a script is broken.
    """
    scripts = sorted(folder.glob("*.py"))
    if not scripts:
        rule = "a folder that holds geometry scripts (*.py)"
        raise InputError(invalid("folder of shapes", folder, rule))
    return [load_shape(script) for script in scripts]


def show_shapes(shapes: Sequence[Shape], progress: Progress) -> str:
    """Draw shapes with their defaults and return the page as HTML that needs nothing else.

    Parameters
    ----------
    shapes : sequence of Shape
        What to show.
    progress : Progress
        Told about each shape.
    """
    entries = []
    with progress.bar(float(len(shapes)), "drawing") as advance:
        for shape in shapes:
            entries.append(_entry(shape))
            advance(1.0, f"{shape.name} drawn")
    environment = templates_in(Path(__file__).parent)
    return environment.get_template(_TEMPLATE).render(entries=entries, headline=_headline)


def _entry(shape: Shape) -> Entry:
    try:
        (mesh,) = mesh_shape(shape, shape.defaults, [_SIZE], _TIME_LIMIT_S)
    except BafflelensError as error:
        return Entry(shape=shape, fault=str(error))
    parts = 2 ** len(shape.symmetry)
    return Entry(
        shape=shape,
        picture=png_uri(shape_picture(mesh, shape.symmetry)),
        volume_l=parts * mesh.volume * 1e3,
        area_m2=parts * float(mesh.areas.sum()),
    )


def _headline(shape: Shape) -> str:
    """Return the name of a shape as a person writes it.

    A summary begins with it: "Two-way: a dome and ...".
    """
    return re.split(r"[:.]", shape.summary)[0]
