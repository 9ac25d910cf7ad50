# SPDX-License-Identifier: GPL-3.0-or-later
"""What the sections of a job file share: how they are checked, and how a fault is told."""

from __future__ import annotations

import math
from typing import Annotated, Final, NoReturn, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, model_validator
from pydantic_core import PydanticCustomError


def is_number(value: object) -> bool:
    """Return whether a value of TOML is a finite number; true and false are none."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def refuse(rule: str) -> NoReturn:
    """Raise pydantic's own error, so that the fault is collected with all others."""
    kind = "rule"
    raise PydanticCustomError(kind, "{rule}", {"rule": rule})


def as_tuple(value: object) -> object:
    """Let a list of TOML pass as the tuple that frozen models hold."""
    return tuple(value) if isinstance(value, list) else value


Numbers = Annotated[tuple[float, ...], BeforeValidator(as_tuple)]
Texts = Annotated[tuple[str, ...], BeforeValidator(as_tuple)]
TABLE_RULE: Final = "the path of a text file, relative to the job file"
FILE_RULE: Final = "the path of a text file, relative to the job file: Hz, {}, degrees"


class JobSection(BaseModel):
    """A table of a job file: of exact types, without unknown keys, unchanging."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class BandSection(JobSection):
    """A section with a lowest and a highest frequency."""

    @model_validator(mode="after")
    def _rising(self) -> Self:
        low, high = self.from_hz, self.to_hz  # type: ignore[attr-defined]
        if not low < high:
            refuse(f"a band whose 'from_hz' ({low:g}) is below its 'to_hz' ({high:g})")
        return self
