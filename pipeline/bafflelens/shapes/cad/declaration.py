# SPDX-License-Identifier: GPL-3.0-or-later
"""Declarations: TOML files that say what a CAD file or a scanned model is, in place of a script.

A shape need not be a script. A declaration names a STEP file and says which of its faces are
dome, lens and so on and what moves; or it names the nominal shape of a clay model and how far
the clay deviates from it (``bafflelens scan`` writes that one). Files that a declaration names
lie beside it, so that a folder can be moved or copied as it is. Keys: ``geometries/README.md``.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self, cast

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from bafflelens.base.errors import GeometryError, invalid
from bafflelens.base.reading import file_beside, read_toml, shown
from bafflelens.mesh.surface_names import SURFACE_KINDS, surface_kind

UNITS_M: Final = {"mm": 1e-3, "cm": 1e-2, "m": 1.0, "inch": 0.0254}
"""Units of length by the name that files and options use, in m."""

_FARTHEST: Final = 1e6
_POINT_RULE: Final = f"three numbers [x, y, z], none beyond {_FARTHEST:g}"
_NAMES_RULE: Final = "a list of names of surfaces"
_MM: Final = 1e-3


def _as_tuple(value: object) -> object:
    """Let lists of TOML, also nested ones, pass as tuples of floats."""
    if isinstance(value, list):
        return tuple(_as_tuple(item) for item in value)
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value


_Length = Annotated[float, Field(ge=-_FARTHEST, le=_FARTHEST)]
Triple = Annotated[tuple[_Length, _Length, _Length], BeforeValidator(_as_tuple)]
_Words = Annotated[tuple[str, ...], BeforeValidator(_as_tuple)]


def _as_names(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


def _rule(text: str) -> dict[str, Any]:
    return {"rule": text}


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class Placement(_Table):
    """``[placement]``: how the file's frame lies in the reference frame.

    Attributes
    ----------
    origin_mm : tuple of 3 floats
        The point of the file that is the origin of the reference frame, in mm.
    forward, up : tuple of 3 floats
        Directions in the file's frame.
    """

    origin_mm: Triple = Field(default=(0.0, 0.0, 0.0), json_schema_extra=_rule(_POINT_RULE))
    forward: Triple = Field(default=(1.0, 0.0, 0.0), json_schema_extra=_rule(_POINT_RULE))
    up: Triple = Field(default=(0.0, 0.0, 1.0), json_schema_extra=_rule(_POINT_RULE))


class FaceList(_Table):
    """One entry of ``[surfaces]``: the faces of a surface, by name or by points on them."""

    named: _Words = Field(default=(), json_schema_extra=_rule("a list of names of faces"))
    points_mm: Annotated[tuple[Triple, ...], BeforeValidator(_as_tuple)] = Field(
        default=(), json_schema_extra=_rule("a list of points [x, y, z], one on each face")
    )

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not self.named and not self.points_mm:
            kind = "rule"
            rule = "'named' or 'points_mm' with at least one entry"
            raise PydanticCustomError(kind, "{rule}", {"rule": rule})
        return self


class Driver(_Table):
    """One of ``[[sources]]``: what moves, as in the result of a script's ``sources()``."""

    name: str = Field(min_length=1, json_schema_extra=_rule("a name such as tweeter"))
    axis: Triple = Field(json_schema_extra=_rule(_POINT_RULE))
    centre_mm: Triple = Field(json_schema_extra=_rule(_POINT_RULE))
    piston_surfaces: _Words = Field(json_schema_extra=_rule(_NAMES_RULE))
    taper_surfaces: _Words = Field(default=(), json_schema_extra=_rule(_NAMES_RULE))
    inner_radius_mm: float = Field(gt=0, json_schema_extra=_rule("a radius over 0 mm"))
    outer_radius_mm: float = Field(gt=0, json_schema_extra=_rule("a radius over 0 mm"))


class ImportedSolid(_Table):
    """The declaration of a solid in a STEP file; coordinates are those of the file, in mm."""

    title: str = Field(min_length=1, json_schema_extra=_rule("a line that says what it is"))
    step: str = Field(min_length=1, json_schema_extra=_rule("a STEP file beside this one"))
    unit: str | None = Field(default=None, json_schema_extra=_rule("one of " + ", ".join(UNITS_M)))
    other_faces: str | None = Field(
        default=None, json_schema_extra=_rule("the name of a surface for all other faces")
    )
    placement: Placement = Placement()
    surfaces: dict[str, FaceList] = Field(json_schema_extra=_rule("a section [surfaces]"))
    sources: Annotated[tuple[Driver, ...], BeforeValidator(_as_tuple)] = Field(
        min_length=1, json_schema_extra=_rule("at least one table [[sources]]")
    )


class Regions(_Table):
    """One entry of ``[surfaces]`` of a mesh: the regions of the file that are this surface."""

    regions: _Words = Field(min_length=1, json_schema_extra=_rule("a list of names of regions"))


class MeshedBody(_Table):
    """The declaration of a closed triangle mesh; coordinates in mm are those of the file."""

    title: str = Field(min_length=1, json_schema_extra=_rule("a line that says what it is"))
    mesh: str = Field(min_length=1, json_schema_extra=_rule("a mesh file beside this one"))
    unit: str = Field(json_schema_extra=_rule("one of " + ", ".join(UNITS_M)))
    placement: Placement = Placement()
    surfaces: dict[str, Regions] = Field(
        default_factory=dict, json_schema_extra=_rule("a section [surfaces]")
    )
    sources: Annotated[tuple[Driver, ...], BeforeValidator(_as_tuple)] = Field(
        min_length=1, json_schema_extra=_rule("at least one table [[sources]]")
    )


class ScannedSolid(_Table):
    """The declaration of a clay model: a nominal shape and how far the clay deviates from it."""

    title: str = Field(min_length=1, json_schema_extra=_rule("a line that says what it is"))
    nominal: str = Field(min_length=1, json_schema_extra=_rule("a geometry script beside it"))
    deviation: str = Field(
        min_length=1, json_schema_extra=_rule("a file that 'bafflelens scan' wrote beside it")
    )
    symmetry: Annotated[tuple[Literal["x", "y", "z"], ...], BeforeValidator(_as_names)] = Field(
        default=(), json_schema_extra=_rule("a list of mirror planes that are kept: x, y, z")
    )
    values: dict[str, float] = Field(
        default_factory=dict, json_schema_extra=_rule("parameters of the nominal shape")
    )


_TABLES: Final[Mapping[str, type[BaseModel]]] = {
    "placement": Placement,
    "surfaces": FaceList,
    "sources": Driver,
}
Declaration = ImportedSolid | MeshedBody | ScannedSolid
_MODELS: Final[Mapping[str, type[BaseModel]]] = {
    "step": ImportedSolid,
    "mesh": MeshedBody,
    "deviation": ScannedSolid,
}


def is_declaration(path: Path) -> bool:
    """Return whether a shape is given by a declaration rather than a script."""
    return path.suffix.lower() == ".toml"


def read_declaration(path: Path) -> Declaration:
    """Read a declaration and check all that can be told from its text.

    Raises
    ------
    GeometryError
        With every fault found, one line each.
    """
    table = read_toml(path, "declaration", GeometryError)
    given = [key for key in _MODELS if key in table]
    if len(given) != 1:
        rule = (
            "one that has the key 'step' (a CAD file), 'mesh' (a triangle mesh) or "
            "'deviation' (a scanned model)"
        )
        raise GeometryError(invalid("declaration", path, rule))
    model = _MODELS[given[0]]
    tables: dict[str, type[BaseModel]] = dict(_TABLES)
    if model is MeshedBody:
        tables["surfaces"] = Regions
    try:
        declaration = cast(Declaration, model.model_validate(table))
    except ValidationError as error:
        faults = [f"{path}: {_described(model, tables, dict(fault))}" for fault in error.errors()]
        raise GeometryError(faults) from error
    faults = [f"{path}: {fault}" for fault in _faults(path, declaration)]
    if faults:
        raise GeometryError(faults)
    return declaration


def companions(path: Path, declaration: Declaration) -> tuple[Path, ...]:
    """Return the files beside a declaration that it needs."""
    return tuple(path.parent / name for name in _files_named(declaration))


def _files_named(declaration: Declaration) -> tuple[str, ...]:
    if isinstance(declaration, ImportedSolid):
        return (declaration.step,)
    if isinstance(declaration, MeshedBody):
        return (declaration.mesh,)
    return (declaration.nominal, declaration.deviation)


def nearest_of(word: str, known: Iterable[str]) -> str:
    """Return a rule that names the nearest of the valid words, or all if none is near.

    Examples
    --------
    >>> nearest_of("lense", ["dome", "lens"])
    "one of dome, lens; the nearest is 'lens'"
    """
    words = [other for other in known if other]
    near = difflib.get_close_matches(word.lower(), [w.lower() for w in words], n=1, cutoff=0.5)
    rule = "one of " + ", ".join(words)
    if not near:
        return rule
    return f"{rule}; the nearest is '{next(w for w in words if w.lower() == near[0])}'"


def _described(
    model: type[BaseModel], tables: Mapping[str, type[BaseModel]], fault: Mapping[str, Any]
) -> str:
    """Return one fault of a model in the project's grammar."""
    location = list(fault["loc"])
    field: FieldInfo | None = None
    owner = model
    for part in location:
        if part in owner.model_fields:
            field = owner.model_fields[str(part)]
            owner = tables.get(str(part), owner)
    name = ".".join(str(part) for part in location if not isinstance(part, int))
    if fault["type"] == "extra_forbidden":
        return invalid("key", name, nearest_of(str(location[-1]), owner.model_fields))
    rule = fault["msg"] if fault["type"] == "rule" else None
    if rule is None:
        extra = field.json_schema_extra if field is not None else None
        rule = str(extra["rule"]) if isinstance(extra, dict) else "given as described"
    if fault["type"] == "missing":
        return f"Missing key '{name}'. Must be {rule}."
    return invalid(f"key '{name}'", shown(fault["input"]), rule)


def _faults(path: Path, declaration: Declaration) -> Iterable[str]:
    """Yield what is wrong beyond single keys."""
    for name in _files_named(declaration):
        file = file_beside(path.parent, name)
        if file is None:
            rule = "a file name without folders: it lies beside this file"
            yield invalid("file", shown(name), rule)
        elif not file.is_file():
            yield invalid("file", name, f"a file in the folder of {path.name}")
    if isinstance(declaration, ScannedSolid):
        return
    if declaration.unit is not None and declaration.unit not in UNITS_M:
        yield invalid("key 'unit'", declaration.unit, nearest_of(declaration.unit, UNITS_M))
    names = list(declaration.surfaces)
    if isinstance(declaration, ImportedSolid):
        names += filter(None, [declaration.other_faces])
    for name in names:
        if not surface_kind(name):
            yield invalid("surface", name, nearest_of(name, SURFACE_KINDS))
    yield from _source_faults(declaration.sources, names)
    forward, up = declaration.placement.forward, declaration.placement.up
    along = sum(a * b for a, b in zip(forward, up, strict=True))
    lengths = sum(a * a for a in forward) * sum(a * a for a in up)
    if lengths < 1e-12 or along**2 > 1e-6 * lengths:
        rule = "two directions at right angles"
        yield invalid("placement", f"forward {list(forward)}, up {list(up)}", rule)


def _source_faults(sources: Iterable[Driver], names: list[str]) -> Iterable[str]:
    """Yield what is wrong with the sources; without names the file says which surfaces it has."""
    for driver in sources:
        for name in (*driver.piston_surfaces, *driver.taper_surfaces):
            if names and name not in names:
                what = f"surface of source '{driver.name}'"
                yield invalid(what, name, nearest_of(name, names))
        if sum(value**2 for value in driver.axis) < 1e-12:
            what = f"axis of source '{driver.name}'"
            yield invalid(what, driver.axis, "a direction that is not zero")
        if driver.taper_surfaces and driver.outer_radius_mm <= driver.inner_radius_mm:
            what = f"outer radius of source '{driver.name}'"
            rule = f"over the inner radius, {driver.inner_radius_mm:g} mm"
            yield invalid(what, f"{driver.outer_radius_mm:g} mm", rule)
