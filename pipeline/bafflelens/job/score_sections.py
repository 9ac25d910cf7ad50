# SPDX-License-Identifier: GPL-3.0-or-later
"""Sections for the score: the room, the target in it, and what each demand weighs."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator, Field, PlainValidator

from bafflelens.job.section_base import (
    BandSection,
    JobSection,
    Numbers,
    as_tuple,
    is_number,
    refuse,
)
from bafflelens.scoring.score import TERM_NAMES, ScoreSettings, TermSettings
from bafflelens.scoring.target import Limit, Room, Target, ambitious_target, default_target

ABSORPTION_OCTAVES: Final = 7
"""Absorption is given at 125, 250, 500 Hz, 1, 2, 4 and 8 kHz."""

_LIST_RULE: Final = "a list of numbers, one a frequency"
_HZ_LIST_RULE: Final = "a list of at least two rising numbers in Hz"


class RoomSection(JobSection):
    """``[room]``: where loudspeaker and listener are, which gives the bounces' angles."""

    distance_m: float = Field(default=3.0, ge=0.5, le=20)
    nearest_m: float | None = Field(default=None, ge=0.5, le=20)
    farthest_m: float | None = Field(default=None, ge=0.5, le=20)
    ear_height_m: float = Field(default=1.0, ge=0.2, le=5)
    tweeter_height_m: float = Field(default=1.0, ge=0.1, le=5)
    ceiling_height_m: float = Field(default=2.5, ge=1.0, le=20)
    side_wall_m: float = Field(default=1.0, ge=0.05, le=20)
    seat_aside_m: float = Field(default=0.0, ge=0, le=10)
    toe_in_deg: float = Field(default=0.0, ge=-45, le=45)

    @property
    def room(self) -> Room:
        """The room that the target is made for."""
        return Room(**self.model_dump())


_ABSORPTION_RULE: Final = "a list of seven numbers from 0.01 to 0.99, one an octave"


def _parse_absorption(value: object) -> tuple[float, ...]:
    if not isinstance(value, list | tuple) or len(value) != ABSORPTION_OCTAVES:
        refuse(_ABSORPTION_RULE)
    if not all(is_number(number) and 0.01 <= number <= 0.99 for number in value):
        refuse(_ABSORPTION_RULE)
    return tuple(float(number) for number in value)


def _absorption(*default: float) -> Any:
    return Field(default=default, json_schema_extra={"rule": _ABSORPTION_RULE})


_Octaves = Annotated[Any, PlainValidator(_parse_absorption)]


class AbsorptionSection(JobSection):
    """``[listening.absorption]``: coefficients of the room's surfaces at 125 Hz to 8 kHz.

    The defaults are a furnished room with a carpet: common practice, no source.
    """

    floor: _Octaves = _absorption(0.08, 0.1, 0.2, 0.35, 0.45, 0.5, 0.55)
    ceiling: _Octaves = _absorption(0.15, 0.12, 0.1, 0.08, 0.08, 0.08, 0.08)
    front_wall: _Octaves = _absorption(0.2, 0.15, 0.12, 0.12, 0.12, 0.12, 0.12)
    rear_wall: _Octaves = _absorption(0.2, 0.2, 0.25, 0.3, 0.3, 0.3, 0.3)
    side_walls: _Octaves = _absorption(0.2, 0.15, 0.12, 0.12, 0.12, 0.12, 0.12)


class ListeningSection(JobSection):
    """``[listening]``: the rest of the room, for what ``bafflelens listen`` makes heard."""

    front_wall_m: float = Field(default=1.0, ge=0.1, le=20)
    rear_wall_m: float = Field(default=1.5, ge=0.2, le=20)
    other_wall_m: float | None = Field(default=None, ge=0.2, le=40)
    images_ms: float = Field(default=50.0, ge=15, le=80)
    crossover: Literal["same", "each its best"] = "same"
    absorption: AbsorptionSection = AbsorptionSection()


class BounceSection(JobSection):
    """``[target.floor]`` and ``[target.ceiling]``: the highest level allowed at a bounce.

    What is left out stays as the room gives it: the angle, or the levels over frequency.
    """

    angle_deg: float | None = Field(default=None, ge=-90, le=90)
    frequencies_hz: Numbers = Field(default=(), json_schema_extra={"rule": _HZ_LIST_RULE})
    levels_db: Numbers = Field(default=(), json_schema_extra={"rule": _LIST_RULE})
    weights: Numbers = Field(default=(), json_schema_extra={"rule": _LIST_RULE})

    def limit(self, default: Limit) -> Limit:
        """Return the limit: the default with what is given here."""
        changed: dict[str, Any] = {}
        if self.angle_deg is not None:  # one angle, whatever the seats
            changed |= {"angle_deg": self.angle_deg, "more_angles_deg": ()}
        if self.frequencies_hz or self.levels_db or self.weights:
            changed |= {
                "frequencies_hz": self.frequencies_hz or default.frequencies_hz,
                "levels_db": self.levels_db or default.levels_db,
                "weights": self.weights,
            }
        return replace(default, **changed)


class SideSection(JobSection):
    """``[[target.horizontal]]`` and ``[[target.seat]]``: the lowest level wanted at an angle."""

    angle_deg: float = Field(ge=1, le=175)
    frequencies_hz: Numbers = Field(json_schema_extra={"rule": _HZ_LIST_RULE})
    levels_db: Numbers = Field(json_schema_extra={"rule": _LIST_RULE})
    weights: Numbers = Field(default=(), json_schema_extra={"rule": _LIST_RULE})

    @property
    def limit(self) -> Limit:
        """The limit."""
        return Limit(**self.model_dump())


class TargetSection(JobSection):
    """``[target]``: what is given here replaces that part of the target of its kind."""

    kind: Literal["usual", "ambitious"] = "usual"
    floor: BounceSection | None = None
    ceiling: BounceSection | None = None
    horizontal: Annotated[tuple[SideSection, ...], BeforeValidator(as_tuple)] = ()
    seat: Annotated[tuple[SideSection, ...], BeforeValidator(as_tuple)] = ()

    def target(self, room: Room) -> Target:
        """Return the target for a room."""
        target = ambitious_target(room) if self.kind == "ambitious" else default_target(room)
        if self.floor is not None:
            target = replace(target, floor=self.floor.limit(target.floor))
        if self.ceiling is not None:
            target = replace(target, ceiling=self.ceiling.limit(target.ceiling))
        if self.horizontal:
            target = replace(target, horizontal=tuple(side.limit for side in self.horizontal))
        if self.seat:
            target = replace(target, seat=tuple(side.limit for side in self.seat))
        return target


class DemandSection(JobSection):
    """``[score.vertical_control]`` ...: how a demand of the target counts."""

    weight: float = Field(default=1.0, ge=0, le=100)
    tolerance_db: float = Field(default=0.0, ge=0, le=20)


class SideEffectSection(JobSection):
    """``[score.on_axis_ripple]`` ...: how a side effect counts."""

    weight: float = Field(default=0.5, ge=0, le=100)
    tolerance_db: float = Field(default=0.5, ge=0, le=20)


class SmallSideEffectSection(JobSection):
    """``[score.side_lobes]`` ...: how a side effect counts that most cabinets have a little of."""

    weight: float = Field(default=0.25, ge=0, le=100)
    tolerance_db: float = Field(default=1.0, ge=0, le=20)


class NullSection(JobSection):
    """``[score.window_nulls]``: how nulls count; a dip of 2 dB is none yet."""

    weight: float = Field(default=0.5, ge=0, le=100)
    tolerance_db: float = Field(default=2.0, ge=0, le=20)


class ScoreSection(BandSection):
    """``[score]``: what the score weighs, and over which band."""

    from_hz: float = Field(default=2000.0, ge=50, le=40_000)
    to_hz: float = Field(default=12_000.0, ge=50, le=40_000)
    path_difference_m: float = Field(default=0.15, ge=0.01, le=2)
    domes: Literal["rigid", "mean", "mean-and-spread"] = "rigid"
    vertical_control: DemandSection = DemandSection()
    horizontal_width: DemandSection = DemandSection()
    seat_height: DemandSection = DemandSection()
    on_axis_ripple: SideEffectSection = SideEffectSection()
    width_smoothness: SideEffectSection = SideEffectSection()
    index_smoothness: SideEffectSection = SideEffectSection()
    up_down_symmetry: SmallSideEffectSection = SmallSideEffectSection()
    side_lobes: SmallSideEffectSection = SmallSideEffectSection()
    window_nulls: NullSection = NullSection()
    sensitivity_loss: SmallSideEffectSection = SmallSideEffectSection()

    @property
    def settings(self) -> ScoreSettings:
        """The settings that the score takes."""
        content = self.model_dump(exclude={"domes"})  # how scores are put together, not made
        terms: dict[str, Any] = {name: TermSettings(**content.pop(name)) for name in TERM_NAMES}
        return ScoreSettings(**content, **terms)
