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
from dataclasses import replace
from typing import Final

import numpy as np

from bafflelens.base.conventions import BoolArray, FloatArray
from bafflelens.mockup.comparison.cause import (
    LEAST_RMS_DB,
    Cause,
    OrbitFacts,
    mean_square,
    share_explained,
)
from bafflelens.mockup.comparison.difference import OrbitDifference, smoothing
from bafflelens.mockup.comparison.reflections import reflection
from bafflelens.mockup.comparison.round_differences import dome_or_round

LEAST_SHARE: Final = 0.15
_GATE_GROWTH: Final = 2.0


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
    power = mean_square(left)
    if not power > LEAST_RMS_DB**2:
        return first
    found: list[Cause] = []
    # Plain faults first: what they explain must not be put down to clay or dome.
    for cause, remaining in (
        _level_steps(differences, left),
        reflection(orbits, left, fraction),
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
    for cause in (_noise(orbits, left, power), dome_or_round(differences, left, power),
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
        share=share_explained(left, after),
        text="The level jumps at all frequencies: " + "; ".join(texts) + ".",
        check="Gain and amplifier volume during the sweeps; measure those angles again.",
        from_hz=float(differences[0].frequency_hz[0]),
        to_hz=float(differences[0].frequency_hz[-1]),
        value=max(sizes),
    )
    return cause, after


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
    share = min(1.0, mean_square(expected) / power)
    return Cause(
        name="noise",
        share=share,
        text=(
            f"Noise alone makes levels differ by {np.sqrt(mean_square(expected)):.1f} dB r.m.s."
        ),
        check="A higher level, as far as the driver allows; longer sweeps, or more of them.",
        from_hz=float(orbits[0].difference.frequency_hz[0]),
        to_hz=float(orbits[0].difference.frequency_hz[-1]),
        value=float(np.sqrt(mean_square(expected))),
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
        share=share_explained(before, after),
        text=(
            "With the scanned clay in place of the nominal shape "
            f"{np.sqrt(mean_square(after)):.1f} dB r.m.s. is left instead of "
            f"{np.sqrt(mean_square(before)):.1f} dB."
        ),
        check="The deviation map of the scan: walls first, then the throat.",
        from_hz=float(differences[0].frequency_hz[0]),
        to_hz=float(differences[0].frequency_hz[-1]),
        value=float(np.sqrt(mean_square(before))),
    )


def _gate(orbits: Sequence[OrbitFacts], left: Sequence[FloatArray], power: float) -> Cause | None:
    limit = max(orbit.observed.gate_limit_hz for orbit in orbits)
    frequency = orbits[0].difference.frequency_hz
    near = (frequency >= limit) & (frequency < 2 * limit)
    if not limit > 0 or near.sum() < 3 or (frequency >= 2 * limit).sum() < 3:
        return None
    close = mean_square([values[near] for values in left])
    above = mean_square([values[frequency >= 2 * limit] for values in left])
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
