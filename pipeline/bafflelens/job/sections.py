# SPDX-License-Identifier: GPL-3.0-or-later
"""What a job says: one class a section of the job file, one field a key.

The sections are in the modules beside this one (`shape_sections`, `search_sections`,
`solve_sections`, `score_sections`, `driver_sections`); here they are one `Job`. What a key must be
is derived from its field (`bafflelens.job.keys`). Reading and checking a file is in
`bafflelens.job.job_file`.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, ValidationInfo, field_validator

from bafflelens.job.driver_sections import CrossoverSection, DriverSection
from bafflelens.job.score_sections import (
    ListeningSection,
    RoomSection,
    ScoreSection,
    TargetSection,
)
from bafflelens.job.search_sections import (
    CarveSection,
    FinalistsSection,
    FirstLookSection,
    RobustnessSection,
    SearchSection,
)
from bafflelens.job.section_base import JobSection
from bafflelens.job.shape_sections import BaselineSection, GeometrySection, ReferenceSection
from bafflelens.job.solve_sections import (
    AirSection,
    DomeSection,
    FrequenciesSection,
    SolveSection,
    SourceSection,
    SurfaceSection,
)


class ReportSection(JobSection):
    """``[report]``: what the report shows."""

    detailed: int = Field(default=4, ge=1, le=24)


class HandoffSection(JobSection):
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


class Job(JobSection):
    """A whole job file, checked.

    Validation notes each section without faults in the context that it is given, so that what
    is at fault elsewhere does not hide faults between sections.
    """

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

    @field_validator("*")
    @classmethod
    def _note(cls, section: object, info: ValidationInfo) -> object:
        if info.context is not None and info.field_name is not None:
            info.context[info.field_name] = section
        return section
