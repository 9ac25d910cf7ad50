# SPDX-License-Identifier: GPL-3.0-or-later
"""Sections for drivers: the crossover that sums them, and what was measured of them."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, BeforeValidator, Field, model_validator

from bafflelens.base.errors import InputError
from bafflelens.directivity.crossover import Way
from bafflelens.directivity.driver import Driver
from bafflelens.directivity.filters import Filter
from bafflelens.directivity.responses import Response
from bafflelens.job.section_base import FILE_RULE, JobSection, as_tuple, refuse
from bafflelens.job.shape_sections import PlateSection


def _gather_sources(model: type[BaseModel], table: object, into: str) -> object:
    """Move the tables that are named for sources into one field of a section."""
    if not isinstance(table, dict):
        return table
    own = set(model.model_fields) - {into}
    named = {k: v for k, v in table.items() if k not in own and isinstance(v, dict)}
    return {**{k: v for k, v in table.items() if k not in named}, into: named}


class FilterSection(JobSection):
    """``high_pass`` and ``low_pass`` of a way."""

    family: Literal["linkwitz-riley", "butterworth", "bessel"] = "linkwitz-riley"
    order: int = Field(default=4, ge=1, le=8)
    frequency_hz: float = Field(ge=20, le=40_000)

    @model_validator(mode="after")
    def _is_a_filter(self) -> Self:
        if self.family == "linkwitz-riley" and self.order % 2:
            refuse("of an even order if it is a linkwitz-riley")
        return self

    def filter(self, kind: str) -> Filter:
        """Return the filter, a ``high-pass`` or a ``low-pass``."""
        return Filter(
            kind=kind, family=self.family, order=self.order, frequency_hz=self.frequency_hz
        )


class WaySection(JobSection):
    """``[crossover.tweeter]`` ...: what a source is given."""

    high_pass: FilterSection | None = None
    low_pass: FilterSection | None = None
    gain_db: float = Field(default=0.0, ge=-60, le=40)
    delay_ms: float = Field(default=0.0, ge=-20, le=20)
    polarity: Literal["normal", "inverted"] = "normal"
    network_file: str | None = Field(
        default=None, json_schema_extra={"rule": FILE_RULE.format("dB re 1")}
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


class CrossoverSearchSection(JobSection):
    """``[crossover.search]``: what ``bafflelens crossover`` tries for a fixed shape."""

    from_hz: float | None = Field(default=None, ge=20, le=40_000)
    to_hz: float | None = Field(default=None, ge=20, le=40_000)
    slopes: Annotated[tuple[str, ...], BeforeValidator(as_tuple)] = Field(
        default=(),
        json_schema_extra={"rule": 'a list of families with orders, "linkwitz-riley 4"'},
    )
    delay_ms: float = Field(default=0.1, ge=0, le=5)

    @model_validator(mode="after")
    def _can_be_searched(self) -> Self:
        if self.from_hz is not None and self.to_hz is not None and self.from_hz >= self.to_hz:
            refuse(f"a band whose 'from_hz' ({self.from_hz:g}) is below its 'to_hz'")
        for slope in self.slopes:
            family, _, order = slope.rpartition(" ")
            try:
                Filter(kind="low-pass", family=family, order=int(order), frequency_hz=1.0)
            except (ValueError, InputError):
                refuse(f'a list of families with orders such as "linkwitz-riley 4", not "{slope}"')
        return self

    @property
    def parsed_slopes(self) -> tuple[tuple[str, int], ...]:
        """Family and order of each slope."""
        return tuple(
            (family, int(order))
            for family, _, order in (slope.rpartition(" ") for slope in self.slopes)
        )


class CrossoverSection(JobSection):
    """``[crossover]``: how the sources of a shape are summed."""

    mode: Literal["acoustic-target", "electrical"]
    reference: Literal["listening-window", "on-axis"] = "listening-window"
    search: CrossoverSearchSection = CrossoverSearchSection()
    ways: dict[str, WaySection] = Field(min_length=1)

    @model_validator(mode="before")
    @classmethod
    def _gather(cls, table: object) -> object:
        return _gather_sources(cls, table, "ways")


class OneDriverSection(JobSection):
    """``[driver.tweeter]`` ...: a measurement of the real driver."""

    quantity: Literal["pressure", "acceleration"] = "pressure"
    response_file: str = Field(
        min_length=1,
        json_schema_extra={"rule": FILE_RULE.format("dB re 20 µPa or 1 m/s²")},
    )
    voltage_v: float = Field(default=2.83, ge=0.001, le=200)
    distance_m: float = Field(default=1.0, ge=0.05, le=50)
    removed_delay_ms: float = Field(default=0.0, ge=-200, le=200)
    plate: PlateSection | None = None

    @model_validator(mode="after")
    def _needs_its_plate(self) -> Self:
        if self.quantity == "acceleration" and self.plate is not None:
            refuse("without [plate] if its quantity is acceleration")
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


class DriverSection(JobSection):
    """``[driver]``: what is known of real drivers."""

    rated_voltage_v: float = Field(default=2.83, ge=0.001, le=200)
    outside_band: Literal["mask", "hold"] = "mask"
    drivers: dict[str, OneDriverSection] = Field(default_factory=dict)

    @model_validator(mode="before")
    @classmethod
    def _gather(cls, table: object) -> object:
        return _gather_sources(cls, table, "drivers")
