# SPDX-License-Identifier: GPL-3.0-or-later
"""Shapes by path: load a script or a declaration, list its parameters, check values."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

from bafflelens.shapes.cad.declaration import (
    ImportedSolid,
    MeshedBody,
    ScannedSolid,
    is_declaration,
    read_declaration,
)
from bafflelens.shapes.meshing.declared_shape import DeclaredBody, DeclaredScan, DeclaredSolid
from bafflelens.shapes.meshing.parameters import (
    Shape,
    broken_rules,
    resolved_values,
    shape_of,
    value_faults,
)
from bafflelens.shapes.meshing.shape_script import ShapeScript, execute_script


def load_shape(script: Path) -> Shape:
    """Read a geometry script and list what it offers.

    Parameters
    ----------
    script : Path
        The script, a Python file.

    Raises
    ------
    GeometryError
        If the script is missing, does not load or lacks a piece; the message names file, line
        and cause.
    """
    return shape_of(load_script(script), script)


def check_parameters(shape: Shape, values: Mapping[str, float]) -> list[str]:
    """Return every fault of a set of parameter values, one line each; none if it can be built.

    Parameters
    ----------
    shape : Shape
        The shape that the values are for.
    values : mapping of str to float
        Values by key; a parameter that is left out has its default.

    Returns
    -------
    list of str
        Unknown keys (the nearest one suggested) and values that are no numbers or out of range;
        if there are none, the rules of the script itself that are broken.
    """
    return value_faults(shape, values) or broken_rules(load_script(shape.script), shape, values)


def dimensions_of_shape(shape: Shape) -> Callable[[Mapping[str, float]], dict[str, float]]:
    """Return what tells, for the values of a candidate, what a person should read of it.

    The script is loaded once for all candidates: see `resolved_values`.

    Raises
    ------
    GeometryError
        If the script does not load.
    """
    module = load_script(shape.script)
    return partial(resolved_values, module, shape)


def load_script(script: Path) -> ShapeScript:
    """Execute a geometry script, or read a declaration, and return its pieces.

    Parameters
    ----------
    script : Path
        The script, a Python file; or a declaration, a TOML file.

    Raises
    ------
    GeometryError
        If it is missing, raises while loading, or lacks a piece.
    MeshingError
        If it imports gmsh and gmsh is not installed completely.
    """
    if not is_declaration(script):
        return execute_script(script)
    declaration = read_declaration(script)
    match declaration:
        case ImportedSolid():
            return DeclaredSolid(script, declaration)
        case MeshedBody():
            return DeclaredBody(script, declaration)
        case ScannedSolid():
            nominal = load_script(script.parent / declaration.nominal)
            return DeclaredScan(script, declaration, nominal)
