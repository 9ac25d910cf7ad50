# SPDX-License-Identifier: GPL-3.0-or-later
"""Sections for shapes: a geometry script and settings of its parameters.

Parameters of a shape are grouped by physical part::

    [geometry]
    script = "../geometries/vertical_lens.py"   # beside the job file

    [geometry.lens]
    opening_height_mm = { from = 90, to = 160 } # searched
    lip_radius_mm = 12                          # fixed
    side_angle_deg = [70, 80, 90]               # the values of a grid or a list

Inside the program they are flat: ``lens.opening_height_mm``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Final

from pydantic import BaseModel, Field, PlainValidator, model_validator

from bafflelens.job.section_base import JobSection, is_number, refuse

_SETTING_RULE: Final = "a number, a list of numbers, or { from = number, to = number }"


@dataclass(frozen=True)
class Fixed:
    """A parameter that has one value in every candidate."""

    value: float


@dataclass(frozen=True)
class Span:
    """A parameter that is searched between two values; a grid takes `steps` values of it."""

    low: float
    high: float
    steps: int | None = None


@dataclass(frozen=True)
class Choices:
    """A parameter that takes the listed values."""

    values: tuple[float, ...]


Setting = Fixed | Span | Choices


def _parse_setting(value: object) -> Setting:
    if is_number(value):
        return Fixed(float(value))  # type: ignore[arg-type]
    if isinstance(value, list) and value and all(is_number(item) for item in value):
        return Choices(tuple(float(item) for item in value))
    if not isinstance(value, dict):
        refuse(_SETTING_RULE)
    return _parse_span(value)


def _parse_span(value: Mapping[str, object]) -> Span:
    low, high, steps = value.get("from"), value.get("to"), value.get("steps")
    if set(value) - {"from", "to", "steps"} or not is_number(low) or not is_number(high):
        refuse(_SETTING_RULE)
    if not low < high:  # type: ignore[operator]
        refuse("a range whose 'from' is below its 'to'")
    if steps is not None and (type(steps) is not int or not 2 <= steps <= 1000):
        refuse("a range whose 'steps' is a whole number from 2 to 1000")
    return Span(float(low), float(high), steps)  # type: ignore[arg-type]


class ShapeSection(JobSection):
    """A geometry script and its parameters, given as tables by physical part."""

    script: str = Field(
        min_length=1,
        json_schema_extra={"rule": "the path of a geometry script, relative to the job file"},
    )
    parameters: dict[str, Annotated[Any, PlainValidator(_parse_setting)]] = Field(
        default_factory=dict, json_schema_extra={"rule": "tables by physical part"}
    )

    @model_validator(mode="before")
    @classmethod
    def _flatten_parts(cls, table: object) -> object:
        """Turn ``{"lens": {"depth_mm": 20}}`` into ``{"lens.depth_mm": 20}``."""
        return with_parameters(cls, table)


def with_parameters(model: type[BaseModel], table: object) -> object:
    """Gather what is no key of a section in its field ``parameters``, under flat keys."""
    if not isinstance(table, dict):
        return table
    own = set(model.model_fields) - {"parameters"}
    parts = {key: value for key, value in table.items() if key not in own}
    return {
        **{key: value for key, value in table.items() if key in own},
        "parameters": dict(flat_items(parts)),
    }


def flat_items(parts: Mapping[str, object]) -> Iterable[tuple[str, object]]:
    """Yield every parameter in tables by physical part under its flat key."""
    for part, content in parts.items():
        is_part = isinstance(content, dict) and not {"from", "to"} & set(content)
        if is_part:
            for key, value in content.items():  # type: ignore[attr-defined]
                yield f"{part}.{key}", value
        else:  # a parameter outside its part: the check of names will say where it belongs
            yield part, content


class GeometrySection(ShapeSection):
    """``[geometry]``: the shape that is searched."""


class BaselineSection(ShapeSection):
    """``[baseline]``: the shape that every candidate is compared with.

    It takes over every parameter that it shares with the candidates; others may be given.
    """


class ReferenceSection(ShapeSection):
    """``[references.felt]`` ...: a further baseline; its parameters are as in ``[baseline]``."""


class PlateSection(ShapeSection):
    """``[driver.tweeter.plate]``: the shape that a driver was measured in."""

    source: str = ""
