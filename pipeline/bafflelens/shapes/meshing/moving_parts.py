# SPDX-License-Identifier: GPL-3.0-or-later
"""What moves and what absorbs on a shape, as its script says it."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from bafflelens.base.errors import GeometryError, InputError, invalid
from bafflelens.mesh.absorbers import Absorber, PorousLayer
from bafflelens.mesh.source_motion import MOTIONS, SourceMotion
from bafflelens.mesh.surface_tables import (
    ADMITTANCE_COLUMNS,
    VELOCITY_COLUMNS,
    admittance_table,
    table_rows,
    velocity_table,
)
from bafflelens.shapes.meshing.loading import load_script
from bafflelens.shapes.meshing.parameters import Shape, broken_rules, fill_parameters
from bafflelens.shapes.meshing.shape_script import ShapeScript, absorbers_of, call_script


def source_motions(shape: Shape, values: Mapping[str, float]) -> tuple[SourceMotion, ...]:
    """Return how the moving surfaces of a shape move.

    Parameters
    ----------
    shape : Shape
        The shape.
    values : mapping of str to float
        Parameter values by key; a parameter that is left out has its default.

    Raises
    ------
    GeometryError
        If the values break a rule of the shape, or ``sources()`` returns something else than
        `geometries/README.md` says.
    """
    return _motions_in(load_script(shape.script), shape, values)


def motions_and_absorbers(
    shape: Shape, values: Mapping[str, float]
) -> tuple[tuple[SourceMotion, ...], dict[str, Absorber]]:
    """Return `source_motions` and `surface_absorbers`; the script is executed once for both."""
    module = load_script(shape.script)
    return _motions_in(module, shape, values), _absorbers_in(module, shape, values)


def surface_absorbers(shape: Shape, values: Mapping[str, float]) -> dict[str, Absorber]:
    """Return what covers the surfaces of a shape, by name; empty if its script states nothing.

    Parameters
    ----------
    shape : Shape
        The shape.
    values : mapping of str to float
        Parameter values by key; a parameter that is left out has its default.

    Raises
    ------
    GeometryError
        If ``absorbers()`` returns something else than `geometries/README.md` says.
    """
    return _absorbers_in(load_script(shape.script), shape, values)


def _motions_in(
    module: ShapeScript, shape: Shape, values: Mapping[str, float]
) -> tuple[SourceMotion, ...]:
    # Rules first: where one is broken, what follows from the parameters need not exist.
    broken = broken_rules(module, shape, values)
    if broken:
        raise GeometryError(broken)
    listed = call_script(shape.script, module.sources, fill_parameters(module, values))
    try:
        return tuple(_source_motion(entry, shape.script) for entry in listed)
    except (KeyError, TypeError, ValueError) as error:
        names = ", ".join(field.name for field in dataclasses.fields(SourceMotion))
        message = invalid(
            "result of sources()", f"{type(error).__name__}: {error}", f"dicts with {names}"
        )
        msg = f"{shape.script}: {message}"
        raise GeometryError(msg) from error


def _absorbers_in(
    module: ShapeScript, shape: Shape, values: Mapping[str, float]
) -> dict[str, Absorber]:
    where = f"{shape.script}: absorbers()"
    try:
        found: dict[str, Absorber] = {}
        for name, entry in dict(
            call_script(shape.script, absorbers_of, module, fill_parameters(module, values))
        ).items():
            if "admittance_table" in entry:
                rows = table_rows(entry["admittance_table"], ADMITTANCE_COLUMNS, where)
                found[str(name)] = admittance_table(rows, where)
            else:
                found[str(name)] = PorousLayer(
                    thickness_m=float(entry["thickness_m"]),
                    flow_resistivity=float(entry["flow_resistivity_pa_s_m2"]),
                    incidence=entry.get("incidence", PorousLayer.incidence),
                )
        return found
    except (KeyError, TypeError, ValueError) as error:
        rule = (
            "a dict of surfaces, each a dict with thickness_m and flow_resistivity_pa_s_m2 or "
            "with admittance_table"
        )
        message = invalid("result of absorbers()", f"{type(error).__name__}: {error}", rule)
        msg = f"{shape.script}: {message}"
        raise GeometryError(msg) from error
    except InputError as error:
        raise GeometryError([f"{where}: {fault}" for fault in error.faults]) from error


def _source_motion(entry: Mapping[str, Any], script: Path) -> SourceMotion:
    """Return one source from what a script says of it."""
    motion, table, where = entry.get("motion", "axial"), None, f"{script}: sources()"
    if motion not in MOTIONS:
        rule = "one of " + ", ".join(MOTIONS)
        raise GeometryError(f"{where}: " + invalid("motion", motion, rule))
    if entry.get("velocity_table") is not None:
        try:
            rows = table_rows(entry["velocity_table"], VELOCITY_COLUMNS, where)
            table = velocity_table(rows, where)
        except InputError as error:
            raise GeometryError(error.faults) from error
    return SourceMotion(
        name=str(entry["name"]),
        axis=_three(entry["axis"]),
        centre=_three(entry["centre"]),
        piston_surfaces=tuple(entry["piston_surfaces"]),
        taper_surfaces=tuple(entry["taper_surfaces"]),
        inner_radius_m=float(entry["inner_radius_m"]),
        outer_radius_m=float(entry["outer_radius_m"]),
        motion=motion,
        table=table,
    )


def _three(values: Sequence[float]) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in values)
    return x, y, z
