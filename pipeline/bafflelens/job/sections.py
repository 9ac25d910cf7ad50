# SPDX-License-Identifier: GPL-3.0-or-later
"""What a job says: one class a section of the job file, one field a key.

What a key must be is derived from its field (`rule_of`), so that the models, the error
messages and ``jobs/README.md`` cannot disagree. Reading and checking a file is in
`bafflelens.job.job_file`.

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

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Any, Final, Literal, NoReturn, Self, get_args, get_origin

import annotated_types
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainValidator,
    model_validator,
)
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from bafflelens.base.errors import InputError
from bafflelens.base.medium import Air
from bafflelens.directivity.crossover import Way
from bafflelens.directivity.driver import Driver
from bafflelens.directivity.filters import Filter
from bafflelens.directivity.responses import Response
from bafflelens.mesh.absorbers import Incidence, PorousLayer
from bafflelens.mesh.dome_motions import EFFECTS, KINDS, DomeRanges
from bafflelens.scoring.score import TERM_NAMES, ScoreSettings, TermSettings
from bafflelens.scoring.target import Limit, Room, Target, ambitious_target, default_target

NOMINAL_TOLERANCE: Final = 0.01
"""Rounded names of frequencies (16 kHz for 15,849 Hz) are off by up to this share."""

SAMPLED_PLANS: Final = ("low-discrepancy", "random", "directed")
"""Search plans that make as many candidates as the job says."""

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

ABSORPTION_OCTAVES: Final = 7
"""Absorption is given at 125, 250, 500 Hz, 1, 2, 4 and 8 kHz."""

_LARGEST_TOLERANCE: Final = 20.0  # mm or degrees
_SETTING_RULE: Final = "a number, a list of numbers, or { from = number, to = number }"


# ------------------------------------------------------------- settings of a shape's parameters


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


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _parse_setting(value: object) -> Setting:
    if _is_number(value):
        return Fixed(float(value))  # type: ignore[arg-type]
    if isinstance(value, list) and value and all(_is_number(item) for item in value):
        return Choices(tuple(float(item) for item in value))
    if not isinstance(value, dict):
        _refuse(_SETTING_RULE)
    return _parse_span(value)


def _parse_span(value: Mapping[str, object]) -> Span:
    low, high, steps = value.get("from"), value.get("to"), value.get("steps")
    if set(value) - {"from", "to", "steps"} or not _is_number(low) or not _is_number(high):
        _refuse(_SETTING_RULE)
    if not low < high:  # type: ignore[operator]
        _refuse("a range whose 'from' is below its 'to'")
    if steps is not None and (type(steps) is not int or not 2 <= steps <= 1000):
        _refuse("a range whose 'steps' is a whole number from 2 to 1000")
    return Span(float(low), float(high), steps)  # type: ignore[arg-type]


def _refuse(rule: str) -> NoReturn:
    """Raise pydantic's own error, so that the fault is collected with all others."""
    kind = "rule"
    raise PydanticCustomError(kind, "{rule}", {"rule": rule})


# ------------------------------------------------------------------- the sections of a job file


def _as_tuple(value: object) -> object:
    """Let a list of TOML pass as the tuple that frozen models hold."""
    return tuple(value) if isinstance(value, list) else value


_Numbers = Annotated[tuple[float, ...], BeforeValidator(_as_tuple)]
_Texts = Annotated[tuple[str, ...], BeforeValidator(_as_tuple)]
_GUESS_RULE: Final = "tables [[search.guesses]] of numbers, by physical part"
_LIST_RULE: Final = "a list of numbers, one a frequency"
_TABLE_RULE: Final = "the path of a text file, relative to the job file"
_FILE_RULE: Final = "the path of a text file, relative to the job file: Hz, {}, degrees"
_HZ_LIST_RULE: Final = "a list of at least two rising numbers in Hz"


class _Section(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class ShapeSection(_Section):
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
        return _with_parameters(cls, table)


def _with_parameters(model: type[BaseModel], table: object) -> object:
    """Gather what is no key of a section in its field ``parameters``, under flat keys."""
    if not isinstance(table, dict):
        return table
    own = set(model.model_fields) - {"parameters"}
    parts = {key: value for key, value in table.items() if key not in own}
    return {
        **{key: value for key, value in table.items() if key in own},
        "parameters": dict(_flat_items(parts)),
    }


def _flat_items(parts: Mapping[str, object]) -> Iterable[tuple[str, object]]:
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


def _parse_tolerance(value: object) -> float:
    if not _is_number(value) or not 0 < value <= _LARGEST_TOLERANCE:  # type: ignore[operator]
        _refuse(f"a number above 0, at most {_LARGEST_TOLERANCE:g}")
    return float(value)  # type: ignore[arg-type]


class RobustnessSection(_Section):
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
        return _with_parameters(cls, table)


def _parse_guess(value: object) -> dict[str, float]:
    if not isinstance(value, dict) or not value:
        _refuse(_GUESS_RULE)
    found = dict(_flat_items(value))
    if not all(_is_number(number) for number in found.values()):
        _refuse(_GUESS_RULE)
    return {key: float(number) for key, number in found.items()}  # type: ignore[arg-type]


class SearchSection(_Section):
    """``[search]``: how candidates are made."""

    plan: Literal["low-discrepancy", "random", "directed", "grid", "list"] = "low-discrepancy"
    candidates: int | None = Field(default=None, ge=1, le=100_000)
    seed: int | None = Field(default=None, ge=0, le=2**31 - 1)
    aim: Literal["score", "trade-off"] | None = None
    at_once: int | None = Field(default=None, ge=1, le=1000)
    constraints: _Texts = Field(
        default=(), json_schema_extra={"rule": "a list of texts, each a comparison of parameters"}
    )
    guesses: Annotated[
        tuple[Annotated[Any, PlainValidator(_parse_guess)], ...], BeforeValidator(_as_tuple)
    ] = Field(default=(), json_schema_extra={"rule": _GUESS_RULE})
    start_from: _Texts = Field(
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


class FirstLookSection(_Section):
    """``[first_look]``: all candidates as drafts first, only the promising in full."""

    per_octave: Literal[3, 6, 12, 24] = 3
    keep_pct: float = Field(default=33.0, ge=1, le=100)
    margin_db: float = Field(default=0.3, ge=0, le=20)


class FinalistsSection(_Section):
    """``[finalists]``: the best, solved once more at a better quality."""

    count: int = Field(default=0, ge=0, le=20)
    better_quality: Literal["standard", "fine"] = "fine"


class AirSection(_Section):
    """``[air]``: the air, which sets the speed of sound."""

    temperature_c: float = Field(default=20.0, ge=-20, le=50)
    relative_humidity_pct: float = Field(default=50.0, ge=0, le=100)
    pressure_kpa: float = Field(default=101.325, ge=60, le=110)

    @property
    def medium(self) -> Air:
        """The air that the solver takes."""
        return Air(
            temperature_c=self.temperature_c,
            relative_humidity_pct=self.relative_humidity_pct,
            pressure_pa=1e3 * self.pressure_kpa,
        )


class _BandSection(_Section):
    """A section with a lowest and a highest frequency."""

    @model_validator(mode="after")
    def _rising(self) -> Self:
        low, high = self.from_hz, self.to_hz  # type: ignore[attr-defined]
        if not low < high:
            _refuse(f"a band whose 'from_hz' ({low:g}) is below its 'to_hz' ({high:g})")
        return self


class FrequenciesSection(_BandSection):
    """``[frequencies]``: what is solved."""

    from_hz: float = Field(default=1000.0, ge=50, le=40_000)
    to_hz: float = Field(default=16_000.0, ge=50, le=40_000)
    per_octave: Literal["as needed", 3, 6, 12, 24, 48] = "as needed"

    @property
    def is_as_needed(self) -> bool:
        """Whether the program chooses what is solved, and results are interpolated."""
        return self.per_octave == "as needed"

    @property
    def frequencies_hz(self) -> tuple[float, ...]:
        """Frequencies of the results; those that are solved, too, unless they are as needed.

        Base-10 fractions of an octave about 1 kHz, 1000 * 10^(3 k / (10 per_octave)); 24 an
        octave, as with ``as needed``, is the series R80 of ISO 3, 6 an octave is R20. A limit
        may be a rounded name: 16,000 includes 15,849 and 2,000 includes 1,995.
        """
        step = 0.3 / self._shown_per_octave
        low = math.ceil(math.log10(self.from_hz * (1 - NOMINAL_TOLERANCE) / 1000) / step)
        high = math.floor(math.log10(self.to_hz * (1 + NOMINAL_TOLERANCE) / 1000) / step)
        return tuple(1000.0 * 10 ** (k * step) for k in range(low, high + 1))

    @property
    def _shown_per_octave(self) -> int:
        return 24 if self.per_octave == "as needed" else self.per_octave

    @model_validator(mode="after")
    def _holds_a_frequency(self) -> Self:
        if not self.frequencies_hz:
            count = self._shown_per_octave
            _refuse(f"a band that holds at least one frequency at {count} an octave")
        return self


class SolveSection(_Section):
    """``[solve]``: how it is solved."""

    quality: Literal["draft", "standard", "fine"] = "standard"
    engine: Literal["direct", "gpu", "bempp"] = "direct"
    without_card: Literal["stop", "direct"] = "stop"
    second_opinion: bool = True
    remeshes: int = Field(default=2, ge=0, le=8)
    keep_surface: bool = True
    mesh_time_limit_s: float = Field(default=120.0, ge=1, le=3600)
    workers: int | None = Field(default=None, ge=1, le=1024)
    memory_gib: float | None = Field(default=None, ge=1, le=16_384)


class SourceSection(_Section):
    """``[sources.tweeter]`` ...: how a source moves, whatever its script says."""

    motion: Literal["axial", "radial"] = "axial"
    velocity_table: str | None = Field(default=None, json_schema_extra={"rule": _TABLE_RULE})

    @model_validator(mode="after")
    def _one_motion(self) -> Self:
        if self.motion == "radial" and self.velocity_table is not None:
            _refuse("without 'velocity_table' if its 'motion' is radial: a table is axial")
        return self


_EFFECTS_RULE: Final = "a list of " + ", ".join(EFFECTS)


class DomeSection(_Section):
    """``[domes.tweeter]`` ...: how a dome plausibly moves, instead of as one piece."""

    kind: Literal["soft", "hard"] | None = None
    profiles: _Texts = Field(default=(), json_schema_extra={"rule": _EFFECTS_RULE})
    members: int = Field(default=32, ge=1, le=500)
    seed: int = Field(default=1, ge=0, le=2**31 - 1)
    lag_from_m_s: float = Field(default=DomeRanges.lag_speed_m_s[0], ge=50, le=20_000)
    lag_to_m_s: float = Field(default=DomeRanges.lag_speed_m_s[1], ge=50, le=20_000)
    fade_from_hz: float = Field(default=DomeRanges.fade_hz[0], ge=500, le=200_000)
    fade_to_hz: float = Field(default=DomeRanges.fade_hz[1], ge=500, le=200_000)
    mode_from_hz: float = Field(default=DomeRanges.mode_hz[0], ge=500, le=200_000)
    mode_to_hz: float = Field(default=DomeRanges.mode_hz[1], ge=500, le=200_000)
    quality_from: float = Field(default=DomeRanges.mode_quality[0], ge=0.5, le=500)
    quality_to: float = Field(default=DomeRanges.mode_quality[1], ge=0.5, le=500)
    plate_share_from: float = Field(default=DomeRanges.plate_share[0], ge=0.001, le=1)
    plate_share_to: float = Field(default=DomeRanges.plate_share[1], ge=0.001, le=1)
    surround_from: float = Field(default=DomeRanges.surround_share[0], ge=-5, le=5)
    surround_to: float = Field(default=DomeRanges.surround_share[1], ge=-5, le=5)
    rocking_from: float = Field(default=DomeRanges.rocking_share[0], ge=-5, le=5)
    rocking_to: float = Field(default=DomeRanges.rocking_share[1], ge=-5, le=5)
    velocity_table: str | None = Field(default=None, json_schema_extra={"rule": _TABLE_RULE})

    @model_validator(mode="after")
    def _is_a_family(self) -> Self:
        if (self.kind is None) == (not self.profiles):
            _refuse("with either 'kind' or 'profiles': a family needs members that move somehow")
        unknown = [name for name in self.profiles if name not in EFFECTS]
        if unknown or len(set(self.profiles)) != len(self.profiles):
            _refuse(f"with 'profiles' {_EFFECTS_RULE}, each once")
        for name in type(self).model_fields:
            other = name.replace("_from", "_to")
            if "_from" in name and not getattr(self, name) <= getattr(self, other):
                _refuse(f"with '{name}' not above '{other}'")
        return self

    @property
    def effects(self) -> tuple[str, ...]:
        """What each member of the family does."""
        return KINDS[self.kind] if self.kind is not None else tuple(self.profiles)

    @property
    def ranges(self) -> DomeRanges:
        """Between what the numbers of the members lie."""
        return DomeRanges(
            lag_speed_m_s=(self.lag_from_m_s, self.lag_to_m_s),
            fade_hz=(self.fade_from_hz, self.fade_to_hz),
            mode_hz=(self.mode_from_hz, self.mode_to_hz),
            mode_quality=(self.quality_from, self.quality_to),
            plate_share=(self.plate_share_from, self.plate_share_to),
            surround_share=(self.surround_from, self.surround_to),
            rocking_share=(self.rocking_from, self.rocking_to),
        )


class SurfaceSection(_Section):
    """``[surfaces.felt]`` ...: what covers a surface of the shape."""

    thickness_mm: float | None = Field(default=None, ge=0.5, le=200)
    flow_resistivity_kpa_s_m2: float | None = Field(default=None, ge=1, le=200)
    incidence: Incidence = PorousLayer.incidence
    admittance_table: str | None = Field(default=None, json_schema_extra={"rule": _TABLE_RULE})

    @model_validator(mode="after")
    def _one_absorber(self) -> Self:
        given = [self.thickness_mm is not None, self.flow_resistivity_kpa_s_m2 is not None]
        if given != 2 * [self.admittance_table is None]:
            _refuse(
                "either with 'thickness_mm' and 'flow_resistivity_kpa_s_m2' or with "
                "'admittance_table'"
            )
        if self.admittance_table is not None and "incidence" in self.model_fields_set:
            _refuse("without 'incidence' where there is an 'admittance_table': it holds as it is")
        return self


class RoomSection(_Section):
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
        _refuse(_ABSORPTION_RULE)
    if not all(_is_number(number) and 0.01 <= number <= 0.99 for number in value):
        _refuse(_ABSORPTION_RULE)
    return tuple(float(number) for number in value)


def _absorption(*default: float) -> Any:
    return Field(default=default, json_schema_extra={"rule": _ABSORPTION_RULE})


_Octaves = Annotated[Any, PlainValidator(_parse_absorption)]


class AbsorptionSection(_Section):
    """``[listening.absorption]``: coefficients of the room's surfaces at 125 Hz to 8 kHz.

    The defaults are a furnished room with a carpet: common practice, no source.
    """

    floor: _Octaves = _absorption(0.08, 0.1, 0.2, 0.35, 0.45, 0.5, 0.55)
    ceiling: _Octaves = _absorption(0.15, 0.12, 0.1, 0.08, 0.08, 0.08, 0.08)
    front_wall: _Octaves = _absorption(0.2, 0.15, 0.12, 0.12, 0.12, 0.12, 0.12)
    rear_wall: _Octaves = _absorption(0.2, 0.2, 0.25, 0.3, 0.3, 0.3, 0.3)
    side_walls: _Octaves = _absorption(0.2, 0.15, 0.12, 0.12, 0.12, 0.12, 0.12)


class ListeningSection(_Section):
    """``[listening]``: the rest of the room, for what ``bafflelens listen`` makes heard."""

    front_wall_m: float = Field(default=1.0, ge=0.1, le=20)
    rear_wall_m: float = Field(default=1.5, ge=0.2, le=20)
    other_wall_m: float | None = Field(default=None, ge=0.2, le=40)
    images_ms: float = Field(default=50.0, ge=15, le=80)
    absorption: AbsorptionSection = AbsorptionSection()


class BounceSection(_Section):
    """``[target.floor]`` and ``[target.ceiling]``: the highest level allowed at a bounce.

    What is left out stays as the room gives it: the angle, or the levels over frequency.
    """

    angle_deg: float | None = Field(default=None, ge=-90, le=90)
    frequencies_hz: _Numbers = Field(default=(), json_schema_extra={"rule": _HZ_LIST_RULE})
    levels_db: _Numbers = Field(default=(), json_schema_extra={"rule": _LIST_RULE})
    weights: _Numbers = Field(default=(), json_schema_extra={"rule": _LIST_RULE})

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


class SideSection(_Section):
    """``[[target.horizontal]]`` and ``[[target.seat]]``: the lowest level wanted at an angle."""

    angle_deg: float = Field(ge=1, le=175)
    frequencies_hz: _Numbers = Field(json_schema_extra={"rule": _HZ_LIST_RULE})
    levels_db: _Numbers = Field(json_schema_extra={"rule": _LIST_RULE})
    weights: _Numbers = Field(default=(), json_schema_extra={"rule": _LIST_RULE})

    @property
    def limit(self) -> Limit:
        """The limit."""
        return Limit(**self.model_dump())


class TargetSection(_Section):
    """``[target]``: what is given here replaces that part of the target of its kind."""

    kind: Literal["usual", "ambitious"] = "usual"
    floor: BounceSection | None = None
    ceiling: BounceSection | None = None
    horizontal: Annotated[tuple[SideSection, ...], BeforeValidator(_as_tuple)] = ()
    seat: Annotated[tuple[SideSection, ...], BeforeValidator(_as_tuple)] = ()

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


class DemandSection(_Section):
    """``[score.vertical_control]`` ...: how a demand of the target counts."""

    weight: float = Field(default=1.0, ge=0, le=100)
    tolerance_db: float = Field(default=0.0, ge=0, le=20)


class SideEffectSection(_Section):
    """``[score.on_axis_ripple]`` ...: how a side effect counts."""

    weight: float = Field(default=0.5, ge=0, le=100)
    tolerance_db: float = Field(default=0.5, ge=0, le=20)


class SmallSideEffectSection(_Section):
    """``[score.side_lobes]`` ...: how a side effect counts that most cabinets have a little of."""

    weight: float = Field(default=0.25, ge=0, le=100)
    tolerance_db: float = Field(default=1.0, ge=0, le=20)


class NullSection(_Section):
    """``[score.window_nulls]``: how nulls count; a dip of 2 dB is none yet."""

    weight: float = Field(default=0.5, ge=0, le=100)
    tolerance_db: float = Field(default=2.0, ge=0, le=20)


class ScoreSection(_BandSection):
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


NAME: Final = "<name>"
"""Stands in the names of keys for what a job calls a source, a surface or a reference."""

_GATHERED: Final = ("ways", "drivers")
"""Fields that gather the tables named for sources; a job file does not show them."""


def _gather_sources(model: type[BaseModel], table: object, into: str) -> object:
    """Move the tables that are named for sources into one field of a section."""
    if not isinstance(table, dict):
        return table
    own = set(model.model_fields) - {into}
    named = {k: v for k, v in table.items() if k not in own and isinstance(v, dict)}
    return {**{k: v for k, v in table.items() if k not in named}, into: named}


class FilterSection(_Section):
    """``high_pass`` and ``low_pass`` of a way."""

    family: Literal["linkwitz-riley", "butterworth", "bessel"] = "linkwitz-riley"
    order: int = Field(default=4, ge=1, le=8)
    frequency_hz: float = Field(ge=20, le=40_000)

    @model_validator(mode="after")
    def _is_a_filter(self) -> Self:
        if self.family == "linkwitz-riley" and self.order % 2:
            _refuse("of an even order if it is a linkwitz-riley")
        return self

    def filter(self, kind: str) -> Filter:
        """Return the filter, a ``high-pass`` or a ``low-pass``."""
        return Filter(
            kind=kind, family=self.family, order=self.order, frequency_hz=self.frequency_hz
        )


class WaySection(_Section):
    """``[crossover.tweeter]`` ...: what a source is given."""

    high_pass: FilterSection | None = None
    low_pass: FilterSection | None = None
    gain_db: float = Field(default=0.0, ge=-60, le=40)
    delay_ms: float = Field(default=0.0, ge=-20, le=20)
    polarity: Literal["normal", "inverted"] = "normal"
    network_file: str | None = Field(
        default=None, json_schema_extra={"rule": _FILE_RULE.format("dB re 1")}
    )

    def way(self, name: str, network: Response | None) -> Way:
        """Return the way of a source, with the network that its file holds."""
        given = (("high-pass", self.high_pass), ("low-pass", self.low_pass))
        return Way(
            name=name,
            filters=tuple(section.filter(kind) for kind, section in given if section),
            gain_db=self.gain_db,
            delay_s=1e-3 * self.delay_ms,
            is_inverted=self.polarity == "inverted",
            network=network,
        )


class CrossoverSearchSection(_Section):
    """``[crossover.search]``: what ``bafflelens crossover`` tries for a fixed shape."""

    from_hz: float | None = Field(default=None, ge=20, le=40_000)
    to_hz: float | None = Field(default=None, ge=20, le=40_000)
    slopes: Annotated[tuple[str, ...], BeforeValidator(_as_tuple)] = Field(
        default=(),
        json_schema_extra={"rule": 'a list of families with orders, "linkwitz-riley 4"'},
    )
    delay_ms: float = Field(default=0.1, ge=0, le=5)

    @model_validator(mode="after")
    def _can_be_searched(self) -> Self:
        if self.from_hz is not None and self.to_hz is not None and self.from_hz >= self.to_hz:
            _refuse(f"a band whose 'from_hz' ({self.from_hz:g}) is below its 'to_hz'")
        for slope in self.slopes:
            family, _, order = slope.rpartition(" ")
            try:
                Filter(kind="low-pass", family=family, order=int(order), frequency_hz=1.0)
            except (ValueError, InputError):
                _refuse(
                    f'a list of families with orders such as "linkwitz-riley 4", not "{slope}"'
                )
        return self

    @property
    def parsed_slopes(self) -> tuple[tuple[str, int], ...]:
        """Family and order of each slope."""
        return tuple(
            (family, int(order))
            for family, _, order in (slope.rpartition(" ") for slope in self.slopes)
        )


class CrossoverSection(_Section):
    """``[crossover]``: how the sources of a shape are summed."""

    mode: Literal["acoustic-target", "electrical"]
    reference: Literal["listening-window", "on-axis"] = "listening-window"
    search: CrossoverSearchSection = CrossoverSearchSection()
    ways: dict[str, WaySection] = Field(min_length=1)

    @model_validator(mode="before")
    @classmethod
    def _gather(cls, table: object) -> object:
        return _gather_sources(cls, table, "ways")


class OneDriverSection(_Section):
    """``[driver.tweeter]`` ...: a measurement of the real driver."""

    quantity: Literal["pressure", "acceleration"] = "pressure"
    response_file: str = Field(
        min_length=1,
        json_schema_extra={"rule": _FILE_RULE.format("dB re 20 µPa or 1 m/s²")},
    )
    voltage_v: float = Field(default=2.83, ge=0.001, le=200)
    distance_m: float = Field(default=1.0, ge=0.05, le=50)
    removed_delay_ms: float = Field(default=0.0, ge=-200, le=200)
    plate: PlateSection | None = None

    @model_validator(mode="after")
    def _needs_its_plate(self) -> Self:
        if self.quantity == "acceleration" and self.plate is not None:
            _refuse("without [plate] if its quantity is acceleration")
        return self

    def driver(self, name: str, response: Response) -> Driver:
        """Return the driver, with what its file holds."""
        return Driver(
            name=name,
            quantity=self.quantity,
            response=response,
            voltage_v=self.voltage_v,
            distance_m=self.distance_m,
            removed_delay_s=1e-3 * self.removed_delay_ms,
        )


class DriverSection(_Section):
    """``[driver]``: what is known of real drivers."""

    rated_voltage_v: float = Field(default=2.83, ge=0.001, le=200)
    outside_band: Literal["mask", "hold"] = "mask"
    drivers: dict[str, OneDriverSection] = Field(default_factory=dict)

    @model_validator(mode="before")
    @classmethod
    def _gather(cls, table: object) -> object:
        return _gather_sources(cls, table, "drivers")


def _parse_places(length: int, rule: str) -> BeforeValidator:
    """Let a list of lists of so many numbers pass as tuples."""

    def parsed(value: object) -> object:
        rows = value if isinstance(value, list | tuple) else ()
        good = isinstance(value, list | tuple) and all(
            isinstance(row, list | tuple) and len(row) == length and all(map(_is_number, row))
            for row in rows
        )
        return tuple(tuple(map(float, row)) for row in rows) if good else _refuse(rule)

    return BeforeValidator(parsed)


_SCREWS_RULE: Final = "a list of [y, z, diameter], in mm"
_BOXES_RULE: Final = "a list of [y, z, y, z] of two corners, in mm"


class CarveSection(_Section):
    """``[carve]``: shapes that carve themselves down the slope of the score, within limits."""

    leaders: int = Field(default=0, ge=0, le=20)
    steps: int = Field(default=15, ge=1, le=200)
    aim_db: float = Field(default=0.0, ge=0, le=50)
    surfaces: _Texts = Field(
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
            _refuse("one with outward_mm or inward_mm above 0")
        if self.material_mm is not None and self.wall_mm >= self.material_mm:
            _refuse("one whose wall_mm is below its material_mm")
        return self

    @property
    def limits_text(self) -> str:
        """All that says what may be carved, so that a carving can go on within the same."""
        kept = self.model_dump(exclude={"leaders", "steps", "aim_db"})
        return ", ".join(f"{key} = {value}" for key, value in kept.items())


class ReportSection(_Section):
    """``[report]``: what the report shows."""

    detailed: int = Field(default=4, ge=1, le=24)


class HandoffSection(_Section):
    """``[handoff]``: what the prototype shop works with."""

    station_spacing_mm: float = Field(default=30.0, ge=2, le=500)
    fan_step_deg: float = Field(default=45.0, ge=5, le=90)
    chord_mm: float = Field(default=0.1, ge=0.01, le=1)
    page: Literal["A4", "A3", "roll"] = "A4"
    cutter_mm: float = Field(default=6.0, ge=0.1, le=100)
    least_wall_mm: float = Field(default=3.0, ge=0.1, le=100)
    least_draft_deg: float = Field(default=0.0, ge=0, le=45)
    overhang_deg: float = Field(default=45.0, ge=1, le=90)
    dome_travel_mm: float = Field(default=1.0, ge=0, le=20)
    screws: int = Field(default=0, ge=0, le=24)
    screw_circle_mm: float | None = Field(default=None, ge=10, le=1000)
    screw_head_mm: float = Field(default=8.0, ge=1, le=50)
    flange_mm: float | None = Field(default=None, ge=10, le=1000)
    material: str = "as the shop proposes"
    finish: str = "smooth, no steps at joints"


class Job(_Section):
    """A whole job file, checked."""

    title: str = Field(min_length=1)
    why: str = ""
    scenario: str = ""
    geometry: GeometrySection
    baseline: BaselineSection
    references: dict[str, ReferenceSection] = Field(default_factory=dict)
    search: SearchSection
    first_look: FirstLookSection | None = None
    finalists: FinalistsSection = FinalistsSection()
    robustness: RobustnessSection = RobustnessSection()
    air: AirSection = AirSection()
    frequencies: FrequenciesSection = FrequenciesSection()
    solve: SolveSection = SolveSection()
    sources: dict[str, SourceSection] = Field(default_factory=dict)
    domes: dict[str, DomeSection] = Field(default_factory=dict)
    surfaces: dict[str, SurfaceSection] = Field(default_factory=dict)
    room: RoomSection = RoomSection()
    listening: ListeningSection = ListeningSection()
    target: TargetSection = TargetSection()
    score: ScoreSection = ScoreSection()
    crossover: CrossoverSection | None = None
    driver: DriverSection = DriverSection()
    carve: CarveSection = CarveSection()
    report: ReportSection = ReportSection()
    handoff: HandoffSection = HandoffSection()


# --------------------------------------------------------------- what a key is, for people


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
