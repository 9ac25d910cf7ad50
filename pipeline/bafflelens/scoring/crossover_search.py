# SPDX-License-Identifier: GPL-3.0-or-later
"""A search over crossover frequency, slope, polarity and delay for a shape that is solved.

No solve is repeated: each trial sums the stored far fields anew and is judged with the score of
the job. First every frequency, slope and polarity is tried with the delay of the job; then
delays for the three best slopes and polarities; then frequencies closely around the best. So the
number of trials is known beforehand, and the result is the same every time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import ComplexArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.directivity.crossover import Crossover, Way, accelerations, sum_of_ways, ways_of
from bafflelens.directivity.far_field_data import is_solved
from bafflelens.directivity.filters import Filter
from bafflelens.directivity.polars import window_amplitude
from bafflelens.scoring.handover import handover_quality
from bafflelens.scoring.score import Score

DEFAULT_SLOPES: Final = (("linkwitz-riley", 2), ("linkwitz-riley", 4), ("butterworth", 3))
DEFAULT_RANGE: Final = 1.5
STEPS_AN_OCTAVE: Final = 6
DELAY_STEPS: Final = 3
REFINED: Final = 3
CANCELLED: Final = 1e-5  # of the loudest frequency
FINE_OCTAVES: Final = (-1 / 12, -1 / 24, 1 / 24, 1 / 12)

Judge = Callable[[xr.Dataset], Score]


@dataclass(frozen=True, kw_only=True)
class SearchSpace:
    """What is tried.

    Attributes
    ----------
    frequencies_hz : tuple of float
        Crossover frequencies in Hz, rising.
    slopes : tuple of (family, order)
        Both ways alike.
    delays_s : tuple of float
        Delays of the upper way against the lower, besides those of the job, in s; negative
        ones delay the lower way.
    """

    frequencies_hz: tuple[float, ...]
    slopes: tuple[tuple[str, int], ...]
    delays_s: tuple[float, ...]

    @property
    def n_trials(self) -> int:
        """How many trials a search makes, that of the job's own crossover among them."""
        first = len(self.frequencies_hz) * len(self.slopes) * 2
        delays = len([delay for delay in self.delays_s if delay])
        return 1 + first + min(REFINED, 2 * len(self.slopes)) * delays + len(FINE_OCTAVES)


@dataclass(frozen=True, kw_only=True)
class Trial:
    """One crossover and what it is worth.

    Attributes
    ----------
    crossover : Crossover
        The whole crossover.
    frequency_hz : float
        Where the two ways cross, in Hz; NaN for the job's own where they have two frequencies.
    family, order : str, int
        Slope of both.
    is_inverted : bool
        Polarity of the upper way.
    delay_s : float
        Delay of the upper way against the lower beside those of the job, in s.
    score : Score
        As the job scores.
    excursion_db : float
        Largest excursion of the upper way's diaphragms re that with the job's crossover, in dB,
        both at the same level in front; within the solved band.
    flaws : tuple of str
        What is wrong in the octave around the handover, whatever band the job scores: those
        with any come after all without (`bafflelens.scoring.handover`).
    """

    crossover: Crossover
    frequency_hz: float
    family: str
    order: int
    is_inverted: bool
    delay_s: float
    score: Score
    excursion_db: float
    flaws: tuple[str, ...] = ()

    @property
    def total_db(self) -> float:
        """The score, infinite where the sum could not be judged."""
        is_whole = self.score.is_complete and math.isfinite(self.score.total_db)
        return self.score.total_db if is_whole else math.inf

    @property
    def text(self) -> str:
        """The crossover in words."""
        polarity = "upper way inverted, " if self.is_inverted else ""
        return (
            f"{self.family} {self.order} at {self.frequency_hz:.0f} Hz, {polarity}delay "
            f"{1e3 * self.delay_s:+.3f} ms, score {self.total_db:.2f} dB"
        )


@dataclass(frozen=True, kw_only=True)
class Pair:
    """The two ways between which a search moves the crossover."""

    lower: Way
    upper: Way

    @property
    def frequency_hz(self) -> float:
        """The crossover frequency of the job, in Hz: the geometric mean of the two filters'."""
        return math.sqrt(_highest(self.lower, "low-pass") * _highest(self.upper, "high-pass"))


def pair_of(dataset: xr.Dataset, crossover: Crossover) -> Pair:
    """Return the ways that a search is about: those that meet at the highest frequency.

    Raises
    ------
    InputError
        If the shape has no two ways with a high-pass and a low-pass.
    """
    ways = tuple(dict.fromkeys(ways_of(dataset, crossover)))
    upper = max(ways, key=lambda way: _highest(way, "high-pass"))
    others = [way for way in ways if way is not upper] or [upper]
    lower = max(others, key=lambda way: _highest(way, "low-pass"))
    has_both = _highest(upper, "high-pass") > 0 and _highest(lower, "low-pass") > 0
    if lower is upper or not has_both:
        names = ", ".join(way.name for way in ways)
        rule = "two at least, one with a high-pass and one with a low-pass"
        raise InputError(invalid("ways of the shape to be searched", names, rule))
    return Pair(lower=lower, upper=upper)


def search_space(
    dataset: xr.Dataset,
    pair: Pair,
    *,
    from_hz: float | None,
    to_hz: float | None,
    slopes: Sequence[tuple[str, int]],
    delay_s: float,
) -> SearchSpace:
    """Return what is tried between two frequencies, in steps of a sixth of an octave.

    Parameters
    ----------
    dataset : xarray.Dataset
        Gives the solved band; nothing is tried outside.
    pair : Pair
        The ways; 2/3 to 3/2 of their frequency is tried unless told otherwise.
    from_hz, to_hz : float or None
        The ends, in Hz.
    slopes : sequence of (family, order)
        The slopes; `DEFAULT_SLOPES` if there are none.
    delay_s : float
        The largest delay, in s.

    Raises
    ------
    InputError
        If nothing of the range was solved.
    """
    solved = dataset["frequency"].values[is_solved(dataset)]
    low = from_hz or pair.frequency_hz / DEFAULT_RANGE
    high = to_hz or pair.frequency_hz * DEFAULT_RANGE
    if not solved.size or low > solved[-1] or high < solved[0] or low >= high:
        rule = "rising and in the band that was solved"
        raise InputError(invalid("range of the search", f"{low:.0f} to {high:.0f} Hz", rule))
    low, high = max(low, float(solved[0])), min(high, float(solved[-1]))
    steps = max(1, round(STEPS_AN_OCTAVE * math.log2(high / low)))
    delays = np.linspace(-delay_s, delay_s, 2 * DELAY_STEPS + 1) if delay_s else np.zeros(1)
    return SearchSpace(
        frequencies_hz=tuple(float(f) for f in np.geomspace(low, high, steps + 1)),
        slopes=tuple(slopes) or DEFAULT_SLOPES,
        delays_s=tuple(float(delay) for delay in delays),
    )


def search_crossover(
    dataset: xr.Dataset,
    crossover: Crossover,
    space: SearchSpace,
    judge: Judge,
    strengths: ComplexArray | None = None,
    tell: Callable[[], None] = lambda: None,
    tilt_limit_deg: float | None = None,
) -> tuple[Trial, tuple[Trial, ...]]:
    """Try crossovers and return the job's own, and all that were tried, the best first.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with the sources of the shape. Directions that `judge` does not
        need may be left out, which is quicker.
    crossover : Crossover
        The job's, whose other filters, gains and delays stay.
    space : SearchSpace
        What is tried.
    judge : callable
        Scores a dataset with one source.
    strengths : (n_sources, n_frequencies) complex array, optional
        As in `bafflelens.directivity.crossover.accelerations`.
    tell : callable
        Called after each trial.
    tilt_limit_deg : float, optional
        How far the seat's heights reach from the axis. If given, the octave around each handover
        is judged, too.
    """
    pair = pair_of(dataset, crossover)
    reference = _excursion(dataset, crossover, pair, strengths)

    def attempt(
        frequency_hz: float, slope: tuple[str, int], inverted: bool, delay_s: float
    ) -> Trial:
        changed = _changed(crossover, pair, frequency_hz, slope, inverted, delay_s)
        heard = sum_of_ways(dataset, changed, strengths)
        found = _judged(heard, judge)
        excursion = _excursion(dataset, changed, pair, strengths)
        tell()
        return Trial(
            crossover=changed,
            frequency_hz=frequency_hz,
            family=slope[0],
            order=slope[1],
            is_inverted=inverted,
            delay_s=delay_s,
            score=found,
            excursion_db=20 * math.log10(excursion / reference),
            flaws=_flaws(heard, frequency_hz, tilt_limit_deg),
        )

    trials = [
        attempt(frequency_hz, slope, inverted, 0.0)
        for slope in space.slopes
        for inverted in (False, True)
        for frequency_hz in space.frequencies_hz
    ]
    kinds: dict[tuple[str, int, bool], Trial] = {}
    for trial in sorted(trials, key=_order):
        kinds.setdefault((trial.family, trial.order, trial.is_inverted), trial)
    for best in list(kinds.values())[:REFINED]:
        trials += [
            attempt(best.frequency_hz, (best.family, best.order), best.is_inverted, delay_s)
            for delay_s in space.delays_s
            if delay_s
        ]
    best = min(trials, key=_order)
    lowest, highest = space.frequencies_hz[0], space.frequencies_hz[-1]
    trials += [
        attempt(
            min(max(best.frequency_hz * 2**octaves, lowest), highest),
            (best.family, best.order),
            best.is_inverted,
            best.delay_s,
        )
        for octaves in FINE_OCTAVES
    ]
    heard = sum_of_ways(dataset, crossover, strengths)
    own = replace(
        _own_trial(crossover, pair, _judged(heard, judge)),
        flaws=_flaws(heard, pair.frequency_hz, tilt_limit_deg),
    )
    tell()
    # At an end of the range the refined frequencies fall on that end.
    different = {trial.crossover: trial for trial in trials}
    return own, tuple(sorted(different.values(), key=_order))


def _judged(heard: xr.Dataset, judge: Judge) -> Score:
    """Return the score of a sum; one that vanishes in front at a frequency has none."""
    window = window_amplitude(heard)
    lost = is_solved(heard) & (window <= CANCELLED * np.nanmax(window, initial=0.0))
    if not lost.any():
        return judge(heard)
    where = ", ".join(f"{f:.0f} Hz" for f in heard["frequency"].values[lost])
    return Score(terms=(), total_db=float("nan"), gaps=(f"the ways cancel in front at {where}",))


def _flaws(
    heard: xr.Dataset, frequency_hz: float, tilt_limit_deg: float | None
) -> tuple[str, ...]:
    if tilt_limit_deg is None:
        return ()
    return handover_quality(heard, frequency_hz, tilt_limit_deg).flaws


def _order(trial: Trial) -> tuple[bool, float, float]:
    """Sort flaws last, then by score, then by the smaller delay: equal scores need no delay."""
    return bool(trial.flaws), round(trial.total_db, 9), abs(trial.delay_s)


def _own_trial(crossover: Crossover, pair: Pair, found: Score) -> Trial:
    part = next(part for part in pair.upper.filters if part.kind == "high-pass")
    return Trial(
        crossover=crossover,
        frequency_hz=pair.frequency_hz,
        family=part.family,
        order=part.order,
        is_inverted=pair.upper.is_inverted,
        delay_s=0.0,
        score=found,
        excursion_db=0.0,
    )


def _changed(
    crossover: Crossover,
    pair: Pair,
    frequency_hz: float,
    slope: tuple[str, int],
    inverted: bool,
    delay_s: float,
) -> Crossover:
    """Return the crossover with the handover between two ways replaced."""

    def with_filter(way: Way, kind: str, **changes: object) -> Way:
        new = Filter(kind=kind, family=slope[0], order=slope[1], frequency_hz=frequency_hz)
        kept = tuple(part for part in way.filters if part.kind != kind)
        return replace(way, filters=(new, *kept), **changes)  # type: ignore[arg-type]

    upper = with_filter(
        pair.upper,
        "high-pass",
        is_inverted=inverted,
        delay_s=pair.upper.delay_s + max(delay_s, 0.0),
    )
    lower = with_filter(pair.lower, "low-pass", delay_s=pair.lower.delay_s + max(-delay_s, 0.0))
    new = {upper.name: upper, lower.name: lower}
    return replace(crossover, ways=tuple(new.get(way.name, way) for way in crossover.ways))


def _excursion(
    dataset: xr.Dataset, crossover: Crossover, pair: Pair, strengths: ComplexArray | None
) -> float:
    """Return the largest excursion of the upper way's sources, in m for the whole level."""
    given = accelerations(dataset, crossover, strengths)
    mine = [way.name == pair.upper.name for way in ways_of(dataset, crossover)]
    amplitude = np.abs(given[mine]) / (2 * np.pi * dataset["frequency"].values) ** 2
    return float(np.nanmax(amplitude))


def _highest(way: Way, kind: str) -> float:
    return max((part.frequency_hz for part in way.filters if part.kind == kind), default=0.0)
