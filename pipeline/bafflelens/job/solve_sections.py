# SPDX-License-Identifier: GPL-3.0-or-later
"""Sections for the solution: air, frequencies, accuracy, and how surfaces move or absorb."""

from __future__ import annotations

import math
from typing import Final, Literal, Self

from pydantic import Field, model_validator

from bafflelens.base.medium import Air
from bafflelens.job.section_base import TABLE_RULE, BandSection, JobSection, Texts, refuse
from bafflelens.mesh.absorbers import Incidence, PorousLayer
from bafflelens.mesh.dome_motions import EFFECTS, KINDS, DomeRanges

NOMINAL_TOLERANCE: Final = 0.01
"""Rounded names of frequencies (16 kHz for 15,849 Hz) are off by up to this share."""


class AirSection(JobSection):
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


class FrequenciesSection(BandSection):
    """``[frequencies]``: what is solved."""

    from_hz: float = Field(default=1000.0, ge=50, le=40_000)
    to_hz: float = Field(default=16_000.0, ge=50, le=40_000)
    per_octave: Literal["as needed", 3, 6, 12, 24, 48] = "as needed"
    show_to_quality: Literal["draft", "standard"] | None = None

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
            refuse(f"a band that holds at least one frequency at {count} an octave")
        return self


class SolveSection(JobSection):
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


class SourceSection(JobSection):
    """``[sources.tweeter]`` ...: how a source moves, whatever its script says."""

    motion: Literal["axial", "radial"] = "axial"
    velocity_table: str | None = Field(default=None, json_schema_extra={"rule": TABLE_RULE})

    @model_validator(mode="after")
    def _one_motion(self) -> Self:
        if self.motion == "radial" and self.velocity_table is not None:
            refuse("without 'velocity_table' if its 'motion' is radial: a table is axial")
        return self


_EFFECTS_RULE: Final = "a list of " + ", ".join(EFFECTS)


class DomeSection(JobSection):
    """``[domes.tweeter]`` ...: how a dome plausibly moves, instead of as one piece."""

    kind: Literal["soft", "hard"] | None = None
    profiles: Texts = Field(default=(), json_schema_extra={"rule": _EFFECTS_RULE})
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
    velocity_table: str | None = Field(default=None, json_schema_extra={"rule": TABLE_RULE})

    @model_validator(mode="after")
    def _is_a_family(self) -> Self:
        if (self.kind is None) == (not self.profiles):
            refuse("with either 'kind' or 'profiles': a family needs members that move somehow")
        unknown = [name for name in self.profiles if name not in EFFECTS]
        if unknown or len(set(self.profiles)) != len(self.profiles):
            refuse(f"with 'profiles' {_EFFECTS_RULE}, each once")
        for name in type(self).model_fields:
            other = name.replace("_from", "_to")
            if "_from" in name and not getattr(self, name) <= getattr(self, other):
                refuse(f"with '{name}' not above '{other}'")
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


class SurfaceSection(JobSection):
    """``[surfaces.felt]`` ...: what covers a surface of the shape."""

    thickness_mm: float | None = Field(default=None, ge=0.5, le=200)
    flow_resistivity_kpa_s_m2: float | None = Field(default=None, ge=1, le=200)
    incidence: Incidence = PorousLayer.incidence
    admittance_table: str | None = Field(default=None, json_schema_extra={"rule": TABLE_RULE})

    @model_validator(mode="after")
    def _one_absorber(self) -> Self:
        given = [self.thickness_mm is not None, self.flow_resistivity_kpa_s_m2 is not None]
        if given != 2 * [self.admittance_table is None]:
            refuse(
                "either with 'thickness_mm' and 'flow_resistivity_kpa_s_m2' or with "
                "'admittance_table'"
            )
        if self.admittance_table is not None and "incidence" in self.model_fields_set:
            refuse("without 'incidence' where there is an 'admittance_table': it holds as it is")
        return self
