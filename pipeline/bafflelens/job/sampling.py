# SPDX-License-Identifier: GPL-3.0-or-later
"""Candidates: the parameter values that a job's search plan asks for."""

from __future__ import annotations

import itertools
import math
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import InputError, JobError, invalid
from bafflelens.job.job_file import LoadedJob
from bafflelens.job.shape_sections import Choices, Fixed, Setting, ShapeSection, Span
from bafflelens.scoring.references import is_reference, reference_id, section_of
from bafflelens.shapes.meshing.loading import check_parameters
from bafflelens.shapes.meshing.parameters import Shape

BASELINE_ID: Final = "baseline"

DEFAULT_SEED: Final = 1
_TRIES_PER_CANDIDATE: Final = 200
_FEWEST_TRIES: Final = 1000
_LARGEST_GRID: Final = 100_000
_FEWEST_FIRST_POINTS: Final = 8
_FEWEST_EVEN_POINTS: Final = 4

ParameterCheck = Callable[[Shape, Mapping[str, float]], list[str]]


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One shape to be solved.

    Attributes
    ----------
    id : str
        Short name, also that of its folder: ``baseline``, ``reference_felt`` or ``c001``.
    values : dict of str to float
        Every parameter of the shape: ``{"lens.depth_mm": 20.0, ...}``.
    """

    id: str
    values: dict[str, float]

    @property
    def is_baseline(self) -> bool:
        """Whether others are compared with this shape: the baseline, or a reference."""
        return self.id == BASELINE_ID or is_reference(self.id)


@dataclass(frozen=True, kw_only=True)
class Sampling:
    """What a search plan gave.

    Attributes
    ----------
    baseline : Candidate
        The shape that every candidate is compared with.
    candidates : tuple of Candidate
        The candidates, in the order in which they are solved.
    references : tuple of Candidate
        Further baselines.
    skipped : int
        Samples left out because they broke a rule of the shape.
    skipped_rule : str
        An example of the rule most often broken, empty if none was.
    proposed : int
        How many more candidates follow from what is solved, as the run goes on.
    """

    baseline: Candidate
    candidates: tuple[Candidate, ...]
    references: tuple[Candidate, ...] = ()
    skipped: int = 0
    skipped_rule: str = ""
    proposed: int = 0

    @property
    def everything(self) -> tuple[Candidate, ...]:
        """The baseline first, then the references, then the candidates."""
        return (self.baseline, *self.references, *self.candidates)


def draw(
    loaded: LoadedJob,
    *,
    earlier: Sequence[Mapping[str, float]] = (),
    check: ParameterCheck = check_parameters,
) -> Sampling:
    """Return the candidates of a job, without those that break a rule.

    The engineer's guesses come first, then the best of earlier runs, then what the plan gives.
    Drawn samples that break a rule of the shape or a constraint of the job are skipped and the
    sequence goes on until the number asked for is found, within a bound.

    Parameters
    ----------
    loaded : LoadedJob
        The job.
    earlier : sequence of mapping
        Parameters of candidates of earlier runs.
    check : callable
        Returns the rules that a set of values breaks.

    Raises
    ------
    JobError
        If there are no candidates, with the rule most often broken; if a candidate of a list or
        a guess breaks a rule; if the baseline or a reference does.
    """
    search = loaded.job.search
    settings = settings_of(loaded)
    limit: int | None = None
    trials: Iterable[dict[str, float]]
    starts = [_with_guess(loaded, guess) for guess in search.guesses]
    guess_faults = [fault for start in starts for fault in faults_of(loaded, start, check)]
    starts += [
        start
        for start in (_with_guess(loaded, found) for found in earlier)
        if not faults_of(loaded, start, check)
    ]
    starts = _distinct(starts)
    if search.is_sampled:
        wanted = search.candidates or 1
        limit = max(wanted - len(starts), 0)
        if search.is_directed:
            limit = min(limit, _first_points(settings, len(starts)))
        tries = max(_FEWEST_TRIES, _TRIES_PER_CANDIDATE * limit)
        points = random_points if search.plan == "random" else low_discrepancy
        trials = points(settings, seed_of(loaded), tries) if limit else ()
    elif search.plan == "grid":
        trials = _grid(settings)
    else:
        trials = _rows(settings)

    new = (values for values in trials if values not in starts)
    drawn, broken = _keep_valid(new, lambda values: faults_of(loaded, values, check), limit)
    valid = [*starts, *drawn]
    faults = [f"{loaded.path}: [[search.guesses]] {fault}" for fault in guess_faults]
    faults += [
        f"{loaded.path}: [baseline] {fault}"
        for fault in check(loaded.baseline_shape, baseline_values(loaded))
    ]
    references = reference_values(loaded)
    faults += [
        f"{loaded.path}: [{section_of(name)}] {fault}"
        for name, values in references.items()
        for fault in check(loaded.reference_shapes[name], values)
    ]
    if broken and search.plan == "list":  # each of these was written down by hand
        faults += [f"{loaded.path}: [geometry] {rule}" for rule in broken]
    elif not valid:
        faults.append(
            f"{loaded.path}: Invalid search plan '{search.plan}'. Must give at least one "
            f"candidate; all {len(broken)} samples broke a rule, most often: {_usual(broken)}"
        )
    if faults:
        raise JobError(faults)

    total = max(search.candidates or 0, len(valid)) if search.is_directed else len(valid)
    return Sampling(
        baseline=Candidate(id=BASELINE_ID, values=baseline_values(loaded)),
        candidates=tuple(
            Candidate(id=candidate_id(number, total), values=values)
            for number, values in enumerate(valid, start=1)
        ),
        references=tuple(
            Candidate(id=reference_id(name), values=values) for name, values in references.items()
        ),
        skipped=len(broken),
        skipped_rule=_usual(broken),
        proposed=total - len(valid),
    )


def candidate_id(number: int, total: int) -> str:
    """Return the id of a candidate, counted from 1, of so many."""
    return f"c{number:0{max(3, len(str(total)))}d}"


def _first_points(settings: Mapping[str, Setting], starts: int) -> int:
    """Return how many points a directed search spreads evenly before it is directed.

    Two a parameter that is searched, those that the engineer starts with among them.
    """
    wanted = max(_FEWEST_FIRST_POINTS, 2 * len(_searched(settings)))
    return max(wanted - starts, _FEWEST_EVEN_POINTS)


def seed_of(loaded: LoadedJob) -> int:
    """Return the seed of a job's search."""
    seed = loaded.job.search.seed
    return DEFAULT_SEED if seed is None else seed


def faults_of(
    loaded: LoadedJob, values: Mapping[str, float], check: ParameterCheck = check_parameters
) -> list[str]:
    """Return the rules of the shape and the constraints of the job that values break."""
    faults = check(loaded.shape, values)
    if faults:
        return faults
    return [fault for rule in loaded.constraints if (fault := rule.fault(values))]


def _with_guess(loaded: LoadedJob, guess: Mapping[str, float]) -> dict[str, float]:
    """Return all parameters of a guess: what it leaves out is fixed, or as near its default."""
    defaults = loaded.shape.defaults
    return {
        key: _nearest(setting, guess.get(key, defaults[key]))
        for key, setting in settings_of(loaded).items()
    }


def _nearest(setting: Setting, value: float) -> float:
    match setting:
        case Fixed(fixed):
            return fixed
        case Span(low, high):
            return min(max(value, low), high)
        case Choices(values):
            return min(values, key=lambda choice: abs(choice - value))


def _distinct(starts: Sequence[dict[str, float]]) -> list[dict[str, float]]:
    found: list[dict[str, float]] = []
    for start in starts:
        if start not in found:
            found.append(start)
    return found


def _searched(settings: Mapping[str, Setting]) -> dict[str, Setting]:
    return {key: item for key, item in settings.items() if not isinstance(item, Fixed)}


def baseline_values(loaded: LoadedJob) -> dict[str, float]:
    """Return the baseline's parameters: its own, else the candidates', else its defaults."""
    return _values_beside(loaded, loaded.job.baseline, loaded.baseline_shape)


def reference_values(loaded: LoadedJob) -> dict[str, dict[str, float]]:
    """Return each reference's parameters by its name, found like those of the baseline."""
    return {
        name: _values_beside(loaded, loaded.job.references[name], shape)
        for name, shape in loaded.reference_shapes.items()
    }


def _values_beside(loaded: LoadedJob, section: ShapeSection, shape: Shape) -> dict[str, float]:
    shared = settings_of(loaded)
    values = {}
    for parameter in shape.parameters:
        setting = section.parameters.get(parameter.key) or shared.get(parameter.key)
        values[parameter.key] = setting.value if isinstance(setting, Fixed) else parameter.default
    return values


def low_discrepancy(
    settings: Mapping[str, Setting], seed: int, tries: int
) -> Iterator[dict[str, float]]:
    """Yield distinct points of a scrambled Halton sequence.

    Halton's sequence is used because it fills the ranges evenly after any number of points, so
    that it can go on when samples are skipped. Values are rounded to what a person would write,
    at least a hundred steps across a range.

    Parameters
    ----------
    settings : mapping of str to Setting
        Every parameter of the shape.
    seed : int
        The same seed gives the same candidates.
    tries : int
        Points to draw at most; equal ones are yielded once.
    """
    from scipy.stats import qmc  # slow to load, and a finished run needs none

    dimensions = len(_searched(settings))
    sequence = qmc.Halton(d=dimensions, scramble=True, rng=np.random.default_rng(seed))
    return _points(settings, (sequence.random(1)[0] for _ in range(tries)))


def random_points(
    settings: Mapping[str, Setting], seed: int, tries: int
) -> Iterator[dict[str, float]]:
    """Yield distinct points drawn independently, all values equally likely.

    Parameters are those of `low_discrepancy`.
    """
    dimensions = len(_searched(settings))
    generator = np.random.default_rng(seed)
    return _points(settings, (generator.random(dimensions) for _ in range(tries)))


def _points(
    settings: Mapping[str, Setting], points: Iterable[FloatArray]
) -> Iterator[dict[str, float]]:
    """Yield the parameters at points of the unit cube, each once."""
    searched = _searched(settings)
    fixed = {key: item.value for key, item in settings.items() if isinstance(item, Fixed)}
    seen: set[tuple[float, ...]] = set()
    for point in points:
        drawn = tuple(
            value_at(item, share) for item, share in zip(searched.values(), point, strict=True)
        )
        if drawn not in seen:
            seen.add(drawn)
            values = fixed | dict(zip(searched, drawn, strict=True))
            yield {key: values[key] for key in settings}


def value_at(setting: Setting, share: float) -> float:
    """Return the value of a searched parameter at a share of its range, 0 to 1."""
    if isinstance(setting, Choices):
        return setting.values[min(int(share * len(setting.values)), len(setting.values) - 1)]
    if isinstance(setting, Fixed):
        return setting.value
    decimals = 2 - math.floor(math.log10(setting.high - setting.low))
    value = round(setting.low + float(share) * (setting.high - setting.low), decimals)
    return min(max(value, setting.low), setting.high)


def _grid(settings: Mapping[str, Setting]) -> Iterator[dict[str, float]]:
    """Yield every combination; the last parameter varies fastest."""
    axes = [_axis(setting) for setting in settings.values()]
    size = math.prod(len(axis) for axis in axes)
    if size > _LARGEST_GRID:
        rule = f"at most {_LARGEST_GRID} combinations of values"
        raise JobError(invalid("grid in section [geometry]", f"{size} combinations", rule))
    for point in itertools.product(*axes):
        yield dict(zip(settings, point, strict=True))


def _axis(setting: Setting) -> tuple[float, ...]:
    match setting:
        case Fixed(value):
            return (value,)
        case Choices(values):
            return values
        case Span(low, high, steps):
            return tuple(float(f"{v:.9g}") for v in np.linspace(low, high, steps or 2))


def _rows(settings: Mapping[str, Setting]) -> Iterator[dict[str, float]]:
    """Yield the first value of every list, then the second, and so on."""
    n_rows = max((len(s.values) for s in settings.values() if isinstance(s, Choices)), default=1)
    for row in range(n_rows):
        yield {
            key: s.values[row] if isinstance(s, Choices) else _axis(s)[0]
            for key, s in settings.items()
        }


def settings_of(loaded: LoadedJob) -> dict[str, Setting]:
    """Return a setting for every parameter of the shape, in the shape's own order."""
    given = loaded.job.geometry.parameters
    return {
        parameter.key: given.get(parameter.key, Fixed(parameter.default))
        for parameter in loaded.shape.parameters
    }


def searched_of(loaded: LoadedJob) -> dict[str, Setting]:
    """Return the settings of the parameters that a job searches, by key.

    Raises
    ------
    InputError
        If it searches none.
    """
    settings = settings_of(loaded).items()
    found: dict[str, Setting] = {
        key: item for key, item in settings if isinstance(item, Span | Choices)
    }
    if not found:
        rule = "one that searches a dimension: { from = ..., to = ... }"
        raise InputError(invalid("job", loaded.job.title, rule))
    return found


def _keep_valid(
    trials: Iterable[dict[str, float]],
    check: Callable[[dict[str, float]], list[str]],
    limit: int | None,
) -> tuple[list[dict[str, float]], list[str]]:
    """Return the valid ones, up to a limit, and one broken rule for each of the others."""
    valid: list[dict[str, float]] = []
    broken: list[str] = []
    for values in trials:
        faults = check(values)
        if faults:
            broken.append(faults[0])
        else:
            valid.append(values)
        if len(valid) == limit:
            break
    return valid, broken


def _usual(broken: Iterable[str]) -> str:
    """Return an example of the rule most often broken; rules differ in their numbers only."""
    examples: dict[str, str] = {}
    counts: Counter[str] = Counter()
    for rule in broken:
        kind = re.sub(r"[-+]?\d+(\.\d+)?(e[-+]?\d+)?", "#", rule)
        counts[kind] += 1
        examples.setdefault(kind, rule)
    return examples[counts.most_common(1)[0][0]] if counts else ""
