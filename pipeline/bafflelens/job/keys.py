# SPDX-License-Identifier: GPL-3.0-or-later
"""The keys of a job file as a person sees them: name, unit, default, and what each must be.

All follow from the fields of `bafflelens.job.sections.Job`, so that the models, the error messages
and ``jobs/README.md`` cannot disagree.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final, Literal, get_args, get_origin

import annotated_types
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from bafflelens.job.sections import Job

UNITS: Final = {
    "_mm": "mm",
    "_m": "m",
    "_deg": "degrees",
    "_hz": "Hz",
    "_db": "dB",
    "_ms": "ms",
    "_v": "V",
    "_c": "degrees C",
    "_pct": "per cent",
    "_kpa": "kPa",
    "_kpa_s_m2": "kPa s/m^2",
    "_gib": "GiB",
    "_m_s": "m/s",
    "_s": "s",
}
"""The unit of a key, told by its ending."""


NAME: Final = "<name>"
"""Stands in the names of keys for what a job calls a source, a surface or a reference."""

_GATHERED: Final = ("ways", "drivers")
"""Fields that gather the tables named for sources; a job file does not show them."""


@dataclass(frozen=True)
class Key:
    """One key of a job file as a person sees it.

    Attributes
    ----------
    name : str
        Dotted name, ``air.temperature_c``; ``<name>`` stands for one that the user knows.
    unit : str
        Unit, empty where there is none.
    default : object
        The value where the key is left out; None where it has none.
    required : bool
        Whether the key must be given.
    rule : str
        What the value must be, to complete "Must be ...".
    """

    name: str
    unit: str
    default: object
    required: bool
    rule: str


def keys_of(model: type[BaseModel] = Job, prefix: str = "") -> Iterator[Key]:
    """Yield every key of a job file but the parameters of shapes, which their scripts define."""
    for name, field in model.model_fields.items():
        dotted = f"{prefix}{name}"
        section, named = _section_class(field), _named_sections(field)
        if named is not None:
            shown = prefix if name in _GATHERED else f"{dotted}."
            yield from keys_of(named, f"{shown}{NAME}.")
        elif section is not None:
            yield from keys_of(section, f"{dotted}.")
        elif name != "parameters":
            yield Key(
                name=dotted,
                unit=unit_of(name),
                default=None if field.is_required() else field.get_default(),
                required=field.is_required(),
                rule=rule_of(name, field),
            )


def unit_of(name: str) -> str:
    """Return the unit of a key, empty where it has none.

    Examples
    --------
    >>> unit_of("air.temperature_c"), unit_of("search.seed")
    ('degrees C', '')
    """
    return next((unit for ending, unit in UNITS.items() if name.endswith(ending)), "")


def rule_of(name: str, field: FieldInfo) -> str:
    """Return what the value of a key must be, to complete "Must be ..."."""
    if isinstance(field.json_schema_extra, dict) and "rule" in field.json_schema_extra:
        return str(field.json_schema_extra["rule"])
    kinds = [kind for kind in get_args(field.annotation) if kind is not type(None)]
    if get_origin(field.annotation) is Literal:
        return "one of " + ", ".join(str(choice) for choice in kinds)
    kind = kinds[0] if kinds else field.annotation
    if get_origin(kind) is Literal:  # one that may be left out
        return "one of " + ", ".join(str(choice) for choice in get_args(kind))
    if kind is bool:
        return "true or false"
    if kind is str:
        return "text that is not empty" if field.metadata else "text"
    noun = "a whole number" if kind is int else "a number"
    low = next(item.ge for item in field.metadata if isinstance(item, annotated_types.Ge))
    high = next(item.le for item in field.metadata if isinstance(item, annotated_types.Le))
    return f"{noun} from {low:.15g} to {high:.15g} {unit_of(name)}".rstrip()


def field_at(location: Iterable[str | int]) -> FieldInfo | None:
    """Return the field at a place in a job file, None where there is no such key."""
    model: type[BaseModel] | None = Job
    field: FieldInfo | None = None
    names_a_source = False
    for name in location:
        if isinstance(name, int):  # an item of a list has the rule of its list
            continue
        if names_a_source:
            names_a_source = False
            continue
        if model is None or name not in model.model_fields:
            return None
        field = model.model_fields[name]
        named = _named_sections(field)
        names_a_source = named is not None
        model = named or _section_class(field)
    return field


def key_at(location: Iterable[str | int]) -> tuple[str, str]:
    """Return the name of the key at a place in a job file, and what stands for `NAME` in it.

    Examples
    --------
    >>> key_at(("crossover", "ways", "tweeter", "gain_db"))
    ('crossover.tweeter.gain_db', 'tweeter')
    >>> key_at(("surfaces", "felt", "thickness_mm"))
    ('surfaces.felt.thickness_mm', 'felt')
    """
    model: type[BaseModel] | None = Job
    parts, own_name = [], ""
    is_a_name = False
    for name in location:
        if not isinstance(name, str) or name == "parameters":
            continue
        field = model.model_fields.get(name) if model is not None else None
        if is_a_name:
            is_a_name, own_name = False, name
        elif field is None:
            model = None
        else:
            named = _named_sections(field)
            is_a_name = named is not None
            model = named or _section_class(field)
            if is_a_name and name in _GATHERED:
                continue
        parts.append(name)
    return ".".join(parts), own_name


def _named_sections(field: FieldInfo) -> type[BaseModel] | None:
    """Return the class of sections that are named for sources, None if it is no such field."""
    if get_origin(field.annotation) is not dict:
        return None
    kind = get_args(field.annotation)[1]
    return kind if isinstance(kind, type) and issubclass(kind, BaseModel) else None


def _section_class(field: FieldInfo) -> type[BaseModel] | None:
    """Return the class of a section, also of one that may be left out or repeated."""
    for kind in (field.annotation, *get_args(field.annotation)):
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            return kind
    return None
