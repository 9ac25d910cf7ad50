# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading a job file: all of it is checked before anything is computed.

Every fault that can be found is reported at once, each with the file and the key, so that a
job is mended in one round.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
from pydantic import ValidationError
from pydantic_core import ErrorDetails

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import GeometryError, InputError, JobError, invalid
from bafflelens.base.octaves import inside
from bafflelens.base.reading import LARGEST_TOML, read_text, toml_of
from bafflelens.directivity.loudspeaker import DrivenLoudspeaker
from bafflelens.job.boundaries import Boundaries, read_boundaries, source_name_faults
from bafflelens.job.domes import dome_faults
from bafflelens.job.driver_sections import CrossoverSection, DriverSection
from bafflelens.job.key_faults import described_fault
from bafflelens.job.one_that_fits import one_that_fits
from bafflelens.job.plan_faults import (
    baseline_faults,
    carve_faults,
    guess_faults,
    parameter_faults,
    plan_faults,
    read_constraints,
    tolerance_faults,
)
from bafflelens.job.score_sections import RoomSection, ScoreSection, TargetSection
from bafflelens.job.search_sections import RobustnessSection, SearchSection
from bafflelens.job.sections import Job
from bafflelens.job.shape_sections import (
    BaselineSection,
    GeometrySection,
    ReferenceSection,
)
from bafflelens.job.shown_only import shown_only_faults
from bafflelens.job.solve_sections import NOMINAL_TOLERANCE, FrequenciesSection
from bafflelens.job.sources import (
    BASELINE,
    DriverPlate,
    plate_sections,
    read_sources,
    source_faults,
)
from bafflelens.scoring.references import (
    NAME_RULE,
    SECTION,
    can_be_a_name,
    reference_id,
    section_of,
)
from bafflelens.scoring.target import Room
from bafflelens.shapes.meshing.constraints import Constraint
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.parameters import Shape

SHAPE_SECTIONS: Final = ("geometry", "baseline")

_MOST_FAULTS: Final = 100  # a file of another kind would list each of its keys
_LEAST_SCORED: Final = 2  # one alone shows no change over frequency


@dataclass(frozen=True, kw_only=True)
class LoadedJob:
    """A job that has been read and checked, with the shapes that it names.

    Attributes
    ----------
    path : Path
        The job file.
    text : str
        The job file as given.
    job : Job
        Its content.
    shape, baseline_shape : Shape
        What the scripts of ``[geometry]`` and ``[baseline]`` describe.
    reference_shapes : mapping of str to Shape
        What those of ``[references.<name>]`` describe, by name.
    boundaries : Boundaries
        What the job says of moving and absorbing surfaces.
    loudspeaker : Loudspeaker
        How the sources are driven: ``[crossover]`` and ``[driver]`` with what their files hold.
    plates : tuple of Plate
        Shapes that drivers were measured in, other than the baseline.
    files : mapping of str to Path
        Text files that the job names, by key.
    constraints : tuple of Constraint
        What the parameters of every candidate must fulfil.
    carved_shapes : mapping of str to Shape
        Shapes of the candidates of a run that were carved from others, by id.
    """

    path: Path
    text: str
    job: Job
    shape: Shape
    baseline_shape: Shape
    boundaries: Boundaries
    loudspeaker: DrivenLoudspeaker = field(default_factory=DrivenLoudspeaker)
    reference_shapes: Mapping[str, Shape] = field(default_factory=dict)
    plates: tuple[DriverPlate, ...] = ()
    files: Mapping[str, Path] = field(default_factory=dict)
    constraints: tuple[Constraint, ...] = ()
    carved_shapes: Mapping[str, Shape] = field(default_factory=dict)

    def shape_of(self, candidate_id: str) -> Shape:
        """Return the shape that a candidate, baseline, reference or plate of a run is one of."""
        others = {BASELINE: self.baseline_shape}
        others |= {reference_id(name): shape for name, shape in self.reference_shapes.items()}
        others |= {plate.id: plate.shape for plate in self.plates} | dict(self.carved_shapes)
        return others.get(candidate_id, self.shape)


def load_job(
    path: Path,
    *,
    scripts: Mapping[str, Path] | None = None,
    tables: Mapping[str, Path] | None = None,
) -> LoadedJob:
    """Read a job file and check all of it.

    Parameters
    ----------
    path : Path
        The TOML file.
    scripts : mapping of str to Path, optional
        Geometry scripts by section (``geometry``, ``baseline``, ``references.felt``,
        ``driver.tweeter.plate``), instead of those that the job names: a run folder keeps copies.
    tables : mapping of str to Path, optional
        Text tables by key (``sources.tweeter.velocity_table``), likewise.

    Raises
    ------
    JobError
        With every fault that was found, one line each.
    """
    text, table = _read(path)
    read = _read_sections(table)
    job, faults, untold = read.job, list(read.faults), read.untold

    # A fault in one section must not hide those in another.
    search: SearchSection | None = read.section("search")
    geometry: GeometrySection | None = read.section("geometry")
    baseline: BaselineSection | None = read.section("baseline")
    crossover: CrossoverSection | None = read.section("crossover")
    driver: DriverSection | None = read.section("driver")
    references = read.references
    plates = plate_sections(driver)
    sections = {
        "geometry": geometry,
        "baseline": baseline,
        **{section_of(name): section for name, section in references.items()},
        **plates,
    }
    shapes: dict[str, Shape] = {}
    for name, section in sections.items():
        if section is None:
            continue
        try:
            shapes[name] = load_shape((scripts or {}).get(name, path.parent / section.script))
        except GeometryError as error:
            faults += [f"key '{name}.script': {fault}" for fault in error.faults]
        else:
            faults += parameter_faults(name, section, shapes[name])
    faults += _judgement_faults(read)
    sources = read_sources(crossover, driver, shapes, tables or {}, path.parent)
    faults += sources.faults
    if set(SHAPE_SECTIONS) <= set(shapes):
        values = {
            name: one_that_fits(sections[name], None if name in plates else geometry, shape)
            for name, shape in shapes.items()
        }
        faults += source_faults(
            sources,
            crossover,
            driver,
            shapes,
            values=values,
            has_crossover="crossover" in table,
            scored_hz=_scored_hz(read),
        )
    robustness: RobustnessSection | None = read.section("robustness")
    if robustness is not None and "geometry" in shapes:
        faults += tolerance_faults(robustness, shapes["geometry"])
    constraints: tuple[Constraint, ...] = ()
    if geometry is not None and search is not None:
        faults += plan_faults(geometry, search)
        if "geometry" in shapes:
            constraints, unread = read_constraints(search, shapes["geometry"])
            faults += [*unread, *guess_faults(geometry, search, shapes["geometry"])]
    faults += [
        f"Invalid section [{section_of(name)}]. Must be {NAME_RULE}."
        for name in references
        if not can_be_a_name(name)
    ]
    for name in ("baseline", *map(section_of, references)):
        beside = sections[name]
        if geometry is not None and beside is not None and {"geometry", name} <= set(shapes):
            faults += baseline_faults(geometry, name, beside, shapes[name])

    boundaries = Boundaries()
    if job is not None:
        boundaries, found = read_boundaries(job, path.parent, tables or {})
        faults += found
        if set(shapes) == set(sections):
            faults += source_name_faults(job.sources, list(shapes.values()))
            faults += dome_faults(boundaries.families, list(shapes.values()))
        if job.score.domes != "rigid" and not job.domes:
            rule = "'rigid' in a job without a section [domes.<source>]"
            faults.append(invalid("key 'score.domes'", job.score.domes, rule))
        faults += carve_faults(job.carve, job.frequencies, job.score)
        if job.solve.engine == "bempp" and job.domes:
            rule = "direct or gpu where a section [domes.<source>] asks for profiles"
            faults.append(invalid("key 'solve.engine'", "bempp", rule))
        if job.listening.crossover != "same" and job.crossover is None:
            rule = "'same' in a job without a section [crossover]"
            faults.append(invalid("key 'listening.crossover'", job.listening.crossover, rule))

    if len(faults) + untold > _MOST_FAULTS:
        untold += len(faults) - _MOST_FAULTS
        faults = [*faults[:_MOST_FAULTS], f"{untold} more faults"]
    if faults or job is None:
        raise JobError([f"{path}: {fault}" for fault in faults])
    return LoadedJob(
        path=path,
        text=text,
        job=job,
        shape=shapes["geometry"],
        baseline_shape=shapes["baseline"],
        reference_shapes={name: shapes[section_of(name)] for name in references},
        boundaries=boundaries,
        loudspeaker=sources.loudspeaker,
        plates=sources.plates,
        files=sources.files,
        constraints=constraints,
    )


def _read(path: Path) -> tuple[str, dict[str, Any]]:
    text = read_text(path, "job file", JobError, most=LARGEST_TOML, kind="TOML file")
    return text, toml_of(text, path, "job file", JobError)


@dataclass(frozen=True, kw_only=True)
class _ReadSections:
    """A job file by its sections.

    Attributes
    ----------
    table : mapping
        What the file says.
    job : Job or None
        The whole; None if a section has faults.
    faults : tuple of str
        What is at fault within sections.
    untold : int
        How many more faults there are.
    whole : mapping of str to object
        The given sections without faults.
    """

    table: Mapping[str, Any]
    job: Job | None
    faults: tuple[str, ...]
    untold: int
    whole: Mapping[str, Any]

    def section(self, name: str) -> Any:
        """Return a section, its defaults where it is not given; None if it has faults."""
        model = Job.model_fields[name]
        if name in self.table or model.is_required():
            return self.whole.get(name)
        return model.get_default(call_default_factory=True)

    @property
    def references(self) -> dict[str, ReferenceSection]:
        """The references that have no faults of their own, by name."""
        known: dict[str, ReferenceSection] | None = self.section(SECTION)
        if known is not None:
            return known
        content = self.table[SECTION]
        tables = content if isinstance(content, dict) else {}
        found = {}
        for name, table in tables.items():
            with suppress(ValidationError):  # which is told already
                found[name] = ReferenceSection.model_validate(table)
        return found


def _read_sections(table: Mapping[str, Any]) -> _ReadSections:
    """Validate every section of a job file."""
    job: Job | None = None
    whole: dict[str, Any] = {}
    details: list[ErrorDetails] = []
    try:
        job = Job.model_validate(table, context=whole)
    except ValidationError as error:
        details = error.errors()
    return _ReadSections(
        table=table,
        job=job,
        faults=tuple(described_fault(fault) for fault in details[:_MOST_FAULTS]),
        untold=max(len(details) - _MOST_FAULTS, 0),
        whole=whole,
    )


def _judgement_faults(read: _ReadSections) -> Iterator[str]:
    """Yield faults that show only where sections meet: room, target, score, frequencies."""
    room_section: RoomSection | None = read.section("room")
    target_section: TargetSection | None = read.section("target")
    score_section: ScoreSection | None = read.section("score")
    frequencies: FrequenciesSection | None = read.section("frequencies")
    room = Room()
    if room_section is not None:
        try:
            room = room_section.room
        except InputError as error:
            yield from (f"[room] {fault}" for fault in error.faults)
    if target_section is not None:
        try:
            target_section.target(room)
        except InputError as error:
            yield from (f"[target] {fault}" for fault in error.faults)
    if frequencies is not None:
        yield from shown_only_faults(frequencies, read.section("solve"), score_section)
    if score_section is None:
        return
    try:
        settings = score_section.settings
    except InputError as error:
        yield from (f"[score] {fault}" for fault in error.faults)
        return
    if frequencies is not None:
        solved = frequencies.frequencies_hz
        if settings.from_hz < solved[0] * (1 - NOMINAL_TOLERANCE):
            rule = f"at least the lowest frequency solved, {solved[0]:.0f} Hz"
            yield invalid("key 'score.from_hz'", f"{settings.from_hz:g}", rule)
        if settings.to_hz > solved[-1] * (1 + NOMINAL_TOLERANCE):
            rule = f"at most the highest frequency solved, {solved[-1]:.0f} Hz"
            yield invalid("key 'score.to_hz'", f"{settings.to_hz:g}", rule)
        if inside(np.array(solved), settings.band_hz).sum() < _LEAST_SCORED:
            band = f"from_hz = {settings.from_hz:g}, to_hz = {settings.to_hz:g}"
            rule = f"a band in which {_LEAST_SCORED} frequencies at least are solved"
            yield invalid("section [score]", band, rule)


def _scored_hz(read: _ReadSections) -> FloatArray:
    """Return the frequencies that the score looks at, in Hz; none where a section is faulty."""
    score_section: ScoreSection | None = read.section("score")
    frequencies: FrequenciesSection | None = read.section("frequencies")
    if score_section is None or frequencies is None:
        return np.array([])
    solved = np.array(frequencies.frequencies_hz)
    return solved[inside(solved, (score_section.from_hz, score_section.to_hz))]
