# SPDX-License-Identifier: GPL-3.0-or-later
"""Beamwidth and directivity index, measured and simulated: how far they are apart, how sure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.directivity.polars import first_fall
from bafflelens.mockup.comparison.difference import OrbitDifference

_DROP_DB: Final = 6.0
_TREND_OCTAVES: Final = 1.0


@dataclass(frozen=True, kw_only=True, eq=False)
class FigureCurves:
    """Single figures over frequency, measured and simulated, (2, n_frequencies) each.

    Attributes
    ----------
    frequency_hz : (n_frequencies,) array
        In Hz.
    beamwidth_deg : mapping of str to array
        Of each orbit, angle between the first -6 dB crossings; NaN where there is none.
    directivity_index_db : array
        From the orbits there are, every angle weighted with its ring of the sphere.
    beamwidth_spread_deg : mapping of str to (n_frequencies,) array
        Repeatability of the measured beamwidth, one standard deviation: what the spread of the
        levels at the crossings and on the axis makes of it. NaN without repeated sweeps.
    index_spread_db : (n_frequencies,) array
        The same of the index: that of the axis, since the mean over all angles hardly scatters.
    shape_coherence : float
        Share of the variance of the measured on-axis curve that the simulated one explains,
        after both lost what is broader than an octave; NaN if nothing is left to explain.
    """

    frequency_hz: FloatArray
    beamwidth_deg: Mapping[str, FloatArray]
    directivity_index_db: FloatArray
    beamwidth_spread_deg: Mapping[str, FloatArray]
    index_spread_db: FloatArray
    shape_coherence: float


@dataclass(frozen=True, kw_only=True)
class FigureError:
    """What beamwidth or index are off by in a band.

    Attributes
    ----------
    name, unit : str
        Which figure, and its unit.
    from_hz, to_hz : float
        The band.
    mean, rms : float
        Of measured minus simulated; NaN where one of them is not known.
    repeatability : float
        R.m.s. spread over repeated sweeps; NaN if there were none.
    """

    name: str
    unit: str
    from_hz: float
    to_hz: float
    mean: float
    rms: float
    repeatability: float


@dataclass(frozen=True, kw_only=True)
class WidthContradiction:
    """A band in which the beamwidths of an orbit are further apart than agreeing levels allow.

    Attributes
    ----------
    plane : {"horizontal", "vertical"}
        Which orbit.
    from_hz, to_hz : float
        The band.
    at_deg : float
        Angle from the axis at which the levels are apart.
    measured_deg, simulated_deg : float
        Medians of the beamwidths over the band; NaN where there is none.
    """

    plane: str
    from_hz: float
    to_hz: float
    at_deg: float
    measured_deg: float
    simulated_deg: float


def figure_curves(differences: Sequence[OrbitDifference]) -> FigureCurves:
    """Return beamwidths, directivity index and the coherence of the on-axis shape."""
    first = differences[0]
    widths, spreads = {}, {}
    for one in differences:
        sides = [_widths(one, levels) for levels in (one.measured_db, one.simulated_db)]
        widths[one.plane] = np.array([width for width, _ in sides])
        spreads[one.plane] = sides[0][1]
    index = np.array(
        [_index_db(differences, "measured_db"), _index_db(differences, "simulated_db")]
    )
    return FigureCurves(
        frequency_hz=first.frequency_hz,
        beamwidth_deg=widths,
        directivity_index_db=index,
        beamwidth_spread_deg=spreads,
        index_spread_db=_index_spread_db(differences),
        shape_coherence=_coherence(first.frequency_hz, first.on_axis_db),
    )


def figure_errors(
    curves: FigureCurves, bands: Sequence[tuple[float, float]]
) -> dict[str, tuple[FigureError, ...]]:
    """Return what beamwidths and index are off by in each band, by the name of the figure."""
    figures = {
        f"beamwidth, {plane}": ("°", width, curves.beamwidth_spread_deg[plane])
        for plane, width in curves.beamwidth_deg.items()
    }
    figures["directivity index"] = ("dB", curves.directivity_index_db, curves.index_spread_db)
    frequency = curves.frequency_hz
    found = {}
    for name, (unit, (measured, simulated), spread) in figures.items():
        errors = []
        for low, high in bands:
            here = (frequency >= low * (1 - 1e-9)) & (frequency < high)
            off = (measured - simulated)[here]
            off, scatter = off[np.isfinite(off)], spread[here][np.isfinite(spread[here])]
            errors.append(
                FigureError(
                    name=name,
                    unit=unit,
                    from_hz=low,
                    to_hz=high,
                    mean=float(off.mean()) if off.size else np.nan,
                    rms=float(np.sqrt(np.mean(off**2))) if off.size else np.nan,
                    repeatability=float(np.sqrt(np.mean(scatter**2))) if scatter.size else np.nan,
                )
            )
        found[name] = tuple(errors)
    return found


def contradictions(
    differences: Sequence[OrbitDifference],
    bands: Sequence[tuple[float, float]],
    within_db: float,
) -> tuple[WidthContradiction, ...]:
    """Return where a beamwidth is off by more than agreement of the levels can explain.

    A beamwidth is two levels of -6 dB re the axis. Where one side has that level the other must
    have it within twice `within_db`, r.m.s. over a band: once for the angle and once for the axis.
    Asked in levels, a shelf near -6 dB, over which a beamwidth jumps, contradicts nothing.
    """
    found = []
    for one in differences:
        axis = int(np.argmin(np.abs(one.angle_deg)))
        sides = (slice(axis, None), slice(axis, None, -1))
        pairs = [
            (np.abs(one.angle_deg[side] - one.angle_deg[axis]), one.measured_db[:, side],
             one.simulated_db[:, side]) for side in sides
        ]  # fmt: skip
        widths = [_widths(one, levels)[0] for levels in (one.measured_db, one.simulated_db)]
        for low, high in bands:
            rows = np.flatnonzero(
                (one.frequency_hz >= low * (1 - 1e-9)) & (one.frequency_hz < high)
            )
            for angle, measured, simulated in pairs:
                off, at = _off_at_crossings(angle, measured[rows], simulated[rows])
                if off.size and np.sqrt(np.mean(off**2)) > 2 * within_db:
                    found.append(
                        WidthContradiction(
                            plane=one.plane,
                            from_hz=low,
                            to_hz=high,
                            at_deg=float(np.median(at)),
                            measured_deg=_median(widths[0][rows]),
                            simulated_deg=_median(widths[1][rows]),
                        )
                    )
                    break
    return tuple(found)


def _median(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def _off_at_crossings(
    angle: FloatArray, measured_db: FloatArray, simulated_db: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return how far each side is from -6 dB where the other first is there, and at which angle.

    The larger of the two at each frequency; frequencies at which neither is known are left out.
    """
    off, at = [], []
    for rows in zip(measured_db, simulated_db, strict=True):
        seen = []
        for one, other in (rows, rows[::-1]):
            crossing, _, _ = _crossing(angle, one - one[0], np.zeros(angle.size))
            relative = other - other[0]
            known = np.isfinite(relative)
            if not np.isfinite(crossing) or known.sum() < 2 or crossing > angle[known][-1]:
                continue
            level = np.interp(crossing, angle[known], relative[known])
            seen.append((abs(float(level) + _DROP_DB), crossing))
        if seen:
            largest, crossing = max(seen)
            off.append(largest)
            at.append(crossing)
    return np.array(off), np.array(at)


def _widths(one: OrbitDifference, levels: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return beamwidth at each frequency, re the angle nearest to the axis, and its spread."""
    axis = int(np.argmin(np.abs(one.angle_deg)))
    n_frequencies = len(levels)
    spread_db = np.full(levels.shape, np.nan) if one.spread_db is None else one.spread_db
    widths, spreads = np.full(n_frequencies, np.nan), np.full(n_frequencies, np.nan)
    for row in range(n_frequencies):
        relative = levels[row] - levels[row, axis]
        sides = [
            (one.angle_deg[axis:], relative[axis:], spread_db[row, axis:]),
            (-one.angle_deg[axis::-1], relative[axis::-1], spread_db[row, axis::-1]),
        ]
        crossings = [_crossing(*side) for side in sides]
        widths[row] = sum(angle for angle, _, _ in crossings)
        steepness = sum(per_db for _, per_db, _ in crossings)
        edges = sum((per_db * spread) ** 2 for _, per_db, spread in crossings)
        spreads[row] = np.sqrt(edges + (steepness * spread_db[row, axis]) ** 2)
    return widths, spreads


def _crossing(
    angle: FloatArray, level_db: FloatArray, spread_db: FloatArray
) -> tuple[float, float, float]:
    """Return where the level first is 6 dB down, how far a decibel moves that, and the spread.

    Angles behind, which noise may have masked, are not asked for.
    """
    known = np.isfinite(level_db)
    reach = int(np.argmin(known)) if not known.all() else known.size
    if reach < 2:
        return np.nan, np.nan, np.nan
    crossing, _ = first_fall(angle[:reach], level_db[:reach], _DROP_DB)
    if not np.isfinite(crossing):
        return np.nan, np.nan, np.nan
    outer = int(np.argmax(level_db[:reach] <= -_DROP_DB))
    step = angle[outer] - angle[outer - 1]
    return (
        crossing,
        float(step / (level_db[outer - 1] - level_db[outer])),
        float(np.mean(spread_db[outer - 1 : outer + 1])),
    )


def _index_spread_db(differences: Sequence[OrbitDifference]) -> FloatArray:
    spreads = [
        one.spread_db[:, np.argmin(np.abs(one.angle_deg))]
        for one in differences
        if one.spread_db is not None
    ]
    if len(spreads) < len(differences):
        return np.full(differences[0].frequency_hz.size, np.nan)
    return np.asarray(np.sqrt(np.sum(np.square(spreads), axis=0)) / len(spreads))


def _index_db(differences: Sequence[OrbitDifference], side: str) -> FloatArray:
    """Return level on the axis less the mean over the rings of all orbits, in dB.

    An angle stands for its ring about the axis, of weight |sin| times the step; ring weights are
    within 0.2 dB of the exact index for beams of this trade, and both sides have the same.
    """
    total = np.zeros(differences[0].frequency_hz.size)
    weight_sum = np.zeros_like(total)
    on_axis = []
    for one in differences:
        levels = getattr(one, side)
        angle = np.radians(one.angle_deg)
        weight = np.abs(np.sin(angle)) * np.gradient(angle) if angle.size > 1 else np.ones(1)
        finite = np.isfinite(levels)
        power = np.where(finite, 10 ** (np.nan_to_num(levels) / 10), 0.0)
        total += power @ weight
        weight_sum += finite @ weight
        on_axis.append(levels[:, np.argmin(np.abs(angle))])
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = 10 * np.log10(total / weight_sum)
        return np.asarray(np.mean(on_axis, axis=0) - mean)


def _coherence(frequency_hz: FloatArray, on_axis_db: FloatArray) -> float:
    """Return the squared correlation of two curves less their trend over an octave."""
    known = np.isfinite(on_axis_db).all(axis=0)
    if known.sum() < 8:
        return float("nan")
    log = np.log2(frequency_hz[known])
    curves = []
    for row in on_axis_db[:, known]:
        weight = np.abs(log[:, np.newaxis] - log) < _TREND_OCTAVES / 2
        curves.append(row - (weight @ row) / weight.sum(axis=1))
    measured, simulated = curves
    power = float((measured**2).mean() * (simulated**2).mean())
    if power < 1e-6:  # below 0.03 dB there is no shape
        return float("nan")
    return float((measured * simulated).mean() ** 2 / power)
