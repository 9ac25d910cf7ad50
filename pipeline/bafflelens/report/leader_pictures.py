# SPDX-License-Identifier: GPL-3.0-or-later
"""The pictures that a report shows of a leader's shape; no picture is worth the report."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from typing import TYPE_CHECKING

from bafflelens.mesh.mesh import Mesh

if TYPE_CHECKING:  # what draws is slow to load
    from bafflelens.report import Picture
    from bafflelens.report.dimensions import Dimension


def leader_pictures(mesh: Mesh, symmetry: tuple[str, ...], apart: Executor) -> tuple[Picture, ...]:
    """Return a shape in space and in section; what fails is a picture with the reason alone.

    Parameters
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Planes in which the mesh is mirrored first.
    apart : Executor
        Has one thread: it waits for the process that draws in space, while the sections are drawn
        here.
    """
    from bafflelens.report import Picture
    from bafflelens.report.section_picture import section_picture
    from bafflelens.report.shape_picture import shape_views
    from bafflelens.report.style import not_drawn

    views = apart.submit(shape_views, mesh, symmetry)

    def in_section() -> Picture:
        return Picture(title="Sections through the axis, mm", svg=section_picture(mesh, symmetry))

    def in_space() -> Picture:
        drawn = views.result()
        return Picture(title="In space", png=drawn.picture, small=drawn.small)

    pictures = []
    for name, draw in (("sections through the axis", in_section), ("in space", in_space)):
        try:
            pictures.append(draw())
        except Exception as error:  # no picture is worth the report
            pictures.append(Picture(title=not_drawn(name, error)))
    return tuple(reversed(pictures))


def leader_opening(
    mesh: Mesh, symmetry: tuple[str, ...], dimensions: Sequence[Dimension]
) -> Picture | None:
    """Return the vertical section close to the axis with its dimensions; None if it fails.

    Parameters
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Planes in which the mesh is mirrored first.
    dimensions : sequence of Dimension
        Those that matter.
    """
    from bafflelens.report import Picture
    from bafflelens.report.section_picture import opening_picture

    try:
        svg, png = opening_picture(mesh, symmetry, dimensions)
        return Picture(title="Vertical section", svg=svg, png=png)
    except Exception:  # no picture is worth the report; that of the sections says why
        return None
