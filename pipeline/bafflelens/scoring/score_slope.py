# SPDX-License-Identifier: GPL-3.0-or-later
r"""The slope of the score: what each direction at each frequency does to it.

Here each criterion of `bafflelens.scoring.criteria` and `bafflelens.scoring.side_effects` is
made once more, of steps that can be gone back (`bafflelens.scoring.adjoint`). With softness 0 the
values are those of the score, to rounding; a test holds them to that.

Kinks: the largest of several directions, seats, limits or sides has the slope of the one that is
largest. Positive parts (excess over a target, over a tolerance), moduli and the worst
third-octave are softened over `softness_db`, so that the descent of a score does not jump from
one third to another. Levels below -20 dB, which count as -20 dB, have no slope.

The radiated power W, which the directivity index needs, comes from the surface and not from the
far field. Its slope is taken as that of the power G on the sphere grid of 5 degrees,
dW / W = dG / G: what the grid misses is a factor near 1 that a small change of shape hardly moves.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import BoolArray, ComplexArray, FloatArray
from bafflelens.base.octaves import THIRD_OCTAVE, inside
from bafflelens.directivity.far_field_data import impedance, in_directions, is_solved
from bafflelens.directivity.polars import (
    orbit_directions,
    positions,
    response_db,
    window_amplitude,
)
from bafflelens.directivity.source_sums import power_values, source_values
from bafflelens.scoring.adjoint import (
    Traced,
    from_left,
    from_right,
    largest,
    largest_so_far,
    modulus,
    not_below,
    over,
    positive,
    slopes,
    smallest,
    stacked,
    total,
    traced_level_db,
)
from bafflelens.scoring.criteria import (
    LOWEST_LEVEL_DB,
    SYMMETRY_STEP_DEG,
    needed_directions,
)
from bafflelens.scoring.quieter import Quieter, louder_by
from bafflelens.scoring.score import TERM_NAMES, ScoreSettings
from bafflelens.scoring.side_effects import (
    AROUND_DEG,
    LOBE_STEP_DEG,
    LOBES_TO_DEG,
    STEADY_RISE_DB,
    WINDOW_DEG,
    shown_to_hz,
)
from bafflelens.scoring.target import Limit, Target
from bafflelens.scoring.traced_levels import (
    LEAST_ENERGY,
    TracedFields,
    arc_level,
    arc_ratio,
    bounce_level,
    edge_level,
    heard_of,
    mean_of,
    traced_change,
    traced_octaves,
    traced_octaves_at,
)

OBJECTIVES: Final = ("score", "vertical_control", "horizontal_width", "side_effects")
"""What slopes are given for: the score, and the three parts that a choice is between."""

FOLLOWED: Final = "followed"
"""The score and what a shape is louder than another, where that is asked for."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ScoreSlope:
    r"""Values of the score and its parts, with their slopes.

    Attributes
    ----------
    values_db : mapping of str to float
        ``score`` and its parts as in `OBJECTIVES`, in dB; softened, if asked for. Also
        ``followed``, `FOLLOWED`, if a shape is to be quieter than another.
    terms_db : mapping of str to float
        What each criterion found, in dB; those that could not be judged are left out.
    weights : mapping of str to (n_sources, n_frequencies, n_directions) complex array
        For each of these the weights g in dB/(Pa.m): if the far field changes by dF, the
        value changes by :math:`\mathrm{Re} \sum g^* dF`.
    """

    values_db: Mapping[str, float]
    terms_db: Mapping[str, float]
    weights: Mapping[str, ComplexArray]


def score_slope(
    dataset: xr.Dataset,
    target: Target,
    settings: ScoreSettings | None = None,
    baseline: xr.Dataset | None = None,
    *,
    softness_db: float = 0.0,
    quieter: Quieter | None = None,
    with_parts: bool = True,
) -> ScoreSlope:
    """Return the slope of a candidate's score with respect to its complex far field.

    Parameters
    ----------
    dataset, target, settings, baseline
        As in `bafflelens.scoring.score.score`; the dataset has one source.
    softness_db : float
        Over how many dB kinks are softened: see the head of the module. With 0 the values are
        those of the score, and the slope at a kink is that of one side.
    quieter : Quieter, optional
        What floor and ceiling are to get at the most, too.
    with_parts : bool
        Whether the three parts of the score are wanted beside it: each takes as long again.

    Returns
    -------
    ScoreSlope
        Weights (1, n_frequencies, n_directions); 0 where a frequency failed.
    """
    settings = settings or ScoreSettings()
    solved = is_solved(dataset)
    needed = needed_directions(dataset, target)
    field = source_values(dataset, directions=needed)[solved]
    heard = heard_of(in_directions(dataset, needed), solved, field, softness_db)
    costs, terms = {}, {}
    for name, value in _criteria(heard, target, settings, baseline).items():
        if value is None:
            continue
        terms[name] = float(value.value)
        term = getattr(settings, name)
        costs[name] = positive(value - term.tolerance_db, softness_db)
    objectives = {
        "score": [costs[name] * getattr(settings, name).weight for name in costs],
        "vertical_control": [costs[n] for n in costs if n == "vertical_control"],
        "horizontal_width": [costs[n] for n in costs if n == "horizontal_width"],
        "side_effects": [
            costs[name] * getattr(settings, name).weight
            for name in costs
            if name not in ("vertical_control", "horizontal_width")
        ],
    }
    if quieter is not None:
        louder = louder_by(heard, target, quieter)
        objectives[FOLLOWED] = [*objectives["score"], louder]
    values, weights = {}, {}
    for name, parts in objectives.items():
        if not with_parts and name not in ("score", FOLLOWED):
            continue
        shape = (1, dataset.sizes["frequency"], dataset.sizes["direction"])
        weights[name] = np.zeros(shape, dtype=complex)
        values[name] = 0.0
        if not parts:
            continue
        summed = total(parts)
        values[name] = float(summed.value)
        by_energy, by_power = slopes(summed, (heard.energy, heard.power))
        at = np.ix_(np.flatnonzero(solved), needed)
        weights[name][0][at] = 2 * by_energy * field
        if by_power.any():
            weights[name][0] += _of_power(dataset, solved, by_power)
    return ScoreSlope(values_db=values, terms_db=terms, weights=weights)


def _of_power(dataset: xr.Dataset, solved: BoolArray, by_power: FloatArray) -> ComplexArray:
    """Return the weights that a slope with respect to power comes to, on the sphere grid."""
    at = np.flatnonzero(solved)
    field = source_values(dataset)
    weight = dataset.variables["weight_sr"].values / (2 * impedance(dataset))
    on_grid = np.abs(field[at]) ** 2 @ weight
    share = by_power * power_values(dataset)[at] / on_grid
    found = np.zeros_like(field)
    found[at] = 2 * share[:, np.newaxis] * weight * field[at]
    return found


def _criteria(
    heard: TracedFields, target: Target, settings: ScoreSettings, baseline: xr.Dataset | None
) -> dict[str, Traced | None]:
    """Return each criterion's value by its name, None where it cannot be judged."""
    band_hz = settings.band_hz
    shown_hz = shown_to_hz(heard.dataset, band_hz, settings.path_difference_m)
    judged = (band_hz[0], shown_hz)
    found = {
        "vertical_control": _vertical_control(heard, target, band_hz),
        "horizontal_width": _shortfall(heard, target.horizontal, "horizontal", band_hz),
        "seat_height": _shortfall(heard, target.seat, "vertical", band_hz),
        "on_axis_ripple": _on_axis_ripple(heard, judged),
        "width_smoothness": _width_smoothness(heard, target, judged),
        "index_smoothness": _index_smoothness(heard, judged),
        "up_down_symmetry": _up_down_symmetry(heard, target, band_hz),
        "side_lobes": _side_lobes(heard, band_hz),
        "window_nulls": _window_nulls(heard, band_hz),
        "sensitivity_loss": _sensitivity_loss(heard, baseline, band_hz),
    }
    return {name: found[name] for name in TERM_NAMES}


# ------------------------------------------------------------------ criteria
def _vertical_control(
    heard: TracedFields, target: Target, band_hz: tuple[float, float]
) -> Traced | None:
    parts = []
    for limit in (target.floor, target.ceiling):
        level = bounce_level(heard, limit, target.seat_azimuth_deg)
        weight = limit.weight_at(heard.frequency_hz)
        allowed = np.where(weight > 0, limit.level_at(heard.frequency_hz), 0.0)
        excess = positive(level - allowed, heard.softness_db)
        parts.append(traced_octaves(heard, excess, weight, band_hz))
    return mean_of(parts)


def _shortfall(
    heard: TracedFields, limits: Sequence[Limit], plane: str, band_hz: tuple[float, float]
) -> Traced | None:
    if not limits:
        return None
    weights = np.stack([limit.weight_at(heard.frequency_hz) for limit in limits])
    weight = weights.max(axis=0)
    short = []
    for limit, own_weight in zip(limits, weights, strict=True):
        wanted = np.where(own_weight > 0, limit.level_at(heard.frequency_hz), LOWEST_LEVEL_DB)
        missing = -edge_level(heard, plane, limit.angle_deg) + wanted[:, np.newaxis]
        share = (own_weight / np.where(weight > 0, weight, 1.0))[:, np.newaxis]
        short.append(positive(missing, heard.softness_db) * share)
    worst = largest(stacked(short), 0)
    return mean_of([traced_octaves(heard, worst[:, side], weight, band_hz) for side in (0, 1)])


def _on_axis_ripple(heard: TracedFields, judged: tuple[float, float]) -> Traced | None:
    degree = int(np.ceil(np.log2(judged[1] / judged[0]) - 1e-9))
    used = np.flatnonzero(inside(heard.frequency_hz, judged))
    if degree < 1 or len(used) < 2 * (degree + 1):
        return None
    frequency = heard.frequency_hz[used]
    (axis,) = positions(heard.dataset, ((0.0, 0.0),))
    remainder_of = np.eye(len(used)) - _trend(np.log2(frequency / judged[0]), degree)
    parts = []
    for energy in (heard.energy[used, axis], heard.window[used]):
        remainder = modulus(from_left(remainder_of, traced_level_db(energy)), heard.softness_db)
        parts.append(traced_octaves_at(heard, frequency, remainder, np.ones(len(used)), judged))
    return mean_of(parts)


def _width_smoothness(
    heard: TracedFields, target: Target, judged: tuple[float, float]
) -> Traced | None:
    if not target.horizontal:
        return None
    limit = max(target.horizontal, key=lambda limit: limit.angle_deg)
    sides = arc_ratio(heard, "horizontal", (-limit.angle_deg, limit.angle_deg))
    edge = traced_level_db(from_right(sides, np.full(2, 0.5)))
    half_step = 2 ** (THIRD_OCTAVE / 2)
    upper, lower = heard.frequency_hz * half_step, heard.frequency_hz / half_step
    wanted = limit.level_at(upper) - limit.level_at(lower)
    is_asked = np.isfinite(wanted)
    weight = np.where(is_asked, limit.weight_at(heard.frequency_hz), 0.0)
    wanted = np.where(is_asked, wanted, 0.0)
    change, is_known = traced_change(heard, edge, judged[1])
    excess = positive(change - np.maximum(wanted, 0.0), heard.softness_db)
    excess = excess + positive(-change + np.minimum(wanted, 0.0), heard.softness_db)
    return traced_octaves(heard, excess, np.where(is_known, weight, 0.0), judged)


def _index_smoothness(heard: TracedFields, judged: tuple[float, float]) -> Traced | None:
    index = traced_level_db(heard.window) - traced_level_db(heard.power)
    change, is_known = traced_change(heard, index, judged[1])
    excess = positive(change - STEADY_RISE_DB, heard.softness_db)
    excess = excess + positive(-change, heard.softness_db)
    return traced_octaves(heard, excess, is_known.astype(float), judged)


def _up_down_symmetry(
    heard: TracedFields, target: Target, band_hz: tuple[float, float]
) -> Traced | None:
    steepest = max(abs(limit.angle_deg) for limit in (target.floor, target.ceiling))
    count = max(1, round(steepest / SYMMETRY_STEP_DEG))
    angles = np.arange(1, count + 1) * SYMMETRY_STEP_DEG
    levels = arc_level(heard, "vertical", np.concatenate((-angles, angles)))
    apart = modulus(levels[:, count:] - levels[:, :count], heard.softness_db)
    mean = from_right(apart, np.full(count, 1 / count))
    return traced_octaves(heard, mean, np.ones(len(heard.frequency_hz)), band_hz)


def _side_lobes(heard: TracedFields, band_hz: tuple[float, float]) -> Traced | None:
    parts = []
    for plane, edge_deg in WINDOW_DEG.items():
        angles = np.arange(edge_deg, LOBES_TO_DEG + LOBE_STEP_DEG, LOBE_STEP_DEG)
        levels = arc_level(heard, plane, np.concatenate((-angles, angles)))
        sides = [levels[:, : len(angles)], levels[:, len(angles) :]]
        heights = [largest(side + largest_so_far(-side), 1) for side in sides]
        height = largest(stacked(heights), 0)
        parts.append(traced_octaves(heard, height, np.ones(len(heard.frequency_hz)), band_hz))
    return mean_of(parts)


def _window_nulls(heard: TracedFields, band_hz: tuple[float, float]) -> Traced | None:
    parts = []
    for plane, window_deg in WINDOW_DEG.items():
        chosen, angle = orbit_directions(heard.dataset, plane)
        around = np.abs(angle) <= AROUND_DEG[plane]
        ratio = over(heard.energy[:, chosen[around]], heard.window)
        values = traced_level_db(not_below(ratio, LEAST_ENERGY))
        before = largest_so_far(values)
        behind = largest_so_far(values[:, ::-1])[:, ::-1]
        depth = smallest(stacked((before, behind)), 0) - values
        in_window = np.flatnonzero(np.abs(angle[around]) <= window_deg)
        deepest = largest(depth[:, in_window], 1)
        parts.append(traced_octaves(heard, deepest, np.ones(len(heard.frequency_hz)), band_hz))
    return mean_of(parts)


def _sensitivity_loss(
    heard: TracedFields, baseline: xr.Dataset | None, band_hz: tuple[float, float]
) -> Traced | None:
    if baseline is None or not heard.frequency_hz.size:
        return None
    known = is_solved(baseline)
    if not known.any():
        return None
    other = np.interp(
        np.log(heard.frequency_hz),
        np.log(baseline.variables["frequency"].values[known]),
        response_db(window_amplitude(baseline)[known]),
    )
    loss = -traced_level_db(heard.window) + (other - response_db(np.ones(1)))
    return traced_octaves(heard, loss, np.ones(len(heard.frequency_hz)), band_hz)


def _trend(position: FloatArray, degree: int) -> FloatArray:
    """Return the matrix that takes a curve to its polynomial of least squares."""
    centred = (position - position.mean()) / np.ptp(position)
    base, _ = np.linalg.qr(np.polynomial.polynomial.polyvander(centred, degree))
    return np.asarray(base @ base.T)
