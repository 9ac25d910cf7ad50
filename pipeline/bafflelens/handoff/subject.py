# SPDX-License-Identifier: GPL-3.0-or-later
"""One candidate that is handed off, and its solid, which everything else waits for.

What is imported here is quickly loaded: pages and checks are loaded while the solid is made.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from functools import cached_property
from typing import Final

from bafflelens.handoff.carved_shape import CarvedFrom, is_scanned
from bafflelens.handoff.part_pieces import PartPlan
from bafflelens.handoff.part_plan import plan_part
from bafflelens.handoff.solid_export import SolidBegun, begin_solid
from bafflelens.job.handoff_section import AS_CUT, HandoffSection
from bafflelens.job.job_file import LoadedJob
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.scoring.ranking import RankedRow
from bafflelens.shapes.meshing.moving_parts import source_motions
from bafflelens.shapes.meshing.parameters import Shape
from bafflelens.store import RunFolder, RunRecord

_TIMES_OF_MESH: Final = 4  # that a solid may take


@dataclass(frozen=True, kw_only=True)
class RankedRun:
    """A run that candidates are handed off from.

    Attributes
    ----------
    folder, loaded, record
        The run, its job and its record.
    ranking : sequence of RankedRow
        All of it.
    """

    folder: RunFolder
    loaded: LoadedJob
    record: RunRecord
    ranking: Sequence[RankedRow]


@dataclass(frozen=True, kw_only=True)
class Handed:
    """What was made of one candidate.

    Attributes
    ----------
    candidate : str
        Its id.
    archive : str
        Name of its zip file.
    remarks : tuple of str
        What the shop must know: warnings, failed checks.
    """

    candidate: str
    archive: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Subject:
    """One candidate as it is handed off.

    Attributes
    ----------
    run, created_utc, job : str, str, bytes
        The run's name, when it was made, and its job file.
    row : RankedRow
        Its row in the ranking.
    shape : Shape
        Its shape.
    values : mapping of str to float
        Its parameters.
    carved : CarvedFrom, optional
        What it was carved from, of a carved one.
    revision, stem : str
        Of what is handed off, and of the names of its files.
    analysed : Mesh
        The mesh that was analysed, or the kept part of it.
    warnings : sequence of str
        What the shop must know.
    settings : HandoffSection
        The shop's figures.
    mesh_time_limit_s : float
        For one mesh.
    """

    run: str
    created_utc: str
    job: bytes
    row: RankedRow
    shape: Shape
    values: Mapping[str, float]
    carved: CarvedFrom | None
    revision: str
    stem: str
    analysed: Mesh
    warnings: Sequence[str]
    settings: HandoffSection
    mesh_time_limit_s: float

    @cached_property
    def motions(self) -> tuple[SourceMotion, ...]:
        """What moves in it, and where."""
        return source_motions(self.shape, self.values)

    @cached_property
    def body(self) -> Mesh:
        """All of the mesh that was analysed."""
        return self.analysed.whole(self.shape.symmetry)

    @cached_property
    def plan(self) -> PartPlan | None:
        """How its part is made; None if nothing is said of that.

        A baseline is there to be compared with: a job need not say how it is made.
        """
        candidate = self.row.candidate
        if candidate.is_baseline:
            return None
        return plan_part(self.body, self.motions, self.settings, candidate.id)

    @property
    def label(self) -> str:
        """Candidate and revision, as on a template."""
        return f"{self.row.candidate.id} rev {self.revision}"

    @property
    def title(self) -> str:
        """The same with the run."""
        return f"{self.run} {self.label}"


def solid_of(subject: Subject) -> AbstractContextManager[SolidBegun | None]:
    """Begin to export the solid of a candidate; None comes of a scan, which has none.

    Raises
    ------
    InputError
        If the part that the job describes cannot be made of it.
    """
    shape, settings, carved = subject.shape, subject.settings, subject.carved
    if carved is None and is_scanned(shape):
        return nullcontext()
    plan = subject.plan
    return begin_solid(
        carved.shape if carved else shape,
        carved.values if carved else subject.values,
        deviation=carved.deviation if carved else None,
        name=subject.stem,
        revision=subject.revision,
        stamp=subject.created_utc[:19],
        chord_mm=settings.chord_mm,
        spacing_mm=settings.station_spacing_mm,
        fan_step_deg=settings.fan_step_deg,
        time_limit_s=_TIMES_OF_MESH * subject.mesh_time_limit_s,
        pieces=plan.pieces if plan else (),
        round_mm=settings.cutter_mm / 2 if settings.inner_corners != AS_CUT else 0.0,
    )
