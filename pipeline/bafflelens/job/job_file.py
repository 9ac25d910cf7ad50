# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading a job file: all of it is checked before anything is computed.

Every fault that can be found is reported at once, each with the file and the key, so that a
job is mended in one round.
"""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np
from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import GeometryError, InputError, JobError, invalid
from bafflelens.base.octaves import inside
from bafflelens.base.reading import LARGEST_TOML, read_text, toml_of
from bafflelens.directivity.loudspeaker import DrivenLoudspeaker
from bafflelens.job.boundaries import Boundaries, read_boundaries, source_name_faults
from bafflelens.job.domes import dome_faults
from bafflelens.job.driver_sections import CrossoverSection, DriverSection
from bafflelens.job.keys import NAME, field_at, key_at, keys_of, rule_of
from bafflelens.job.score_sections import RoomSection, ScoreSection, TargetSection
from bafflelens.job.search_sections import RobustnessSection, SearchSection
from bafflelens.job.sections import Job
from bafflelens.job.shape_sections import (
    BaselineSection,
    Choices,
    Fixed,
    GeometrySection,
    ReferenceSection,
    Setting,
    ShapeSection,
    Span,
)
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
from bafflelens.shapes.meshing.constraints import Constraint, read_constraint
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.parameters import Parameter, Shape

SHAPE_SECTIONS: Final = ("geometry", "baseline")

_LONGEST_VALUE_SHOWN: Final = 60
_SIMILAR: Final = 0.6
_MOST_FAULTS: Final = 100  # a file of another kind would list each of its keys
_LEAST_SCORED: Final = 2  # one alone shows no change over frequency
_AnySection = TypeVar("_AnySection", bound=BaseModel)


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
    job: Job | None = None
    faults: list[str] = []
    untold = 0
    try:
        job = Job.model_validate(table)
    except ValidationError as error:
        details = error.errors()
        faults += [_describe(fault) for fault in details[:_MOST_FAULTS]]
        untold = max(len(details) - _MOST_FAULTS, 0)

    # A fault in one section must not hide those in another, so the sections that concern the
    # shapes are also looked at by themselves.
    search = _alone(SearchSection, table.get("search"))
    geometry = _alone(GeometrySection, table.get("geometry"))
    baseline = _alone(BaselineSection, table.get("baseline"))
    crossover = _alone(CrossoverSection, table.get("crossover"))
    driver = _alone(DriverSection, table.get("driver", {}))
    references = _references(table.get(SECTION))
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
            faults += _parameter_faults(name, section, shapes[name])
    faults += _judgement_faults(table)
    sources = read_sources(crossover, driver, shapes, tables or {}, path.parent)
    faults += sources.faults
    if set(SHAPE_SECTIONS) <= set(shapes):
        faults += source_faults(
            sources,
            crossover,
            driver,
            shapes,
            values={
                name: _one_of_each(sections[name], None if name in plates else geometry, shape)
                for name, shape in shapes.items()
            },
            has_crossover="crossover" in table,
            scored_hz=_scored_hz(table),
        )
    robustness = _alone(RobustnessSection, table.get("robustness", {}))
    if robustness is not None and "geometry" in shapes:
        faults += _tolerance_faults(robustness, shapes["geometry"])
    constraints: tuple[Constraint, ...] = ()
    if geometry is not None and search is not None:
        faults += _plan_faults(geometry, search)
        if "geometry" in shapes:
            constraints, unread = _constraints(search, shapes["geometry"])
            faults += [*unread, *_guess_faults(geometry, search, shapes["geometry"])]
    faults += [
        f"Invalid section [{section_of(name)}]. Must be {NAME_RULE}."
        for name in references
        if not can_be_a_name(name)
    ]
    for name in ("baseline", *map(section_of, references)):
        beside = sections[name]
        if geometry is not None and beside is not None and {"geometry", name} <= set(shapes):
            faults += _baseline_faults(geometry, name, beside, shapes[name])

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


def _alone(model: type[_AnySection], content: object) -> _AnySection | None:
    """Return one section by itself, None if it is missing or has faults (reported elsewhere)."""
    try:
        return model.model_validate(content)
    except ValidationError:
        return None


def _one_of_each(
    section: ShapeSection | None, geometry: GeometrySection | None, shape: Shape
) -> dict[str, float]:
    """Return one value of each parameter that is given for a shape and may be."""
    given = {
        **(geometry.parameters if geometry else {}),
        **(section.parameters if section else {}),
    }
    values = {}
    for parameter in shape.parameters:
        match given.get(parameter.key):
            case Fixed(value) | Span(value) | Choices((value, *_)):
                if parameter.low <= value <= parameter.high:
                    values[parameter.key] = value
    return values


def _references(content: object) -> dict[str, ReferenceSection]:
    """Return the references that have no faults of their own, by name."""
    tables = content if isinstance(content, dict) else {}
    found = {name: _alone(ReferenceSection, table) for name, table in tables.items()}
    return {name: section for name, section in found.items() if section is not None}


# ---------------------------------------------------------------- faults that the models find


def _describe(fault: ErrorDetails) -> str:
    """Return one fault of a model in the project's grammar."""
    location = tuple(part for part in fault["loc"] if part != "parameters")
    name, mine = key_at(location)
    known = [key.replace(NAME, mine or NAME) for key in _known_keys()]
    if fault["type"] == "extra_forbidden":
        return unknown_key(name, known)
    if fault["type"] == "rule":
        rule = fault["msg"]
    else:
        field = field_at(location)
        is_section = name not in known
        rule = f"a section [{name}]" if is_section or field is None else rule_of(name, field)
    if fault["type"] == "missing":
        return f"Missing key '{name}'. Must be {rule}."
    is_section = field_at(location) is not None and name not in known
    if isinstance(fault["input"], dict) and fault["type"] == "rule" and is_section:
        return f"Invalid section [{name}]. Must be {rule}."
    return invalid(f"key '{name}'", _shown(fault["input"]), rule)


@cache
def _known_keys() -> tuple[str, ...]:
    return tuple(key.name for key in keys_of())


def unknown_key(name: str, known: Sequence[str]) -> str:
    """Return the message for an unknown key, with the nearest of the known ones.

    Examples
    --------
    >>> unknown_key("solve.qualty", ["solve.engine", "solve.quality"])
    "Invalid key 'solve.qualty'. Must be a known key; the nearest is 'solve.quality'."
    """
    section, _, last = name.rpartition(".")
    sections = {key.rpartition(".")[0] for key in known} - {""}
    targets = [*known, *sorted(sections)] if not section else list(known)

    def likeness(key: str) -> float:
        # A slip in the last word, or the right word in the wrong section.
        other_section, _, other_last = key.rpartition(".")
        return 0.75 * _ratio(last, other_last) + 0.25 * _ratio(section, other_section)

    nearest = max(targets, key=likeness)
    if _ratio(last, nearest.rpartition(".")[2]) >= _SIMILAR:
        return invalid("key", name, f"a known key; the nearest is '{nearest}'")
    siblings = [key for key in known if key.rpartition(".")[0] == section] or targets
    return invalid("key", name, "one of " + ", ".join(siblings))


def _ratio(one: str, other: str) -> float:
    """Return how alike two words are, 0 to 1."""
    return difflib.SequenceMatcher(None, one, other).ratio()


def _shown(value: object) -> str:
    """Return a value as a job file would have it, shortened."""
    shown = str(value).lower() if isinstance(value, bool) else str(value)
    return shown if len(shown) <= _LONGEST_VALUE_SHOWN else shown[:_LONGEST_VALUE_SHOWN] + "..."


def _judgement_faults(table: Mapping[str, Any]) -> Iterator[str]:
    """Yield faults that show only where sections meet: room, target, score, frequencies."""
    room_section = _alone(RoomSection, table.get("room", {}))
    target_section = _alone(TargetSection, table.get("target", {}))
    score_section = _alone(ScoreSection, table.get("score", {}))
    frequencies = _alone(FrequenciesSection, table.get("frequencies", {}))
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


def _scored_hz(table: Mapping[str, Any]) -> FloatArray:
    """Return the frequencies that the score looks at, in Hz; none where a section is faulty."""
    score_section = _alone(ScoreSection, table.get("score", {}))
    frequencies = _alone(FrequenciesSection, table.get("frequencies", {}))
    if score_section is None or frequencies is None:
        return np.array([])
    solved = np.array(frequencies.frequencies_hz)
    return solved[inside(solved, (score_section.from_hz, score_section.to_hz))]


# ------------------------------------------------------ faults against the shape and the plan


def _parameter_faults(name: str, section: ShapeSection, shape: Shape) -> Iterator[str]:
    known = {parameter.key: parameter for parameter in shape.parameters}
    for key, setting in section.parameters.items():
        if key in known:
            yield from _range_faults(f"key '{name}.{key}'", setting, known[key])
        else:
            yield unknown_key(f"{name}.{key}", [f"{name}.{other}" for other in known])


def _tolerance_faults(section: RobustnessSection, shape: Shape) -> Iterator[str]:
    known = {parameter.key for parameter in shape.parameters}
    for key in section.parameters:
        if key not in known:
            yield unknown_key(f"robustness.{key}", [f"robustness.{other}" for other in known])


def _range_faults(what: str, setting: Setting, parameter: Parameter) -> Iterator[str]:
    match setting:
        case Fixed(value):
            values: tuple[float, ...] = (value,)
        case Span(low, high):
            values = (low, high)
        case Choices(values):
            pass
    rule = f"from {parameter.low:g} to {parameter.high:g} {parameter.unit}"
    for value in values:
        if not parameter.low <= value <= parameter.high:
            yield invalid(what, f"{value:g}", rule)


def _left_in(search: SearchSection, *keys: str) -> Iterator[str]:
    """Yield a fault for each key that has no place in a search plan."""
    for key in keys:
        if getattr(search, key) is not None:
            rule = f"left out with plan '{search.plan}'"
            yield invalid(f"key 'search.{key}'", getattr(search, key), rule)


def _plan_faults(geometry: GeometrySection, search: SearchSection) -> Iterator[str]:
    spans = {k: s for k, s in geometry.parameters.items() if isinstance(s, Span)}
    choices = {k: s for k, s in geometry.parameters.items() if isinstance(s, Choices)}
    if not search.is_sampled:
        yield from _left_in(search, "candidates", "seed")
    if not search.is_directed:
        yield from _left_in(search, "aim", "at_once")
    if search.is_sampled:
        if search.candidates is None:
            yield f"Missing key 'search.candidates'. Must be given with plan '{search.plan}'."
        if not spans and not choices:
            yield (
                "Invalid section [geometry]. Must have at least one parameter with a range "
                f"{{ from = ..., to = ... }} for plan '{search.plan}': there are no candidates."
            )
        for key, span in spans.items():
            if span.steps is not None:
                yield invalid(
                    f"key 'geometry.{key}.steps'", span.steps, "left out with this search plan"
                )
    if search.plan == "grid":
        for key, span in spans.items():
            if span.steps is None:
                rule = "{ from = ..., to = ..., steps = ... } or a list with plan 'grid'"
                yield invalid(f"key 'geometry.{key}'", f"{span.low:g} to {span.high:g}", rule)
        for key, choice in choices.items():
            repeated = len(choice.values) - len(set(choice.values))
            if repeated:
                what, rule = f"key 'geometry.{key}'", "a list without repeats with plan 'grid'"
                yield invalid(what, f"{repeated} repeated", rule)
    if search.plan == "list":
        for key, span in spans.items():
            rule = "a number or a list with plan 'list'"
            yield invalid(f"key 'geometry.{key}'", f"{span.low:g} to {span.high:g}", rule)
        lengths = Counter(len(choice.values) for choice in choices.values())
        usual = lengths.most_common(1)[0][0] if lengths else 0
        for key, choice in choices.items():
            if len(choice.values) != usual:
                rule = f"as long as the other lists with plan 'list', {usual} values"
                yield invalid(f"key 'geometry.{key}'", f"{len(choice.values)} values", rule)


def _constraints(search: SearchSection, shape: Shape) -> tuple[tuple[Constraint, ...], list[str]]:
    """Return the constraints of a search, and the faults of those that cannot be read."""
    known = [parameter.key for parameter in shape.parameters]
    found, faults = [], []
    for text in search.constraints:
        try:
            found.append(read_constraint(text, known))
        except InputError as error:
            faults += [f"key 'search.constraints': {fault}" for fault in error.faults]
    return tuple(found), faults


def _guess_faults(geometry: GeometrySection, search: SearchSection, shape: Shape) -> Iterator[str]:
    known = [parameter.key for parameter in shape.parameters]
    for guess in search.guesses:
        for key, value in guess.items():
            what = f"key 'search.guesses.{key}'"
            match geometry.parameters.get(key):
                case None | Fixed() if key not in known:
                    yield unknown_key(
                        f"search.guesses.{key}", [f"search.guesses.{other}" for other in known]
                    )
                case Span(low, high) if not low <= value <= high:
                    rule = f"from {low:g} to {high:g}, as searched in [geometry]"
                    yield invalid(what, f"{value:g}", rule)
                case Choices(values) if value not in values:
                    rule = "one of " + ", ".join(f"{choice:g}" for choice in values)
                    yield invalid(what, f"{value:g}", rule)
                case Fixed(fixed) if value != fixed:
                    yield invalid(what, f"{value:g}", f"{fixed:g}, as fixed in [geometry]")
                case None:
                    yield invalid(what, f"{value:g}", "left out, or be searched in [geometry]")


def _baseline_faults(
    geometry: GeometrySection, name: str, section: ShapeSection, shape: Shape
) -> Iterator[str]:
    for key, setting in section.parameters.items():
        if not isinstance(setting, Fixed):
            yield invalid(f"key '{name}.{key}'", "a range or list", "one number")
    for parameter in shape.parameters:
        searched = geometry.parameters.get(parameter.key)
        if searched is None or isinstance(searched, Fixed):
            continue
        if parameter.key not in section.parameters:
            yield (
                f"Missing key '{name}.{parameter.key}'. Must be given as one number, since "
                "the search varies it and this shape has only one value."
            )
