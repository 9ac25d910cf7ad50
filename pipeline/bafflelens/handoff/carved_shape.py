# SPDX-License-Identifier: GPL-3.0-or-later
"""What a carved candidate was carved from, as its declaration says."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from bafflelens.shapes.cad.declaration import ScannedSolid, is_declaration, read_declaration
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.mesh_morph import SurfaceDeviation
from bafflelens.shapes.meshing.parameters import Shape


@dataclass(frozen=True)
class CarvedFrom:
    """The parent of a carved shape, and how far its front moved.

    Attributes
    ----------
    shape : Shape
        The parent's shape, with the planes of symmetry that the carved one kept.
    values : dict of str to float
        The parent's parameters.
    deviation : Path
        File of how far each place moved.
    """

    shape: Shape
    values: dict[str, float]
    deviation: Path


def carved_from(shape: Shape) -> CarvedFrom | None:
    """Return what a shape was carved from; None if it is a scan or no declaration of either.

    Parameters
    ----------
    shape : Shape
        The shape.
    """
    declaration = _scan(shape)
    if declaration is None:
        return None
    from bafflelens.handoff.carved_height import moves_along_x  # slow to load, seldom needed

    deviation = shape.script.parent / declaration.deviation
    nominal = load_shape(shape.script.parent / declaration.nominal)
    if is_declaration(nominal.script) or not moves_along_x(SurfaceDeviation.load(deviation)):
        return None  # a scan, or clay that was carved
    return CarvedFrom(
        shape=replace(nominal, symmetry=declaration.symmetry),
        values={**nominal.defaults, **declaration.values},
        deviation=deviation,
    )


def is_scanned(shape: Shape) -> bool:
    """Tell whether a shape is a scan, or was carved: what it is declared by says so."""
    return _scan(shape) is not None


def _scan(shape: Shape) -> ScannedSolid | None:
    if not is_declaration(shape.script):
        return None
    declaration = read_declaration(shape.script)
    return declaration if isinstance(declaration, ScannedSolid) else None
