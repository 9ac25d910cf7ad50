# SPDX-License-Identifier: GPL-3.0-or-later
"""What each parameter did over a run, and which parameters of the leaders sit at their limits.

A straight line in every parameter is fitted to the scores by least squares. Its slopes are the
main effects: what the score does from one end of a parameter's range to the other while the
others stay. Their intervals hold for all parameters of a fit together (Bonferroni's inequality;
Draper and Smith, Applied Regression Analysis, section 5, from memory), so that many parameters
do not make one look certain by chance. They take the scatter about the line as random: it is
mostly what bends and what acts jointly, which candidates spread evenly over the ranges make
alike to it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import stdtrit

from bafflelens.base.conventions import FloatArray

CONFIDENCE: Final = 0.95
FEWEST_SPARE: Final = 3
"""How many candidates a fit must have beyond what it adjusts (common practice, no source)."""

NEAR_LIMIT: Final = 0.05
"""Share of a range that counts as its end (common practice, no source)."""

_ALIASED: Final = 0.98  # correlation from which on two parameters are not told apart


@dataclass(frozen=True, kw_only=True)
class EffectEstimate:
    """A value with the interval it lies in.

    Attributes
    ----------
    value, low, high : float
        The value and the ends of its interval.
    """

    value: float
    low: float
    high: float

    @property
    def is_certain(self) -> bool:
        """Whether its sign is certain."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True, kw_only=True)
class MainEffect:
    """What one parameter did.

    Attributes
    ----------
    key : str
        The parameter.
    low, high : float
        The range searched.
    changes : tuple of Estimate
        Change of each outcome from `low` to `high`, the other parameters held.
    standardised : float
        Slope of the first outcome in standard deviations of it, over one standard deviation of
        the parameter.
    bend : Estimate or None
        How much higher the first outcome is at both ends than in the middle, for the same slope;
        None where there are too few candidates to say.
    best_at : float or None
        Where the first outcome is lowest, if it certainly bends upwards and that is inside the
        range.
    """

    key: str
    low: float
    high: float
    changes: tuple[EffectEstimate, ...]
    standardised: float
    bend: EffectEstimate | None = None
    best_at: float | None = None


@dataclass(frozen=True, kw_only=True)
class MainEffects:
    """What the parameters did over a run.

    Attributes
    ----------
    effects : tuple of MainEffect
        The largest change of the first outcome first; empty if there are too few candidates.
    n_candidates : int
        Candidates that were fitted.
    n_needed : int
        How many it takes.
    explained : tuple of float
        Share of the variance of each outcome that the fit explains, adjusted for the number of
        parameters; below zero counts as zero.
    aliased : mapping of str to str
        Parameters left out, since they moved together with another one, which is named.
    """

    effects: tuple[MainEffect, ...]
    n_candidates: int
    n_needed: int
    explained: tuple[float, ...] = ()
    aliased: Mapping[str, str]

    @property
    def is_known(self) -> bool:
        """Whether there were candidates enough."""
        return bool(self.effects)


@dataclass(frozen=True, kw_only=True)
class AtLimit:
    """An end of a parameter's range at which leaders sit.

    Attributes
    ----------
    key : str
        The parameter.
    limit : float
        That end.
    is_upper : bool
        Which end it is.
    leaders : tuple of str
        Ids of those that sit there, the best first.
    includes_best : bool
        Whether the best of all is one of them.
    """

    key: str
    limit: float
    is_upper: bool
    leaders: tuple[str, ...]
    includes_best: bool


def main_effects(
    values: Sequence[Mapping[str, float]],
    outcomes: FloatArray,
    ranges: Mapping[str, tuple[float, float]],
) -> MainEffects:
    """Return what each parameter did to each outcome.

    Parameters
    ----------
    values : sequence of mapping of str to float
        Parameters of each candidate.
    outcomes : (n_candidates, n_outcomes) array
        What became of it, in dB; finite.
    ranges : mapping of str to (float, float)
        Lowest and highest value of each parameter that was searched.

    Returns
    -------
    MainEffects
        Without effects if the candidates are fewer than one for each parameter, one for the mean
        and `FEWEST_SPARE` more.
    """
    keys, aliased = _told_apart(values, ranges)
    n_candidates, n_needed = len(values), len(keys) + 1 + FEWEST_SPARE
    if not keys or n_candidates < n_needed:
        return MainEffects(
            effects=(), n_candidates=n_candidates, n_needed=n_needed, aliased=aliased
        )
    places = _places(values, keys, ranges)
    slopes, errors, explained = _least_squares(places, outcomes)
    factor = _joint_factor(n_candidates - len(keys) - 1, len(keys))
    bends = _bends(places, outcomes[:, 0])
    spread = float(np.std(outcomes[:, 0])) or 1.0
    effects = [
        MainEffect(
            key=key,
            low=ranges[key][0],
            high=ranges[key][1],
            changes=tuple(
                # Places reach from -1 to 1, so a slope is half the change over the range.
                _estimate(2 * slope, 2 * factor * error)
                for slope, error in zip(slopes[number], errors[number], strict=True)
            ),
            standardised=float(slopes[number, 0] * np.std(places[:, number]) / spread),
            bend=bends[number][0] if bends else None,
            best_at=_in_range(bends[number][1], ranges[key]) if bends else None,
        )
        for number, key in enumerate(keys)
    ]
    effects.sort(key=lambda effect: -abs(effect.changes[0].value))
    return MainEffects(
        effects=tuple(effects),
        n_candidates=n_candidates,
        n_needed=n_needed,
        explained=tuple(max(float(share), 0.0) for share in explained),
        aliased=aliased,
    )


def limits_reached(
    leaders: Mapping[str, Mapping[str, float]], ranges: Mapping[str, tuple[float, float]]
) -> tuple[AtLimit, ...]:
    """Return the ends of ranges at which leaders sit.

    Parameters
    ----------
    leaders : mapping of str to mapping of str to float
        Parameters of the best candidates by id, the best first.
    ranges : mapping of str to (float, float)
        Lowest and highest value of each parameter that was searched.

    Returns
    -------
    tuple of AtLimit
        Those of the best candidate first, then by the number of leaders.
    """
    best = next(iter(leaders), None)
    found = []
    for key, (low, high) in ranges.items():
        for is_upper, limit in ((False, low), (True, high)):
            there = tuple(
                name
                for name, values in leaders.items()
                if key in values and abs(values[key] - limit) <= NEAR_LIMIT * (high - low)
            )
            if there and high > low:
                found.append(
                    AtLimit(
                        key=key,
                        limit=limit,
                        is_upper=is_upper,
                        leaders=there,
                        includes_best=best in there,
                    )
                )
    return tuple(sorted(found, key=lambda end: (not end.includes_best, -len(end.leaders))))


def _told_apart(
    values: Sequence[Mapping[str, float]], ranges: Mapping[str, tuple[float, float]]
) -> tuple[list[str], dict[str, str]]:
    """Return the parameters that moved by themselves, and for each other one its partner."""
    kept: list[str] = []
    aliased: dict[str, str] = {}
    columns: dict[str, FloatArray] = {}
    for key, (low, high) in ranges.items():
        column = np.array([candidate.get(key, np.nan) for candidate in values])
        if not len(column) or high <= low or not np.isfinite(column).all() or np.ptp(column) == 0:
            continue
        centred = column - column.mean()
        columns[key] = centred / np.linalg.norm(centred)
        if kept:
            others = np.stack([columns[other] for other in kept], axis=1)
            shares = np.linalg.lstsq(others, columns[key], rcond=None)[0]
            if np.linalg.norm(others @ shares) > _ALIASED:
                likeness = np.abs(others.T @ columns[key])
                aliased[key] = kept[int(np.argmax(likeness))]
                continue
        kept.append(key)
    return kept, aliased


def _places(
    values: Sequence[Mapping[str, float]],
    keys: Sequence[str],
    ranges: Mapping[str, tuple[float, float]],
) -> FloatArray:
    """Return where in its range each parameter is, -1 to 1, as (n_candidates, n_keys)."""
    columns = []
    for key in keys:
        low, high = ranges[key]
        column = np.array([candidate[key] for candidate in values])
        columns.append((2 * column - low - high) / (high - low))
    return np.stack(columns, axis=1)


def _least_squares(
    columns: FloatArray, outcomes: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return slopes and standard errors, (n_columns, n_outcomes), and adjusted shares explained.

    Ordinary least squares with a constant term.
    """
    n_candidates, n_columns = columns.shape
    spare = n_candidates - n_columns - 1
    design = np.column_stack([np.ones(n_candidates), columns])
    inverse = np.linalg.pinv(design.T @ design)
    fitted = inverse @ design.T @ outcomes
    residual = ((outcomes - design @ fitted) ** 2).sum(axis=0)
    total = ((outcomes - outcomes.mean(axis=0)) ** 2).sum(axis=0)
    errors = np.sqrt(np.outer(np.diag(inverse), residual / spare))
    explained = 1 - (residual / spare) / np.maximum(total / (n_candidates - 1), 1e-30)
    return fitted[1:], errors[1:], explained


def _bends(places: FloatArray, outcome: FloatArray) -> list[tuple[EffectEstimate, float | None]]:
    """Return the bend along each parameter, and the place of a certain minimum.

    Empty if there are too few candidates for a square of every parameter beside its line.
    """
    n_candidates, n_keys = places.shape
    spare = n_candidates - 2 * n_keys - 1
    has_middle = all(len(np.unique(column)) > 2 for column in places.T)
    if spare < FEWEST_SPARE or not has_middle:
        return []
    fitted, errors, _ = _least_squares(np.hstack([places, places**2]), outcome[:, None])
    factor = _joint_factor(spare, n_keys)
    found: list[tuple[EffectEstimate, float | None]] = []
    for slope, square, error in zip(
        fitted[:n_keys, 0], fitted[n_keys:, 0], errors[n_keys:, 0], strict=True
    ):
        bend = _estimate(square, factor * error)
        lowest = -slope / (2 * square) if bend.low > 0 else None
        found.append((bend, float(lowest) if lowest is not None and abs(lowest) < 1 else None))
    return found


def _joint_factor(spare: int, n_together: int) -> float:
    """Return by how many standard errors intervals reach, to hold for so many values together."""
    return float(stdtrit(spare, 1 - (1 - CONFIDENCE) / (2 * n_together)))


def _estimate(value: float, reach: float) -> EffectEstimate:
    return EffectEstimate(value=float(value), low=float(value - reach), high=float(value + reach))


def _in_range(place: float | None, limits: tuple[float, float]) -> float | None:
    """Return the value at a place, -1 to 1, of a range."""
    return None if place is None else limits[0] + (place + 1) / 2 * (limits[1] - limits[0])
