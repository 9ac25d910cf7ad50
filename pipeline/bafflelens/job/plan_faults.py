# SPDX-License-Identifier: GPL-3.0-or-later
"""Faults of a job against the parameters of its shapes, and against its search plan."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from bafflelens.base.errors import InputError, invalid
from bafflelens.job.key_faults import unknown_key
from bafflelens.job.score_sections import ScoreSection
from bafflelens.job.search_sections import CarveSection, RobustnessSection, SearchSection
from bafflelens.job.shape_sections import (
    Choices,
    Fixed,
    GeometrySection,
    Setting,
    ShapeSection,
    Span,
)
from bafflelens.job.solve_sections import FrequenciesSection
from bafflelens.job.units import other_unit
from bafflelens.shapes.meshing.constraints import Constraint, read_constraint
from bafflelens.shapes.meshing.parameters import Parameter, Shape


def parameter_faults(name: str, section: ShapeSection, shape: Shape) -> Iterator[str]:
    """Yield parameters that a shape has not, and values out of its ranges."""
    known = {parameter.key: parameter for parameter in shape.parameters}
    for key, setting in section.parameters.items():
        if key in known:
            yield from _range_faults(f"key '{name}.{key}'", setting, known[key])
        else:
            yield unknown_key(f"{name}.{key}", [f"{name}.{other}" for other in known])


def tolerance_faults(section: RobustnessSection, shape: Shape) -> Iterator[str]:
    """Yield tolerances of parameters that a shape has not."""
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
            hint = other_unit(value, parameter.unit, parameter.low, parameter.high)
            yield invalid(what, f"{value:g}", rule + hint)


def _left_in(search: SearchSection, *keys: str) -> Iterator[str]:
    """Yield a fault for each key that has no place in a search plan."""
    for key in keys:
        if getattr(search, key) is not None:
            rule = f"left out with plan '{search.plan}'"
            yield invalid(f"key 'search.{key}'", getattr(search, key), rule)


def plan_faults(geometry: GeometrySection, search: SearchSection) -> Iterator[str]:
    """Yield what a search plan needs or has no place for."""
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


def read_constraints(
    search: SearchSection, shape: Shape
) -> tuple[tuple[Constraint, ...], list[str]]:
    """Return the constraints of a search, and the faults of those that cannot be read."""
    known = [parameter.key for parameter in shape.parameters]
    found, faults = [], []
    for text in search.constraints:
        try:
            found.append(read_constraint(text, known))
        except InputError as error:
            faults += [f"key 'search.constraints': {fault}" for fault in error.faults]
    return tuple(found), faults


def guess_faults(geometry: GeometrySection, search: SearchSection, shape: Shape) -> Iterator[str]:
    """Yield guesses that are not among what is searched."""
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


def baseline_faults(
    geometry: GeometrySection, name: str, section: ShapeSection, shape: Shape
) -> Iterator[str]:
    """Yield what keeps a baseline from being one shape beside all candidates."""
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


def quieter_band(
    carve: CarveSection, frequencies: FrequenciesSection, score: ScoreSection
) -> tuple[float, float]:
    """Return the band in Hz in which a carved shape is to be quieter than the baseline.

    Raises
    ------
    InputError
        If it is empty, or goes beyond what is solved.
    """
    low, high = frequencies.from_hz, frequencies.to_hz
    from_hz = carve.quieter_from_hz or max(low, score.from_hz)
    to_hz = carve.quieter_to_hz or min(high, score.to_hz)
    for key, value in (("quieter_from_hz", from_hz), ("quieter_to_hz", to_hz)):
        if not low <= value <= high:
            rule = f"from {low:g} to {high:g} Hz, where this job is solved"
            raise InputError(invalid(f"key 'carve.{key}'", f"{value:g}", rule))
    if from_hz >= to_hz:
        rule = f"below {to_hz:g} Hz, the upper end of that band"
        raise InputError(invalid("key 'carve.quieter_from_hz'", f"{from_hz:g}", rule))
    return from_hz, to_hz


def carve_faults(
    carve: CarveSection, frequencies: FrequenciesSection, score: ScoreSection
) -> Iterator[str]:
    """Yield what keeps leaders from being carved as asked."""
    if carve.leaders and carve.quieter_than_baseline:
        try:
            quieter_band(carve, frequencies, score)
        except InputError as error:
            yield from error.faults
