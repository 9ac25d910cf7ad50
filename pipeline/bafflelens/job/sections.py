# SPDX-License-Identifier: GPL-3.0-or-later
"""What a job says: one class a section of the job file, one field a key.

The sections are in the modules beside this one (`shape_sections`, `search_sections`,
`solve_sections`, `score_sections`, `driver_sections`); here they are one `Job`. What a key must be
is derived from its field (`bafflelens.job.keys`). Reading and checking a file is in
`bafflelens.job.job_file`.
"""

from __future__ import annotations

from pydantic import Field, ValidationInfo, field_validator

from bafflelens.job.driver_sections import CrossoverSection, DriverSection
from bafflelens.job.handoff_section import HandoffSection
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
