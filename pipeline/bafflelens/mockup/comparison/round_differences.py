# SPDX-License-Identifier: GPL-3.0-or-later
"""Differences that depend on the angle from the axis alone: the dome, or what is around it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.mockup.comparison.cause import LEAST_RMS_DB, Cause, mean_square
from bafflelens.mockup.comparison.difference import OrbitDifference

_DOME_FROM_HZ: Final = 4000.0
_DOME_GROWTH: Final = 2.0
_DOME_ALIKE: Final = 0.5
_DOME_AN_OCTAVE: Final = 8.0  # growth over an octave; a shape that is off grows four to five times


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


def dome_or_round(
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
        share=float(explained / total * mean_square(left) / power) if total > 0 else 0.0,
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
