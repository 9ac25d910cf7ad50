# SPDX-License-Identifier: GPL-3.0-or-later
"""Why measurement and simulation differ: what each likely cause would explain of the difference.

Every cause leaves a mark of its own, and is credited with the share of the remaining difference
(power of the directivity part, in dB^2) that its mark takes away:

odd angle       an angle unlike its neighbours: a dead microphone, a wrong file
level step      one level for the angles on each side, the same at all frequencies
reflection      a ripple over frequency of one delay at all angles, longer than the body
noise           what the scatter of repeated sweeps, or the level of the noise, lets expect
dome            the same at +t and -t and in both orbits, and beginning at some frequency, since a
                round dome that bends still bends in rings
round           the same at +t and -t and in both orbits, but growing evenly with frequency: what
                is around the dome is off all around, or the dome; the data cannot tell which
shape           what the simulation of the scanned clay model does away with
gate            excess within an octave above the lowest frequency that the gate lets through

A cause that explains less than `LEAST_SHARE` is not named: better none than the wrong one. Odd
angles always are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from bafflelens.base.conventions import BoolArray, FloatArray
from bafflelens.mockup.comparison.difference import OrbitDifference, difference_of, smoothing
from bafflelens.mockup.comparison.observed import Observed
from bafflelens.mockup.comparison.simulated import Simulated

LEAST_SHARE: Final = 0.15
LEAST_RMS_DB: Final = 0.25
"""Differences below this are what a good solution is off by: they need no cause."""

_SHORTEST_DELAY_S: Final = 1.5e-3  # twice around a body of 0.25 m
_LONGEST_DELAY_S: Final = 12e-3
_COMB_TOP_HZ: Final = 6000.0
_COMB_PEAK: Final = 8.0  # over the median of all delays
_LEAST_RIPPLE_DB: Final = 0.1
_DOME_FROM_HZ: Final = 4000.0
_DOME_GROWTH: Final = 2.0
_DOME_ALIKE: Final = 0.5
_DOME_AN_OCTAVE: Final = 8.0  # growth over an octave; a shape that is off grows four to five times
_GATE_GROWTH: Final = 2.0


_CHECKS_OF_ROUND: Final = {
    "dome": (
        "The dome's velocity over its radius, by laser or from a model, as a table of the job; "
        "soft domes cease to be rigid from about 8 to 10 kHz (common practice, no source)."
    ),
    "round": (
        "Ring and step around the dome: feeler gauge, or a scan to compare with (--scan). Then "
        "the dome's velocity over its radius, by laser or from a model."
    ),
}


@dataclass(frozen=True, kw_only=True)
class Cause:
    """A likely reason for what is left of the difference.

    Attributes
    ----------
    name : str
        ``odd angle``, ``level step``, ``reflection``, ``noise``, ``dome``, ``round``, ``shape``
        or ``gate``.
    share : float
        Share of the difference that it explains, 0 to 1.
    text : str
        What was seen, in words.
    check : str
        What to check next.
    from_hz, to_hz : float
        Where it acts, in Hz.
    value : float
        Its size: dB of a step or a ripple, Hz where what is round begins.
    delay_s : float
        Of a reflection, in s; 0 else.
    """

    name: str
    share: float
    text: str
    check: str
    from_hz: float
    to_hz: float
    value: float = 0.0
    delay_s: float = 0.0


@dataclass(frozen=True, kw_only=True, eq=False)
class OrbitFacts:
    """All that is known of an orbit."""

    observed: Observed
    simulated: Simulated
    difference: OrbitDifference


def causes_of(
    orbits: Sequence[OrbitFacts],
    *,
    fraction: float,
    scanned: Sequence[OrbitDifference] | None = None,
) -> tuple[Cause, ...]:
    """Return the likely causes of what is left, that which explains most first.

    Parameters
    ----------
    orbits : sequence of Orbit
        Measurement and simulation.
    fraction : float
        Width of the smoothing in octaves.
    scanned : sequence of OrbitDifference, optional
        Differences from the simulation of the scanned clay model, the same orbits.
    """
    differences = [orbit.difference for orbit in orbits]
    odd, left = _odd_angles(differences)
    first = () if odd is None else (odd,)
    power = _mean_square(left)
    if not power > LEAST_RMS_DB**2:
        return first
    found: list[Cause] = []
    # Plain faults first: what they explain must not be put down to clay or dome.
    for cause, remaining in (
        _level_steps(differences, left),
        _reflection(orbits, left, fraction),
    ):
        if cause is not None:
            found.append(cause)
            left = remaining
    shape = _shape(differences, scanned)
    if shape is not None and scanned is not None:
        found.append(shape)
        # What clay explains is neither noise nor dome.
        left = [
            values + other.difference_db - one.difference_db
            for values, one, other in zip(left, differences, scanned, strict=True)
        ]
    for cause in (_noise(orbits, left, power), _dome(differences, left, power),
                  _gate(orbits, left, power)):  # fmt: skip
        if cause is not None:
            found.append(cause)
    named = [cause for cause in found if cause.share >= LEAST_SHARE]
    # What the others explain is a share of what odd angles leave.
    rest = 1.0 if odd is None else 1 - odd.share
    named = [replace(cause, share=rest * cause.share) for cause in named]
    return (*first, *sorted(named, key=lambda cause: -cause.share))


def _odd_angles(
    differences: Sequence[OrbitDifference],
) -> tuple[Cause | None, list[FloatArray]]:
    """Return what is wrong with single angles, and the differences without those."""
    odd = [angle for one in differences for angle in one.odd_angles]
    before = [one.difference_db for one in differences]
    after = [
        np.where(_is_odd(one, one.angle_deg)[np.newaxis, :], np.nan, one.difference_db)
        for one in differences
    ]
    if not odd:
        return None, before
    total, rest = (sum(float(np.nansum(value**2)) for value in values)
                   for values in (before, after))  # fmt: skip
    cause = Cause(
        name="odd angle",
        share=1 - rest / total if total > 0 else 0.0,
        text="; ".join(angle.text for angle in odd) + ": a dead microphone or a wrong file.",
        check=(
            "Microphone, cable and file of each such angle; measure it again, or leave its file "
            "out of the description."
        ),
        from_hz=float(differences[0].frequency_hz[0]),
        to_hz=float(differences[0].frequency_hz[-1]),
        value=max(abs(angle.off_db) for angle in odd),
    )
    return cause, after


def _is_odd(one: OrbitDifference, angle_deg: FloatArray) -> BoolArray:
    """Return which of these angles, as the comparison has them, are odd ones of an orbit."""
    sign = -1.0 if one.fit.deviation.is_mirrored else 1.0
    odd = [sign * angle.angle_deg + one.fit.deviation.angle_deg for angle in one.odd_angles]
    away = np.abs(angle_deg[:, np.newaxis] - np.array(odd)[np.newaxis, :])
    return np.asarray((away < 1e-6).any(axis=1))


def _mean_square(values: Sequence[FloatArray]) -> float:
    flat = np.concatenate([value[np.isfinite(value)] for value in values])
    return float(np.mean(flat**2)) if flat.size else 0.0


def _centred(values: FloatArray, angle_deg: FloatArray) -> FloatArray:
    """Return values less their mean in front, as the directivity part is."""
    front = np.abs(angle_deg) <= 30
    if not front.any():
        return values
    part = values[:, front]
    count = np.isfinite(part).sum(axis=1)
    mean = np.nansum(part, axis=1) / np.maximum(count, 1)
    return np.asarray(values - mean[:, np.newaxis])


def _level_steps(
    differences: Sequence[OrbitDifference], left: list[FloatArray]
) -> tuple[Cause | None, list[FloatArray]]:
    texts, sizes, after = [], [], []
    for one, values in zip(differences, left, strict=True):
        odd = {angle.angle_deg for angle in one.odd_angles}
        sized = [
            (step, size)
            for step, size in zip(one.fit.angles_of_steps, one.fit.steps_db, strict=True)
            if not odd & set(step)
        ]
        steps = [step for step, _ in sized]
        rest = values
        if steps:
            sign = -1.0 if one.fit.deviation.is_mirrored else 1.0
            edges = sorted(
                sign * (low + high) / 2 + one.fit.deviation.angle_deg for low, high in steps
            )
            segment = np.searchsorted(edges, one.angle_deg)
            offset = np.array([np.nanmedian(values[:, segment == n]) if
                               np.isfinite(values[:, segment == n]).any() else 0.0
                               for n in range(len(edges) + 1)])  # fmt: skip
            rest = _centred(values - offset[segment], one.angle_deg)
            for (low, high), size in sized:
                texts.append(f"{size:+.1f} dB between {low:+.0f}° and {high:+.0f}° ({one.plane})")
                sizes.append(abs(size))
        after.append(rest)
    if not texts:
        return None, left
    cause = Cause(
        name="level step",
        share=_share(left, after),
        text="The level jumps at all frequencies: " + "; ".join(texts) + ".",
        check="Gain and amplifier volume during the sweeps; measure those angles again.",
        from_hz=float(differences[0].frequency_hz[0]),
        to_hz=float(differences[0].frequency_hz[-1]),
        value=max(sizes),
    )
    return cause, after


def _share(before: Sequence[FloatArray], after: Sequence[FloatArray]) -> float:
    power = _mean_square(before)
    return max(0.0, 1 - _mean_square(after) / power) if power > 0 else 0.0


def find_reflection(observed: Observed, simulated: Simulated) -> tuple[float, float] | None:
    """Return delay in s and ripple in dB of a reflection that all angles share; None without one.

    Parameters
    ----------
    observed, simulated : Observed, Simulated
        An orbit, measured and simulated.
    """
    comb = _comb(observed, simulated)
    if comb is None:
        return None
    delay, spectrum = comb
    peak = int(np.argmax(spectrum))
    ripple_db = float(np.sqrt(2 * spectrum[peak]))
    if spectrum[peak] < _COMB_PEAK * np.median(spectrum) or ripple_db < _LEAST_RIPPLE_DB:
        return None
    return float(delay[peak]), ripple_db


def _reflection(
    orbits: Sequence[OrbitFacts], left: list[FloatArray], fraction: float
) -> tuple[Cause | None, list[FloatArray]]:
    """Take away the ripple of a reflection, where there is one."""
    seen = [found for o in orbits if (found := find_reflection(o.observed, o.simulated))]
    if not seen:
        return None, left
    delay_s, ripple_db = max(seen, key=lambda found: found[1])
    after = []
    for orbit, values in zip(orbits, left, strict=True):
        calm = difference_of(
            orbit.observed.without_ripple(delay_s),
            orbit.difference.fit,
            orbit.simulated,
            bands_hz=orbit.difference.frequency_hz,
            fraction=fraction,
        )
        change = orbit.difference.difference_db - calm.difference_db
        after.append(np.where(np.isfinite(change), values - change, np.nan))
    before = [np.where(np.isfinite(rest), values, np.nan)
              for values, rest in zip(left, after, strict=True)]  # fmt: skip
    cause = Cause(
        name="reflection",
        share=_share(before, after),
        text=(
            f"A ripple of ±{ripple_db:.1f} dB over frequency, with a delay of "
            f"{1e3 * delay_s:.2f} ms at all angles: a reflection whose way is "
            f"{delay_s * 343:.2f} m longer, inside the gate."
        ),
        check=(
            "Floor, ceiling, stand and turntable within that way; a shorter gate, an absorber on "
            "the floor half-way, or more height."
        ),
        from_hz=float(orbits[0].difference.frequency_hz[0]),
        to_hz=_COMB_TOP_HZ,
        value=ripple_db,
        delay_s=delay_s,
    )
    return cause, after


def _residual(observed: Observed, simulated: Simulated) -> tuple[FloatArray, FloatArray]:
    """Return the measured frequencies up to the comb's top, and the raw difference there."""
    inside = np.isin(observed.frequency_hz, simulated.frequency_hz)
    usable = observed.is_usable[inside] & np.isfinite(observed.level_db[inside])
    level = observed.level_db[inside]
    loudest = np.where(usable, level, -np.inf).max(axis=1, keepdims=True)
    usable &= level > loudest - 20
    difference = np.where(usable, level - simulated.level_db, np.nan)
    low = simulated.frequency_hz <= _COMB_TOP_HZ
    return simulated.frequency_hz[low], difference[low]


def _comb(observed: Observed, simulated: Simulated) -> tuple[FloatArray, FloatArray] | None:
    """Return delays and the mean power of the ripple at each, over the angles; None if untold."""
    frequency, difference = _residual(observed, simulated)
    if frequency.size < 32:
        return None
    step = float(np.median(np.diff(frequency)))
    longest = min(_LONGEST_DELAY_S, observed.gate_s or np.inf, 1 / (2 * step))
    if longest < 2 * _SHORTEST_DELAY_S:
        return None
    grid = np.arange(frequency[0], frequency[-1], 1 / (4 * _LONGEST_DELAY_S))
    delay = np.arange(_SHORTEST_DELAY_S, _LONGEST_DELAY_S, 1 / (4 * (grid[-1] - grid[0])))
    window = np.hanning(grid.size)
    window /= window.sum()
    curves = []
    for column in difference.T:
        known = np.isfinite(column)
        if known.sum() < 0.8 * known.size:
            continue
        series = np.interp(grid, frequency[known], column[known])
        curves.append(series - _trend(series, grid))
    if not curves:
        return None
    waves = np.exp(2j * np.pi * np.outer(delay, grid)) * window
    power = 2 * np.abs(waves @ np.array(curves, dtype=complex).T) ** 2
    mean = np.mean(power, axis=1)
    return delay, np.where(delay <= longest, mean, np.median(mean))


def _trend(series: FloatArray, grid: FloatArray) -> FloatArray:
    """Return what is slower than the shortest delay: a running mean over its spacing."""
    width = max(3, int(1 / _SHORTEST_DELAY_S / (grid[1] - grid[0])) | 1)
    kernel = np.hanning(width + 2)[1:-1]
    weight = np.convolve(np.ones(series.size), kernel, "same")
    return np.asarray(np.convolve(series, kernel, "same") / weight)


def _noise(orbits: Sequence[OrbitFacts], left: Sequence[FloatArray], power: float) -> Cause | None:
    """Compare the difference with the scatter of sweeps, or with what the noise lets expect."""
    expected = []
    for orbit, values in zip(orbits, left, strict=True):
        spread = orbit.difference.spread_db
        if spread is None and orbit.observed.noise_db is not None:
            inside = np.isin(orbit.observed.frequency_hz, orbit.simulated.frequency_hz)
            ratio_db = (orbit.observed.level_db - orbit.observed.noise_db)[inside]
            raw = 20 / np.log(10) / np.sqrt(2) * 10 ** (-np.nan_to_num(ratio_db, nan=60) / 20)
            averages = smoothing(
                orbit.simulated.frequency_hz, orbit.difference.frequency_hz, 1 / 12
            )
            spread = np.sqrt((averages**2) @ raw**2)
            sign = -1.0 if orbit.difference.fit.deviation.is_mirrored else 1.0
            spread = spread[:, np.argsort(sign * orbit.observed.angle_deg)]
        if spread is None:
            return None
        expected.append(np.where(np.isfinite(values), spread, np.nan))
    share = min(1.0, _mean_square(expected) / power)
    return Cause(
        name="noise",
        share=share,
        text=(
            f"Noise alone makes levels differ by {np.sqrt(_mean_square(expected)):.1f} dB r.m.s."
        ),
        check="More level within what the driver bears, longer sweeps or more of them.",
        from_hz=float(orbits[0].difference.frequency_hz[0]),
        to_hz=float(orbits[0].difference.frequency_hz[-1]),
        value=float(np.sqrt(_mean_square(expected))),
    )


def _shape(
    differences: Sequence[OrbitDifference], scanned: Sequence[OrbitDifference] | None
) -> Cause | None:
    """Credit the clay with what the simulation of its scan does away with."""
    if scanned is None:
        return None
    before, after = [], []
    for one, other in zip(differences, scanned, strict=True):
        common = np.isfinite(one.difference_db) & np.isfinite(other.difference_db)
        before.append(np.where(common, one.difference_db, np.nan))
        after.append(np.where(common, other.difference_db, np.nan))
    return Cause(
        name="shape",
        share=_share(before, after),
        text=(
            "With the scanned clay in place of the nominal shape "
            f"{np.sqrt(_mean_square(after)):.1f} dB r.m.s. is left instead of "
            f"{np.sqrt(_mean_square(before)):.1f} dB."
        ),
        check="The deviation map of the scan: walls first, then the throat.",
        from_hz=float(differences[0].frequency_hz[0]),
        to_hz=float(differences[0].frequency_hz[-1]),
        value=float(np.sqrt(_mean_square(before))),
    )


def _dome(
    differences: Sequence[OrbitDifference], left: Sequence[FloatArray], power: float
) -> Cause | None:
    """Look for a part that depends on the angle from the axis alone, and grows with frequency."""
    frequency = differences[0].frequency_hz
    reach = min(90.0, *(float(min(-d.angle_deg[0], d.angle_deg[-1])) for d in differences))
    if reach < 30:
        return None
    polar = np.arange(0.0, reach + 0.1, 5.0)
    sides = []
    for one, values in zip(differences, left, strict=True):
        for sign in (1, -1):
            order = np.argsort(sign * one.angle_deg)
            rows = np.array(
                [_between(polar, sign * one.angle_deg[order], row[order]) for row in values]
            )
            sides.append(rows)
    stacked = np.stack(sides)  # (sides, frequency, angle)
    known = np.isfinite(stacked).all(axis=0)
    alike = np.where(known, np.mean(np.nan_to_num(stacked), axis=0), np.nan)
    size = np.sqrt(_row_mean(alike**2))
    whole = np.sqrt(
        _row_mean(np.where(known, np.mean(np.nan_to_num(stacked) ** 2, axis=0), np.nan))
    )
    high, low = frequency >= _DOME_FROM_HZ, frequency < _DOME_FROM_HZ
    if not (high.any() and low.any()):
        return None
    below = max(float(np.sqrt(_row_mean((whole[low] ** 2)[np.newaxis])[0])), LEAST_RMS_DB / 2)
    grown = high & (np.nan_to_num(size) > _DOME_GROWTH * below)
    if grown.sum() < 4:
        return None
    starts = float(frequency[grown][0])
    above = frequency >= starts
    likeness = _likeness(stacked[:, above], known[above])
    if likeness < _DOME_ALIKE:
        return None
    explained = np.nansum(np.where(known, alike, np.nan)[above] ** 2)
    total = np.nansum(np.where(known, np.mean(np.nan_to_num(stacked) ** 2, axis=0), np.nan))
    orbits = "both orbits" if len(differences) > 1 else "either side of the one orbit"
    seen = (
        f"From {starts / 1e3:.1f} kHz up the difference is the same at equal angles in {orbits} "
        f"({100 * likeness:.0f} % of it), and "
    )
    grows = _an_octave_on(frequency, size, starts)
    if grows > _DOME_AN_OCTAVE:
        name = "dome"
        seen += "an octave below there is next to none: a dome that no longer moves as a whole."
    else:
        name = "round"
        seen += (
            f"it grows evenly, {grows:.0f} times over an octave: something that is off all around "
            "the axis, the ring and step around the dome or the dome itself. The data do not "
            "tell which."
        )
    return Cause(
        name=name,
        share=float(explained / total * _mean_square(left) / power) if total > 0 else 0.0,
        text=seen,
        check=_CHECKS_OF_ROUND[name],
        from_hz=starts,
        to_hz=float(frequency[-1]),
        value=starts,
    )


def _an_octave_on(frequency_hz: FloatArray, size_db: FloatArray, starts_hz: float) -> float:
    """Return by how much a difference grows from the octave below where it starts."""

    def size(low: float, high: float) -> float:
        here = size_db[(frequency_hz >= low) & (frequency_hz < high)]
        here = here[np.isfinite(here)]
        return float(np.sqrt(np.mean(here**2))) if here.size else np.nan

    half = np.sqrt(2)
    above, below = size(starts_hz, half * starts_hz), size(starts_hz / 2, starts_hz / half)
    return above / max(below, 1e-3) if np.isfinite(below) else 0.0


def _likeness(sides: FloatArray, known: FloatArray) -> float:
    """Return the share of the power of several sides that is common to all of them, 0 to 1."""
    mean = np.mean(np.nan_to_num(sides), axis=0)
    spread = np.mean((np.nan_to_num(sides) - mean) ** 2, axis=0)
    n = len(sides)
    if n < 2:
        return 0.0
    scatter = float(np.sum(spread[known])) * n / (n - 1)  # unbiased
    common = float(np.sum(mean[known] ** 2)) - scatter / n
    return max(0.0, common / (common + scatter)) if common + scatter > 0 else 0.0


def _between(wanted: FloatArray, angle: FloatArray, row: FloatArray) -> FloatArray:
    """Interpolate over the angle; NaN beside what is not known."""
    known = np.isfinite(row)
    if known.sum() < 2:
        return np.full(wanted.size, np.nan)
    found = np.interp(wanted, angle[known], row[known], left=np.nan, right=np.nan)
    distance = np.abs(wanted[:, np.newaxis] - angle[known]).min(axis=1)
    return np.asarray(np.where(distance <= 10, found, np.nan))


def _row_mean(values: FloatArray) -> FloatArray:
    finite = np.isfinite(values)
    total = np.where(finite, values, 0.0).sum(axis=-1)
    count = finite.sum(axis=-1)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def _gate(orbits: Sequence[OrbitFacts], left: Sequence[FloatArray], power: float) -> Cause | None:
    limit = max(orbit.observed.gate_limit_hz for orbit in orbits)
    frequency = orbits[0].difference.frequency_hz
    near = (frequency >= limit) & (frequency < 2 * limit)
    if not limit > 0 or near.sum() < 3 or (frequency >= 2 * limit).sum() < 3:
        return None
    close = _mean_square([values[near] for values in left])
    above = _mean_square([values[frequency >= 2 * limit] for values in left])
    if close < _GATE_GROWTH**2 * max(above, LEAST_RMS_DB**2):
        return None
    return Cause(
        name="gate",
        share=float(min(1.0, (close - above) * near.mean() / power)),
        text=f"Most of the difference is within an octave of the gate's limit of {limit:.0f} Hz.",
        check="A longer gate, further from floor and walls.",
        from_hz=limit,
        to_hz=2 * limit,
        value=limit,
    )
