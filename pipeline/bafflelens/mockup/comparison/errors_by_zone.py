# SPDX-License-Identifier: GPL-3.0-or-later
"""How far measurement and simulation are apart: by octave and zone, in width, index and shape."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import BoolArray, FloatArray
from bafflelens.directivity.polars import first_fall
from bafflelens.mockup.comparison.difference import OrbitDifference

_WINDOW: Final = {"horizontal": (0, 10, 20, 30), "vertical": (0, 10)}  # CTA-2034-A section 5.2
_NEAR_ENOUGH_DEG: Final = 2.6
_BOUNCE_HALF_DEG: Final = 5.0
_DROP_DB: Final = 6.0
_TREND_OCTAVES: Final = 1.0
_NOMINAL: Final = 1000.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Zone:
    """A range of angles that is judged as one.

    Attributes
    ----------
    name : str
        For people.
    masks : mapping of str to (n_angles,) bool array
        Which angles of each orbit belong to it.
    """

    name: str
    masks: Mapping[str, BoolArray]


@dataclass(frozen=True, kw_only=True)
class ZoneError:
    """What a zone is off by in a band.

    Attributes
    ----------
    zone : str
        Name of the zone.
    from_hz, to_hz : float
        The band.
    rms_db, largest_db : float
        R.m.s. and the 95th percentile of the differences without sign, in dB; NaN where nothing
        is comparable.
    repeatability_db : float
        R.m.s. spread of repeated sweeps; NaN if there were none.
    points : int
        How many levels were compared.
    """

    zone: str
    from_hz: float
    to_hz: float
    rms_db: float
    largest_db: float
    repeatability_db: float
    points: int


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


def zones_of(
    differences: Sequence[OrbitDifference], bounce_deg: Mapping[str, float]
) -> tuple[Zone, ...]:
    """Return the zones that the measured angles allow.

    Parameters
    ----------
    differences : sequence of OrbitDifference
        The orbits.
    bounce_deg : mapping of str to float
        Elevation at which the bounces of floor and ceiling leave, in degrees.
    """
    angles = {one.plane: one.angle_deg for one in differences}

    def zone(name: str, chosen: Mapping[str, BoolArray]) -> Zone:
        return Zone(name=name, masks={plane: mask for plane, mask in chosen.items() if mask.any()})

    def within(limit: float, plane: str = "") -> dict[str, BoolArray]:
        return {
            name: np.asarray(np.abs(angle) <= limit + 0.5)
            for name, angle in angles.items()
            if plane in ("", name)
        }

    def near(wanted: Mapping[str, Sequence[float]]) -> dict[str, BoolArray]:
        return {
            plane: _nearest(angle, wanted[plane])
            for plane, angle in angles.items()
            if plane in wanted
        }

    both = {plane: [s * a for a in steps for s in (1, -1)] for plane, steps in _WINDOW.items()}
    found = [zone("front ±30°", within(30)), zone("listening window", near(both))]
    found += [zone(f"{plane} ±60°", within(60, plane)) for plane in ("horizontal", "vertical")]
    if "vertical" in angles:
        found += [
            zone(
                f"{name} bounce, {angle:+.0f}°",
                {"vertical": np.abs(angles["vertical"] - angle) <= _BOUNCE_HALF_DEG},
            )
            for name, angle in bounce_deg.items()
            if name in ("floor", "ceiling")
        ]
    found.append(zone("behind", {plane: np.abs(a) > 90 for plane, a in angles.items()}))
    return tuple(one for one in found if one.masks)


def _nearest(angle_deg: FloatArray, wanted_deg: Sequence[float]) -> BoolArray:
    mask = np.zeros(angle_deg.size, dtype=bool)
    for wanted in wanted_deg:
        number = int(np.argmin(np.abs(angle_deg - wanted)))
        mask[number] |= abs(angle_deg[number] - wanted) <= _NEAR_ENOUGH_DEG
    return mask


def bands_between(
    low_hz: float, high_hz: float, per_octave: int
) -> tuple[tuple[float, float], ...]:
    """Return the octaves, or thirds, around the nominal centres, as far as a range reaches.

    Base-two bands, one of them centred on 1 kHz (IEC 61260-1 nearly: its bands are base ten, 0.2 %
    apart in width; common practice, no source seen).
    """
    first = int(np.floor(per_octave * np.log2(low_hz / _NOMINAL) + 0.5))
    last = int(np.ceil(per_octave * np.log2(high_hz / _NOMINAL) - 0.5))
    half = 0.5 / per_octave
    bands = [
        (_NOMINAL * 2 ** (n / per_octave - half), _NOMINAL * 2 ** (n / per_octave + half))
        for n in range(first, last + 1)
    ]
    return tuple(
        (max(low, low_hz), min(high, high_hz * (1 + 1e-9)))
        for low, high in bands
        if high > low_hz * 1.02 and low < high_hz / 1.02
    )


def zone_errors(
    differences: Sequence[OrbitDifference], zone: Zone, bands: Sequence[tuple[float, float]]
) -> tuple[ZoneError, ...]:
    """Return what a zone is off by in each band."""
    found = []
    for low, high in bands:
        values, spreads = [], []
        for one in differences:
            if one.plane not in zone.masks:
                continue
            rows = (one.frequency_hz >= low * (1 - 1e-9)) & (one.frequency_hz < high)
            part = one.difference_db[rows][:, zone.masks[one.plane]]
            finite = np.isfinite(part)
            values.append(part[finite])
            if one.spread_db is not None:
                spreads.append(one.spread_db[rows][:, zone.masks[one.plane]][finite])
        difference = np.concatenate(values) if values else np.zeros(0)
        spread = np.concatenate(spreads) if spreads else np.zeros(0)
        is_there = difference.size > 0
        found.append(
            ZoneError(
                zone=zone.name,
                from_hz=low,
                to_hz=high,
                rms_db=float(np.sqrt(np.mean(difference**2))) if is_there else np.nan,
                largest_db=float(np.percentile(np.abs(difference), 95)) if is_there else np.nan,
                repeatability_db=float(np.sqrt(np.mean(spread**2))) if spread.size else np.nan,
                points=int(difference.size),
            )
        )
    return tuple(found)


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
