# SPDX-License-Identifier: GPL-3.0-or-later
"""The TOML file that describes a measurement: one class a section, one field a key.

::

    title = "Clay 3, upright lens"
    mock_up = "clay 3"                  # the same for all measurements of one mock-up
    date = "2026-11-20"
    distance_mm = 2000                  # turntable's axis to microphone
    microphone_height_mm = 0            # over the tweeter's axis
    rotation_point_mm = [-120, 0, 0]    # the axis, 120 mm behind the baffle
    angle_sign = 1                      # the reading rises towards the loudspeaker's left, or up

    [air]
    temperature_c = 21.5
    relative_humidity_pct = 45

    [[orbits]]
    orbit = "horizontal"
    kind = "impulse"                    # text, impulse or sofa
    files = "sweeps/h_{angle}_{repeat}.wav"

Files lie in the folder of the description or below it. All keys: the classes here and
``jobs/measurements.md``.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Final, Literal, NoReturn, Self, get_args

import numpy as np
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)
from pydantic_core import PydanticCustomError

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.reading import read_toml, shown
from bafflelens.mockup.measurement.measured import OrbitName, Setup
from bafflelens.shapes.cad.declaration import Triple, nearest_of

Kind = Literal["text", "impulse", "sofa"]
Align = Literal["common", "each"]

_MM: Final = 1e-3
_POINT_RULE: Final = "three numbers [x, y, z]"
_MOST_ANGLES: Final = 10_000
_ANGLES_RULE: Final = (
    "a list of angles, or { from = number, to = number, step = number }, of at most "
    f"{_MOST_ANGLES} angles"
)


def _rule(text: str) -> dict[str, Any]:
    return {"rule": text}


def _refuse(rule: str) -> NoReturn:
    kind = "rule"
    raise PydanticCustomError(kind, "{rule}", {"rule": rule})


def _as_angles(value: object) -> object:
    """Turn a list, or a table with from, to and step, into a tuple of angles."""
    if isinstance(value, dict):
        numbers = [value.get(key) for key in ("from", "to", "step")]
        if set(value) != {"from", "to", "step"} or not all(_is_number(n) for n in numbers):
            _refuse(_ANGLES_RULE)
        low, high, step = (float(n) for n in numbers if isinstance(n, int | float))
        if step <= 0 or high <= low:
            _refuse("a range with 'from' below 'to' and a step over 0")
        steps = (high - low) / step
        if not steps < _MOST_ANGLES:
            _refuse(_ANGLES_RULE)
        count = int(np.floor(steps + 1e-6)) + 1
        return tuple(low + step * i for i in range(count))
    if isinstance(value, list):
        if len(value) > _MOST_ANGLES or not all(_is_number(item) for item in value):
            _refuse(_ANGLES_RULE)
        return tuple(float(item) for item in value)
    return _refuse(_ANGLES_RULE)


def _as_day(value: object) -> object:
    """Let a date of TOML pass as text."""
    return value.isoformat() if isinstance(value, datetime.date) else value


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


Angles = Annotated[tuple[float, ...], BeforeValidator(_as_angles)]


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class AirState(_Table):
    """``[air]``: the air during the measurement."""

    temperature_c: float = Field(
        default=20.0, ge=-20, le=50, json_schema_extra=_rule("from -20 to 50 degrees C")
    )
    relative_humidity_pct: float = Field(
        default=50.0, ge=0, le=100, json_schema_extra=_rule("from 0 to 100 per cent")
    )
    pressure_kpa: float = Field(
        default=101.325, ge=60, le=110, json_schema_extra=_rule("from 60 to 110 kPa")
    )


class GateSettings(_Table):
    """``[gate]``: what of the impulse responses is used.

    Attributes
    ----------
    length_ms : float or None
        From the onset of the direct sound to the end of the gate, its fade included. If it is
        left out the gate ends before the first later arrival that is found, at most at 20 ms.
    before_ms : float
        How long before the onset the gate begins.
    fade_ms : float
        Length of the fade at the end.
    align : {"common", "each"}
        ``common``: all angles of a repeat share one clock, and one delay is taken out.
        ``each``: every response is moved to its own onset, for recordings without a common
        clock; the phase from angle to angle is then lost.
    """

    length_ms: float | None = Field(
        default=None, ge=0.5, le=500, json_schema_extra=_rule("from 0.5 to 500 ms")
    )
    before_ms: float = Field(
        default=1.0, ge=0.1, le=10, json_schema_extra=_rule("from 0.1 to 10 ms")
    )
    fade_ms: float | None = Field(
        default=None, ge=0, le=250, json_schema_extra=_rule("from 0 to 250 ms")
    )
    align: Align = Field(default="common", json_schema_extra=_rule("'common' or 'each'"))

    @model_validator(mode="after")
    def _fades_inside(self) -> Self:
        if self.length_ms and self.fade_ms and self.fade_ms > self.length_ms:
            _refuse("a fade no longer than the gate")
        return self


class FrequencyRange(_Table):
    """``[frequencies]``: where impulse responses are evaluated; not used for other data."""

    from_hz: float = Field(default=200.0, gt=0, json_schema_extra=_rule("over 0 Hz"))
    to_hz: float = Field(default=20000.0, gt=0, json_schema_extra=_rule("over from_hz"))
    per_octave: int = Field(
        default=48, ge=3, le=192, json_schema_extra=_rule("a whole number from 3 to 192")
    )

    @model_validator(mode="after")
    def _rises(self) -> Self:
        if self.to_hz <= self.from_hz:
            _refuse("a range with to_hz over from_hz")
        return self


class OrbitFiles(_Table):
    """One of ``[[orbits]]``: the files of an orbit.

    Attributes
    ----------
    orbit : {"horizontal", "vertical"}
        Which orbit.
    kind : {"text", "impulse", "sofa"}
        What the files are.
    files : str
        A file name with ``{angle}`` in it, and ``{repeat}`` if there are several sweeps an
        angle; or the name of one file that holds all angles.
    angles_deg : tuple of float or None
        For one file with many channels: the angle of each. Otherwise what was meant to be
        measured: an angle that is missing is then a fault instead of a remark.
    noise_file : str or None
        A recording without the loudspeaker, of the same kind.
    has_phase : bool
        False for magnitudes only; a text file may then have two columns.
    rotation_point_mm, microphone_height_mm : optional
        Where they differ from those of the whole measurement.
    """

    orbit: OrbitName = Field(json_schema_extra=_rule("'horizontal' or 'vertical'"))
    kind: Kind = Field(json_schema_extra=_rule("one of text, impulse, sofa"))
    files: str = Field(min_length=1, json_schema_extra=_rule("a file name, as in h_{angle}.txt"))
    angles_deg: Angles | None = Field(default=None, json_schema_extra=_rule(_ANGLES_RULE))
    noise_file: str | None = Field(default=None, json_schema_extra=_rule("a file name"))
    has_phase: bool = Field(default=True, json_schema_extra=_rule("true or false"))
    rotation_point_mm: Triple | None = Field(default=None, json_schema_extra=_rule(_POINT_RULE))
    microphone_height_mm: float | None = Field(
        default=None, ge=-3000, le=3000, json_schema_extra=_rule("from -3000 to 3000 mm")
    )


class Description(_Table):
    """All that the TOML file says; lengths in mm as written, `setup` gives them in m."""

    title: str = Field(min_length=1, json_schema_extra=_rule("a line that says what it is"))
    mock_up: str = Field(default="", json_schema_extra=_rule("a name of one mock-up"))
    date: Annotated[str, BeforeValidator(_as_day)] = Field(
        default="", json_schema_extra=_rule("a date such as 2026-11-20")
    )
    remarks: str = Field(default="", json_schema_extra=_rule("text"))
    distance_mm: float = Field(
        ge=100, le=30000, json_schema_extra=_rule("from 100 to 30000 mm, turntable to microphone")
    )
    microphone_height_mm: float = Field(
        default=0.0, ge=-3000, le=3000, json_schema_extra=_rule("from -3000 to 3000 mm")
    )
    rotation_point_mm: Triple = Field(json_schema_extra=_rule(_POINT_RULE))
    angle_sign: Literal[1, -1] = Field(
        json_schema_extra=_rule(
            "1 (the reading rises towards the loudspeaker's left, or up) or -1"
        )
    )
    drive_v: float | None = Field(
        default=None, gt=0, le=200, json_schema_extra=_rule("over 0 and at most 200 V")
    )
    noise_margin_db: float = Field(
        default=10.0, ge=0, le=40, json_schema_extra=_rule("from 0 to 40 dB")
    )
    air: AirState = AirState()
    gate: GateSettings = GateSettings()
    frequencies: FrequencyRange = FrequencyRange()
    orbits: Annotated[
        tuple[OrbitFiles, ...],
        BeforeValidator(lambda value: tuple(value) if isinstance(value, list) else value),
    ] = Field(min_length=1, json_schema_extra=_rule("at least one table [[orbits]]"))

    @model_validator(mode="after")
    def _orbits_fit(self) -> Self:
        names = [orbit.orbit for orbit in self.orbits]
        if len(set(names)) < len(names):
            _refuse("one table [[orbits]] an orbit")
        if len({orbit.has_phase for orbit in self.orbits}) > 1:
            _refuse("orbits that all have phase, or none of them")
        return self

    def setup(self, orbit: OrbitFiles | None = None) -> Setup:
        """Return where the microphone was, of the whole measurement or of one orbit."""
        point, height = self.rotation_point_mm, self.microphone_height_mm
        if orbit is not None:
            point = orbit.rotation_point_mm or point
            if orbit.microphone_height_mm is not None:
                height = orbit.microphone_height_mm
        return Setup(
            distance_m=self.distance_mm * _MM,
            microphone_height_m=height * _MM,
            rotation_point_m=(point[0] * _MM, point[1] * _MM, point[2] * _MM),
            angle_sign=self.angle_sign,
            temperature_c=self.air.temperature_c,
            relative_humidity_pct=self.air.relative_humidity_pct,
            pressure_kpa=self.air.pressure_kpa,
            drive_v=self.drive_v,
            date=self.date,
            remarks=self.remarks,
        )


def read_description(path: Path) -> Description:
    """Read the TOML file and check all that can be told from its text.

    Raises
    ------
    InputError
        With every fault found, one line each.
    """
    table = read_toml(path, "measurement")
    try:
        return Description.model_validate(table)
    except ValidationError as error:
        faults = [f"{path}: {_described(dict(fault))}" for fault in error.errors()]
        raise InputError(faults) from error


def _described(fault: Mapping[str, Any]) -> str:
    """Return one fault in the project's grammar."""
    location = [part for part in fault["loc"] if not isinstance(part, int)]
    name = ".".join(str(part) for part in location)
    owner, rule = Description, "given as described"
    for part in location:
        field = owner.model_fields.get(str(part))
        if field is None:
            break
        if isinstance(field.json_schema_extra, dict):
            rule = str(field.json_schema_extra["rule"])
        owner = next(_tables_in(field.annotation), owner)
    if fault["type"] == "extra_forbidden":
        return invalid("key", name, nearest_of(str(location[-1]), owner.model_fields))
    if fault["type"] == "missing":
        return f"Missing key '{name}'. Must be {rule}."
    if fault["type"] == "rule":
        rule = fault["msg"]
    if not location:
        return f"Invalid measurement. Must have {rule}."
    value = fault["input"]
    return invalid(f"key '{name}'", "..." if isinstance(value, BaseModel) else shown(value), rule)


def _tables_in(annotation: Any) -> Iterator[type[Any]]:
    """Yield the classes of sections that an annotation names."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _tables_in(part)
