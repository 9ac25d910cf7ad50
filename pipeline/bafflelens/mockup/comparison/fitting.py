# SPDX-License-Identifier: GPL-3.0-or-later
r"""The set-up of an orbit, found from the difference between measured and simulated levels.

What is fitted is in `microphones.PARAMETERS`, within `microphones.BOUNDS`, and whether the sign of
the angles is swapped. At every frequency the mean difference over the angles is left out first:
the driver's own response is not part of the set-up. Where the phases of all angles have one zero
of time, the way of the sound to each microphone is compared as well, less its mean, weighted with
the level there: behind a cabinet two good solutions are some millimetres apart, in front a tenth.

Weights: one standard deviation a frequency, at first growing with it and then from what is left
there, so that frequencies at which model and clay differ say little; a robust loss (soft L1) for
single angles; and nothing more than 25 dB below the loudest angle, where small errors make large
differences.

Twins: a body that is nearly alike on both sides of the orbit's plane sounds nearly alike with its
front tilted up and down. So the other such tilt is looked for. If the data tell which it is, that
is taken; else the smaller, and the range of every parameter reaches to the other. They tell it if
the sum of squares differs by more than its differences in blocks of angles scatter (Q. H. Vuong,
Econometrica 57 (1989) 307; from memory), and what is left by a quarter: a model that is off
favours one side, too.

Uncertainty: by leaving out blocks, see `jackknife`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import stdtrit

from bafflelens.base.conventions import BoolArray, FloatArray, IntArray
from bafflelens.mockup.comparison.jackknife import SOFT, jackknife_half_range
from bafflelens.mockup.comparison.observed import Observed
from bafflelens.mockup.comparison.orbit_terms import (
    FEWEST_FREQUENCIES,
    OrbitTerms,
    path_frequencies,
)
from bafflelens.mockup.comparison.radiator import Radiator
from bafflelens.mockup.measurement.microphones import BOUNDS, PARAMETERS, SetUpDeviation

_FREQUENCIES: Final = 24  # of those solved, evenly over octaves; more say hardly anything new
_LOWEST_DB: Final = -25.0
_LEAST_SPREAD_DB: Final = 0.15  # what a good solution is off by
_FIRST_SPREAD_DB: Final = 0.15  # at 1 kHz and below; what a shape is off by grows with frequency
_FIRST_GROWTH: Final = 1.5
_LEAST_PATH_SPREAD_M: Final = 1e-3
_BLOCK_DEG: Final = 30.0
_FREQUENCY_BLOCKS: Final = 4
_BOUNDS: Final = np.array([BOUNDS[name] for name in PARAMETERS])
_EXPECTED: Final = _BOUNDS / 3
# What is claimed at best, whatever the data: a mesh moves edges and lobes by about as much
# (common practice, no source).
_SOLUTIONS_OWN: Final = np.array([0.1, 0.5e-3, 0.5e-3, 0.1])
_UNTOLD: Final = 0.4  # share of the bound above which an uncertainty says that nothing is told
_SWAP_IS_BETTER: Final = 0.8  # ratio of what is left over
_SWAP_IS_ALIKE: Final = 0.02
_SWAP_IS_NEAR: Final = 1.5
_FEW_FREQUENCIES: Final = 8
_TILT: Final = PARAMETERS.index("tilt_deg")
_TWIN_STEP_DEG: Final = 0.5
_TWIN_ALIKE: Final = 0.9
_TWIN_IS_WORSE: Final = 1.25


@dataclass(frozen=True, kw_only=True, eq=False)
class Fit:
    """What was found of the set-up of one orbit.

    Attributes
    ----------
    deviation : Deviation
        By how much it differs from what was noted.
    uncertainty : (4,) array
        Of each of `PARAMETERS`, half the range of 95 %.
    is_told : (4,) bool array
        Whether the data say anything of it.
    left_db : float
        What is left of the differences after the fit, r.m.s. with weights, in dB.
    before_db : float
        What there was with the set-up as noted.
    swapped_db : float
        What is left with the other sign of the angles.
    sign_is_told : bool
        Whether the two signs differ at all: not for a shape with that symmetry.
    uses_paths : bool
        Whether ways of sound were compared, too.
    angles_of_steps : tuple of pairs of float
        Neighbouring angles between which the level jumps at all frequencies, in degrees.
    steps_db : tuple of float
        By how much.
    twin_tilt_deg : float or None
        Another tilt that the data do not tell from the one found; the ranges reach to it.
    """

    deviation: SetUpDeviation
    uncertainty: FloatArray
    is_told: BoolArray
    left_db: float
    before_db: float
    swapped_db: float
    sign_is_told: bool
    uses_paths: bool
    angles_of_steps: tuple[tuple[float, float], ...] = ()
    steps_db: tuple[float, ...] = ()
    twin_tilt_deg: float | None = None

    @property
    def at_bound(self) -> tuple[str, ...]:
        """Names of those parameters that ended at a bound."""
        share = np.abs(self.deviation.values) / _BOUNDS
        return tuple(name for name, value in zip(PARAMETERS, share, strict=True) if value > 0.98)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Task:
    """One orbit at the frequencies of the fit."""

    orbit: OrbitTerms
    segment: IntArray  # angles of one number share a level
    spread_db: FloatArray
    path_spread_m: float  # of the loudest angle
    path_weight: FloatArray  # (n_angles,), level re the loudest: errors are alike in pascals
    free: BoolArray  # which of the parameters


def fit_orbit(observed: Observed, radiator: Radiator) -> Fit | None:
    """Return the set-up that explains the measured orbit best; None if too little is known.

    Parameters
    ----------
    observed : Observed
        The orbit.
    radiator : Radiator
        The simulation.
    """
    task = _task(observed, radiator)
    if task is None:
        return None
    start, other = _senses(task)
    best, task = _solve(task, start)
    steps, steps_db = _level_steps(task, best)
    if steps.size:
        # Both sides of a jump keep a level of their own, or it would pass for an offset.
        segment = np.zeros(observed.angle_deg.size, dtype=np.int64)
        segment[1:] = np.cumsum(np.isin(np.arange(1, segment.size), steps + 1))
        task = replace(task, segment=segment)
        start, other = _senses(task)
        best, task = _solve(task, start)
    best, twin = _with_twin(task, best)
    apart = np.zeros(len(PARAMETERS)) if twin is None else np.abs(twin.values - best.values)
    uncertainty = _uncertainty(task, best) + apart
    is_told = uncertainty < _UNTOLD * _BOUNDS
    if not is_told.all():
        # What the data do not tell stays as it was noted, or it would take in faults of the shape.
        task = replace(task, free=is_told)
        best, task = _solve(task, best.with_values(np.where(is_told, best.values, 0.0)))
        uncertainty = np.where(is_told, _uncertainty(task, best) + apart, uncertainty)
    left = _left_db(task, best)
    swapped = _left_db(task, other)
    if swapped < left * _SWAP_IS_NEAR:
        swapped = _left_db(task, _least_squares(task, other))
    angle = observed.angle_deg
    return Fit(
        deviation=best,
        uncertainty=uncertainty,
        is_told=is_told,
        left_db=left,
        before_db=_left_db(task, SetUpDeviation()),
        swapped_db=swapped,
        sign_is_told=best.is_mirrored or swapped > left * (1 + _SWAP_IS_ALIKE),
        uses_paths=task.orbit.pressure is not None,
        angles_of_steps=tuple((float(angle[n]), float(angle[n + 1])) for n in steps),
        steps_db=tuple(float(value) for value in steps_db),
        twin_tilt_deg=None if twin is None or not is_told[_TILT] else twin.tilt_deg,
    )


def _task(observed: Observed, radiator: Radiator) -> _Task | None:
    solved = radiator.frequencies_hz
    level, usable = observed.at(solved)
    enough = np.flatnonzero(usable.sum(axis=1) >= max(5, observed.angle_deg.size // 2))
    if enough.size < FEWEST_FREQUENCIES:
        return None
    log = np.log(solved[enough])
    wanted = np.linspace(log[0], log[-1], _FREQUENCIES)
    numbers = enough[np.unique(np.abs(log[:, np.newaxis] - wanted).argmin(axis=0))]
    level, usable = level[numbers], usable[numbers]
    loudest = np.where(usable, level, -np.inf).max(axis=1, keepdims=True)
    usable &= level > loudest + _LOWEST_DB
    delay_s = observed.setup.distance_m / radiator.sound_speed
    return _Task(
        orbit=OrbitTerms(
            observed=observed,
            radiator=radiator,
            numbers=numbers,
            level_db=level,
            usable=usable,
            pressure=observed.pressure_at(solved[numbers], delay_s),
        ),
        segment=np.zeros(observed.angle_deg.size, dtype=np.int64),
        spread_db=_FIRST_SPREAD_DB * np.maximum(solved[numbers] / 1000, 1.0) ** _FIRST_GROWTH,
        path_spread_m=0.01,
        path_weight=_path_weight(solved[numbers], level, loudest),
        free=np.ones(len(PARAMETERS), dtype=bool),
    )


def misfit_db(observed: Observed, radiator: Radiator) -> float | None:
    """Return what the best set-up leaves of an orbit, r.m.s. in dB; None if too little is known.

    Coarse, with levels at a few frequencies, and with weights that do not depend on the fit: so
    that it can be compared with that of the same orbit taken for another one.
    """
    task = _task(observed, radiator)
    if task is None:
        return None
    best, _ = _senses(task)
    return _left_db(_coarse(task), best)


def _senses(task: _Task) -> tuple[SetUpDeviation, SetUpDeviation]:
    """Return a first fit with the sign of the angles that explains more, and with the other one.

    Levels at a part of the frequencies are enough for that. Swapped is what is clearly better so.
    """
    coarse = _coarse(task)
    straight, swapped = (
        _least_squares(coarse, SetUpDeviation(is_mirrored=is_mirrored))
        for is_mirrored in (False, True)
    )
    if _left_db(coarse, swapped) < _SWAP_IS_BETTER * _left_db(coarse, straight):
        return swapped, straight
    return straight, swapped


def _coarse(task: _Task) -> _Task:
    """Return the levels at a part of the frequencies."""
    count = len(task.orbit.numbers)
    few = np.arange(0, count, max(count // _FEW_FREQUENCIES, 1))
    return replace(task, orbit=task.orbit.levels_at(few), spread_db=task.spread_db[few])


def _solve(task: _Task, start: SetUpDeviation) -> tuple[SetUpDeviation, _Task]:
    """Fit with weights by frequency as given, and twice more with those that what is left asks."""
    found = _least_squares(task, start)
    has_paths = task.orbit.pressure is not None
    for _ in range(2):
        terms = task.orbit.terms(found)
        left = _medians(np.abs(_centred(task, terms.level_db)).T) * 1.48
        path = np.abs(_path_centred(task, terms.path_m)) * task.path_weight if has_paths else 0
        task = replace(
            task,
            spread_db=np.hypot(_smooth(left), _LEAST_SPREAD_DB),
            path_spread_m=max(1.48 * float(np.median(path)), _LEAST_PATH_SPREAD_M),
        )
        found = _least_squares(task, found)
    return found, task


def _least_squares(task: _Task, start: SetUpDeviation) -> SetUpDeviation:
    def whole(chosen: FloatArray) -> SetUpDeviation:
        scaled = start.values / _BOUNDS
        scaled[task.free] = chosen
        return start.with_values(scaled * _BOUNDS)

    if not task.free.any():
        return start
    from scipy.optimize import least_squares  # slow to load; most only read what a fit is

    solution = least_squares(
        lambda chosen: _weighted(task, whole(chosen))[0],
        (start.values / _BOUNDS)[task.free],
        jac=lambda chosen: _weighted(task, whole(chosen))[1][:, task.free],
        bounds=(-1, 1),
        loss="soft_l1",
        f_scale=SOFT,
        xtol=1e-3,
        ftol=1e-4,
        max_nfev=12,
    )
    return whole(solution.x)


def _weighted(task: _Task, deviation: SetUpDeviation) -> tuple[FloatArray, FloatArray]:
    """Return weighted differences, (n,), and their slopes with scaled parameters, (n, 4)."""
    terms = task.orbit.terms(deviation)
    used = np.isfinite(terms.level_db)
    scale = task.spread_db[:, np.newaxis]
    level = (_centred(task, terms.level_db) / scale)[used]
    slopes = [(_centred(task, slope, used) / scale)[used] for slope in terms.level_slopes]
    path, path_slopes = np.zeros(0), [np.zeros(0)] * len(PARAMETERS)
    if terms.path_m.size:
        weight = task.path_weight / task.path_spread_m
        path = _path_centred(task, terms.path_m) * weight
        path_slopes = [_path_centred(task, slope) * weight for slope in terms.path_slopes]
    expectation = deviation.values / _EXPECTED
    residual = np.concatenate((level, path, expectation))
    jacobian = np.stack(
        [
            np.concatenate((one, two)) * bound
            for one, two, bound in zip(slopes, path_slopes, _BOUNDS, strict=True)
        ],
        axis=1,
    )
    return residual, np.concatenate((jacobian, np.diag(_BOUNDS / _EXPECTED)))


def _path_weight(
    frequency_hz: FloatArray, level_db: FloatArray, loudest_db: FloatArray
) -> FloatArray:
    """Return the weight of the way of sound to each microphone, (n_angles,), 1 for the loudest."""
    below = (loudest_db - level_db)[path_frequencies(frequency_hz)]
    return np.asarray(10 ** (-np.maximum(_medians(below), 0.0) / 20))


def _path_centred(task: _Task, values: FloatArray) -> FloatArray:
    """Return ways of sound less their weighted mean: the zero of time is not known."""
    return np.asarray(values - np.average(values, weights=task.path_weight**2))


def _centred(task: _Task, values: FloatArray, used: BoolArray | None = None) -> FloatArray:
    """Return values less their mean over the angles of a segment, at every frequency."""
    used = np.isfinite(values) if used is None else used
    result = np.where(used, values, 0.0)
    for segment in np.unique(task.segment):
        here = task.segment == segment
        count = np.maximum(used[:, here].sum(axis=1, keepdims=True), 1)
        result[:, here] -= result[:, here].sum(axis=1, keepdims=True) / count
    return np.where(used, result, np.nan)


def _medians(values: FloatArray) -> FloatArray:
    """Return the median of each column over what is known, 0 where nothing is."""
    columns = (column[np.isfinite(column)] for column in values.T)
    return np.array([np.median(column) if column.size else 0.0 for column in columns])


def _smooth(values: FloatArray) -> FloatArray:
    """Return a running mean over five, shorter at the ends; over three of a few."""
    weights = np.ones(5 if values.size >= 5 else 3)
    return np.asarray(
        np.convolve(values, weights, "same") / np.convolve(np.ones(values.size), weights, "same")
    )


def _left_db(task: _Task, deviation: SetUpDeviation) -> float:
    """Return what is left, r.m.s. in dB, each frequency weighted by its spread."""
    terms = task.orbit.terms(deviation)
    centred = _centred(task, terms.level_db)
    weight = np.where(np.isfinite(centred), 1 / task.spread_db[:, np.newaxis] ** 2, 0.0)
    return float(np.sqrt(np.nansum(weight * centred**2) / weight.sum()))


def _level_steps(task: _Task, deviation: SetUpDeviation) -> tuple[IntArray, FloatArray]:
    """Return the numbers of the angles after which the level jumps at all frequencies, and size.

    A jump is what the medians over the frequencies of neighbours differ by, the same in each
    third of the band, and far above what neighbours differ by otherwise.
    """
    centred = _centred(task, task.orbit.terms(deviation).level_db)
    thirds = np.array_split(np.arange(centred.shape[0]), 3)
    jumps = np.diff([_medians(centred[third]) for third in thirds], axis=1)
    middle = np.median(jumps, axis=0)
    usual = 1.48 * np.median(np.abs(middle))
    is_broad = np.abs(jumps - middle).max(axis=0) < 0.5 * np.abs(middle)
    found = np.flatnonzero(is_broad & (np.abs(middle) > max(0.3, 6 * usual)))
    return found, middle[found]


def _with_twin(task: _Task, found: SetUpDeviation) -> tuple[SetUpDeviation, SetUpDeviation | None]:
    """Return the better of two tilts; if the data do not tell them apart the smaller, and both."""
    start = _twin_of(task, found)
    if start is None:
        return found, None
    twin = _least_squares(task, start)
    if abs(twin.tilt_deg - found.tilt_deg) < _SOLUTIONS_OWN[_TILT]:
        return found, None
    data = [_weighted(task, one)[0][: -len(PARAMETERS)] for one in (found, twin)]
    here, there = (2 * SOFT**2 * (np.sqrt(1 + (u / SOFT) ** 2) - 1) for u in data)
    blocks, _ = _blocks(task, found)
    more = np.bincount(blocks, weights=there - here)
    scatter = float(np.sqrt(more.size) * more.std(ddof=1))
    is_told = abs(more.sum()) > stdtrit(more.size - 1, 0.975) * scatter
    left, other = _left_db(task, found), _left_db(task, twin)
    if is_told and max(left, other) > _TWIN_IS_WORSE * min(left, other):
        return (found, None) if more.sum() > 0 else (twin, None)
    return (found, twin) if abs(found.tilt_deg) < abs(twin.tilt_deg) else (twin, found)


def _twin_of(task: _Task, found: SetUpDeviation) -> SetUpDeviation | None:
    """Return about where the other tilt with nearly the same levels is; None if out of bounds.

    About the tilt at which both sides look alike, levels are even in the tilt and their slopes
    odd: where slopes keep their pattern over a small step they tell how far that middle is.
    """
    used = np.isfinite(task.orbit.terms(found).level_db)

    def slopes(tilt_deg: float) -> FloatArray:
        terms = task.orbit.terms(replace(found, tilt_deg=tilt_deg))
        centred = _centred(task, terms.level_slopes[_TILT], used)
        return np.asarray((centred / task.spread_db[:, np.newaxis])[used])

    here = slopes(found.tilt_deg)
    power = float(here @ here)
    for step in (_TWIN_STEP_DEG, -_TWIN_STEP_DEG):
        there = slopes(found.tilt_deg + step)
        product = float(here @ there)
        alike = abs(product) / max(np.sqrt(power * float(there @ there)), np.finfo(float).tiny)
        growth = product / power - 1 if power > 0 else 0.0
        if alike < _TWIN_ALIKE or growth == 0:
            continue
        twin = found.tilt_deg - 2 * step / growth
        return replace(found, tilt_deg=twin) if abs(twin) < BOUNDS["tilt_deg"] else None
    return None


def _uncertainty(task: _Task, deviation: SetUpDeviation) -> FloatArray:
    """Return half the 95 % range of each parameter."""
    residual, jacobian = _weighted(task, deviation)
    n_parameters = len(PARAMETERS)
    half_range = jackknife_half_range(
        residual[:-n_parameters],
        jacobian[:-n_parameters],
        _blocks(task, deviation),
        _EXPECTED / _BOUNDS,
    )
    return np.asarray(np.hypot(half_range * _BOUNDS, _SOLUTIONS_OWN))


def _blocks(task: _Task, deviation: SetUpDeviation) -> tuple[IntArray, IntArray]:
    """Return the number of the block of angles, and of frequencies, of each weighted difference.

    Ways of sound have no frequency: each is a block of its own there, with a negative number.
    """
    terms = task.orbit.terms(deviation)
    rows, columns = np.nonzero(np.isfinite(terms.level_db))
    ways = np.arange(terms.path_m.size)
    angle = task.orbit.observed.angle_deg
    of_angle = ((angle - angle[0]) / _BLOCK_DEG + 1e-6).astype(np.int64)
    count = len(task.orbit.numbers)
    of_frequency = np.arange(count) * _FREQUENCY_BLOCKS // count
    return (
        np.concatenate((of_angle[columns], of_angle[ways])),
        np.concatenate((of_frequency[rows], -1 - ways)),
    )
