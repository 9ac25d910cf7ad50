# SPDX-License-Identifier: GPL-3.0-or-later
"""Parameters of a shape: what its script says of them, and whether given values keep to it."""

from __future__ import annotations

import dataclasses
import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from bafflelens.base.errors import GeometryError, invalid
from bafflelens.shapes.meshing.shape_script import (
    ShapeScript,
    call_script,
    companions_of,
    resolved_by,
)


@dataclass(frozen=True, kw_only=True)
class Parameter:
    """One number that a shape can be given.

    Attributes
    ----------
    key : str
        Part and name, for instance ``lens.opening_height_mm``.
    unit : str
        ``mm``, ``deg`` ..., as at the end of the key.
    default, low, high : float
        Default and range, in that unit.
    help : str
        What it is, in a few words.
    """

    key: str
    unit: str
    default: float
    low: float
    high: float
    help: str


@dataclass(frozen=True, kw_only=True)
class Shape:
    """What a geometry script offers.

    Attributes
    ----------
    script : Path
        The script.
    name : str
        Its file name without ending.
    summary : str
        First line of its docstring.
    symmetry : tuple of {"x", "y", "z"}
        Planes of mirror symmetry; only the half on the positive side is meshed.
    parameters : tuple of Parameter
        All parameters, grouped by part in the script's order.
    companions : tuple of Path
        Files beside the script that it cannot do without.
    """

    script: Path
    name: str
    summary: str
    symmetry: tuple[str, ...]
    parameters: tuple[Parameter, ...]
    companions: tuple[Path, ...] = ()

    @property
    def defaults(self) -> dict[str, float]:
        """Default value of every parameter by key."""
        return {parameter.key: parameter.default for parameter in self.parameters}


def shape_of(module: ShapeScript, script: Path) -> Shape:
    """List what a loaded script offers.

    Raises
    ------
    GeometryError
        If a piece is not what it must be.
    """
    symmetry = module.SYMMETRY
    if not isinstance(symmetry, tuple) or not set(symmetry) <= {"x", "y", "z"}:
        rule = "a tuple of 'x', 'y', 'z', such as ('y',) or ()"
        raise GeometryError(f"{script}: " + invalid("SYMMETRY", symmetry, rule))
    summary = (module.__doc__ or "").strip().split("\n")[0]
    if not summary:
        rule = "a line that says what the shape is"
        raise GeometryError(f"{script}: " + invalid("docstring", "", rule))
    return Shape(
        script=script,
        name=script.stem,
        summary=summary,
        symmetry=symmetry,
        parameters=parameters_of(module, script),
        companions=companions_of(module),
    )


def broken_rules(module: ShapeScript, shape: Shape, values: Mapping[str, float]) -> list[str]:
    """Return the rules of a script that values break, one line each; they must be in range.

    Raises
    ------
    GeometryError
        If the script raises; or if nothing is broken and it does not say what values resolve to.
    """
    faults = call_script(shape.script, module.check, fill_parameters(module, values))
    if not faults:
        resolved_values(module, shape, values)  # else a report would be the first to find out
    return [str(fault) for fault in faults]


def resolved_values(
    module: ShapeScript, shape: Shape, values: Mapping[str, float]
) -> dict[str, float]:
    """Return what a person should read of a shape: the value of everything that is there.

    Parameters
    ----------
    module : module
        The loaded script.
    shape : Shape
        What it offers.
    values : mapping of str to float
        Values by key that break no rule; a parameter that is left out has its default.

    Returns
    -------
    dict of str to float
        By key, in the script's order: what is built where a value stands for another one ("as
        above"), nothing where the part is not there. As given if the script has no ``resolved``.

    Raises
    ------
    GeometryError
        If ``resolved`` raises, or returns something else than numbers by key.
    """
    stated = call_script(shape.script, resolved_by, module, fill_parameters(module, values))
    where = f"{shape.script}, resolved(): "
    if not isinstance(stated, Mapping):
        rule = "a dict from key to number or None"
        raise GeometryError(where + invalid("result", type(stated).__name__, rule))
    given: dict[str, float | None] = {**shape.defaults}
    given |= {key: float(value) for key, value in values.items() if key in given}
    for key, value in stated.items():
        if key not in given:
            rule = f"a parameter of {shape.name}"
            raise GeometryError(where + invalid("key", key, rule))
        if value is not None and not _is_finite(value):
            rule = "a finite number, or None for what is not there"
            raise GeometryError(where + invalid(f"value of '{key}'", value, rule))
        given[key] = value if value is None else float(value)
    return {key: value for key, value in given.items() if value is not None}


def _is_finite(value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, (int, float, np.number)):
        return False
    return math.isfinite(value)


def value_faults(shape: Shape, values: Mapping[str, float]) -> list[str]:
    """Return unknown keys (the nearest one suggested), and values out of range or no numbers."""
    known = {parameter.key: parameter for parameter in shape.parameters}
    faults = []
    for key, value in values.items():
        if key not in known:
            nearest = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
            choice = f"perhaps '{nearest[0]}'" if nearest else "one of " + ", ".join(known)
            faults.append(invalid("parameter", key, f"a parameter of {shape.name}: {choice}"))
            continue
        parameter = known[key]
        rule = f"from {parameter.low:g} to {parameter.high:g} {parameter.unit}"
        if isinstance(value, bool) or not isinstance(value, (int, float, np.number)):
            faults.append(invalid(f"parameter '{key}'", value, f"a number {rule}"))
        elif not parameter.low <= value <= parameter.high:
            faults.append(invalid(f"parameter '{key}'", f"{value:g} {parameter.unit}", rule))
    return faults


def fill_parameters(module: ShapeScript, values: Mapping[str, float]) -> Any:
    """Return the script's ``Parameters`` with values filled in by key.

    Parameters
    ----------
    module : module
        A loaded script.
    values : mapping of str to float
        Values by key; a parameter that is left out has its default.
    """

    def filled(part: Any, prefix: str) -> Any:
        changes: dict[str, Any] = {}
        for field in dataclasses.fields(part):
            current = getattr(part, field.name)
            key = prefix + field.name
            if dataclasses.is_dataclass(current):
                changes[field.name] = filled(current, key + ".")
            elif key in values:
                changes[field.name] = float(values[key])
        return dataclasses.replace(part, **changes)

    return filled(module.Parameters(), "")


def parameters_of(module: ShapeScript, script: Path) -> tuple[Parameter, ...]:
    """Return all leaf fields of a script's ``Parameters``."""

    def leaves(part: Any, prefix: str) -> list[Parameter]:
        found = []
        for field in dataclasses.fields(part):
            value = getattr(part, field.name)
            key = prefix + field.name
            if dataclasses.is_dataclass(value):
                found += leaves(value, key + ".")
                continue
            try:
                low, high = (float(bound) for bound in field.metadata["range"])
                unit = str(field.metadata["unit"])
                text = str(field.metadata["help"])
                default = float(value)
            except (KeyError, TypeError, ValueError) as error:
                rule = "a number with metadata 'unit', 'range' (low, high) and 'help'"
                msg = f"{script}: {invalid('parameter', key, rule)}"
                raise GeometryError(msg) from error
            if not low <= default <= high:
                rule = f"in its own range, {low:g} to {high:g} {unit}"
                msg = f"{script}: {invalid(f'default of {key!r}', f'{default:g}', rule)}"
                raise GeometryError(msg)
            found.append(
                Parameter(key=key, unit=unit, default=default, low=low, high=high, help=text)
            )
        return found

    parameters = call_script(script, module.Parameters)
    if not dataclasses.is_dataclass(parameters):
        rule = "a dataclass"
        msg = f"{script}: {invalid('piece', 'Parameters', rule)}"
        raise GeometryError(msg)
    return tuple(leaves(parameters, ""))
