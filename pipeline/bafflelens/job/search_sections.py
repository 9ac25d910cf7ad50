# SPDX-License-Identifier: GPL-3.0-or-later
"""Sections for the search: how candidates are made, looked at first, varied and carved."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal, Self

from pydantic import BeforeValidator, Field, PlainValidator, model_validator

from bafflelens.job.section_base import JobSection, Texts, as_tuple, is_number, refuse
from bafflelens.job.shape_sections import flat_items, with_parameters

SAMPLED_PLANS: Final = ("low-discrepancy", "random", "directed")
"""Search plans that make as many candidates as the job says."""

_LARGEST_TOLERANCE: Final = 20.0  # mm or degrees
_GUESS_RULE: Final = "tables [[search.guesses]] of numbers, by physical part"


def _parse_tolerance(value: object) -> float:
    if not is_number(value) or not 0 < value <= _LARGEST_TOLERANCE:  # type: ignore[operator]
        refuse(f"a number above 0, at most {_LARGEST_TOLERANCE:g}")
    return float(value)  # type: ignore[arg-type]


class RobustnessSection(JobSection):
    """``[robustness]``: small changes of the best shapes; tolerances as tables by part."""

    leaders: int = Field(default=2, ge=0, le=20)
    tolerance_mm: float = Field(default=1.0, ge=0.01, le=_LARGEST_TOLERANCE)
    tolerance_deg: float = Field(default=1.0, ge=0.01, le=_LARGEST_TOLERANCE)
    parameters: dict[str, Annotated[Any, PlainValidator(_parse_tolerance)]] = Field(
        default_factory=dict, json_schema_extra={"rule": "tables by physical part"}
    )

    @model_validator(mode="before")
    @classmethod
    def _flatten_parts(cls, table: object) -> object:
        """Turn ``{"lens": {"depth_mm": 0.5}}`` into ``{"lens.depth_mm": 0.5}``."""
        return with_parameters(cls, table)


def _parse_guess(value: object) -> dict[str, float]:
    if not isinstance(value, dict) or not value:
        refuse(_GUESS_RULE)
    found = dict(flat_items(value))
    if not all(is_number(number) for number in found.values()):
        refuse(_GUESS_RULE)
    return {key: float(number) for key, number in found.items()}  # type: ignore[arg-type]


class SearchSection(JobSection):
    """``[search]``: how candidates are made."""

    plan: Literal["low-discrepancy", "random", "directed", "grid", "list"] = "low-discrepancy"
    candidates: int | None = Field(default=None, ge=1, le=100_000)
    seed: int | None = Field(default=None, ge=0, le=2**31 - 1)
    aim: Literal["score", "trade-off"] | None = None
    at_once: int | None = Field(default=None, ge=1, le=1000)
    constraints: Texts = Field(
        default=(), json_schema_extra={"rule": "a list of texts, each a comparison of parameters"}
    )
    guesses: Annotated[
        tuple[Annotated[Any, PlainValidator(_parse_guess)], ...], BeforeValidator(as_tuple)
    ] = Field(default=(), json_schema_extra={"rule": _GUESS_RULE})
    start_from: Texts = Field(
        default=(), json_schema_extra={"rule": "a list of run folders, relative to the job file"}
    )
    start_best: int = Field(default=3, ge=1, le=100)

    @property
    def is_sampled(self) -> bool:
        """Whether so many candidates are made as the job says."""
        return self.plan in SAMPLED_PLANS

    @property
    def is_directed(self) -> bool:
        """Whether candidates follow from what was solved before."""
        return self.plan == "directed"


class FirstLookSection(JobSection):
    """``[first_look]``: all candidates as drafts first, only the promising in full."""

    per_octave: Literal[3, 6, 12, 24] = 3
    keep_pct: float = Field(default=33.0, ge=1, le=100)
    margin_db: float = Field(default=0.3, ge=0, le=20)


class FinalistsSection(JobSection):
    """``[finalists]``: the best, solved once more at a better quality."""

    count: int = Field(default=0, ge=0, le=20)
    better_quality: Literal["standard", "fine"] = "fine"


def _parse_places(length: int, rule: str) -> BeforeValidator:
    """Let a list of lists of so many numbers pass as tuples."""

    def parsed(value: object) -> object:
        rows = value if isinstance(value, list | tuple) else ()
        good = isinstance(value, list | tuple) and all(
            isinstance(row, list | tuple) and len(row) == length and all(map(is_number, row))
            for row in rows
        )
        return tuple(tuple(map(float, row)) for row in rows) if good else refuse(rule)

    return BeforeValidator(parsed)


_SCREWS_RULE: Final = "a list of [y, z, diameter], in mm"
_BOXES_RULE: Final = "a list of [y, z, y, z] of two corners, in mm"


class CarveSection(JobSection):
    """``[carve]``: shapes that carve themselves down the slope of the score, within limits."""

    leaders: int = Field(default=0, ge=0, le=20)
    steps: int = Field(default=15, ge=1, le=200)
    aim_db: float = Field(default=0.0, ge=0, le=50)
    quieter_than_baseline: bool = False
    quieter_from_hz: float | None = Field(default=None, ge=200, le=20_000)
    quieter_to_hz: float | None = Field(default=None, ge=200, le=20_000)
    surfaces: Texts = Field(
        default=("lens", "waveguide", "faceplate", "baffle"),
        min_length=1,
        json_schema_extra={"rule": "a list of names of surfaces"},
    )
    outward_mm: float = Field(default=8.0, ge=0, le=100)
    inward_mm: float = Field(default=8.0, ge=0, le=200)
    radius_mm: float = Field(default=10.0, ge=1, le=200)
    mirror: bool = True
    driver_mm: float = Field(default=3.0, ge=0, le=100)
    dome_clearance_mm: float = Field(default=3.0, ge=0, le=100)
    edge_mm: float = Field(default=10.0, ge=0, le=200)
    screws_mm: Annotated[
        tuple[tuple[float, float, float], ...], _parse_places(3, _SCREWS_RULE)
    ] = Field(default=(), json_schema_extra={"rule": _SCREWS_RULE})
    boxes_mm: Annotated[
        tuple[tuple[float, float, float, float], ...], _parse_places(4, _BOXES_RULE)
    ] = Field(default=(), json_schema_extra={"rule": _BOXES_RULE})
    reach_mm: float | None = Field(default=None, ge=10, le=2000)
    wall_mm: float = Field(default=5.0, ge=0.1, le=100)
    material_mm: float | None = Field(default=None, ge=1, le=1000)

    @model_validator(mode="after")
    def _can_move(self) -> Self:
        if not self.outward_mm and not self.inward_mm:
            refuse("one with outward_mm or inward_mm above 0")
        if self.material_mm is not None and self.wall_mm >= self.material_mm:
            refuse("one whose wall_mm is below its material_mm")
        low, high = self.quieter_from_hz, self.quieter_to_hz
        if low is not None and high is not None and low >= high:
            refuse("one whose quieter_from_hz is below its quieter_to_hz")
        return self

    @property
    def limits_text(self) -> str:
        """All that says what may be carved, so that a carving can go on within the same."""
        kept = self.model_dump(exclude={"leaders", "steps", "aim_db"})
        kept["radius of"] = "the finished surface"  # once that of what was added or taken
        return ", ".join(f"{key} = {value}" for key, value in kept.items())
