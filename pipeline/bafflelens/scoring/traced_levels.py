# SPDX-License-Identifier: GPL-3.0-or-later
"""What criteria are made of, of steps that can be gone back: levels, arcs, octaves.

Each is made as in `bafflelens.scoring.criteria` and `bafflelens.base.octaves`, of
`bafflelens.scoring.adjoint.Traced`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import BoolArray, ComplexArray, FloatArray
from bafflelens.base.octaves import THIRD_OCTAVE, octave_parts
from bafflelens.directivity.polars import LISTENING_WINDOW, orbit_directions, positions
from bafflelens.directivity.source_sums import power_values
from bafflelens.scoring.adjoint import (
    Traced,
    from_left,
    from_right,
    largest,
    not_below,
    over,
    smallest,
    stacked,
    total,
    traced_level_db,
)
from bafflelens.scoring.criteria import ARC_HALF_WIDTH_DEG, LOWEST_LEVEL_DB, patch_shares
from bafflelens.scoring.side_effects import third_octave_ends
from bafflelens.scoring.target import Limit

LEAST_ENERGY: Final = 10 ** (LOWEST_LEVEL_DB / 10)
"""Energy re that of the listening window below which none counts."""


@dataclass(frozen=True, kw_only=True, eq=False)
class TracedFields:
    """What criteria look at: energies in each direction where it was solved, and the power."""

    dataset: xr.Dataset
    frequency_hz: FloatArray
    energy: Traced
    power: Traced
    window: Traced
    softness_db: float


def heard_of(
    dataset: xr.Dataset, solved: BoolArray, field: ComplexArray, softness_db: float
) -> TracedFields:
    """Return what criteria look at, of a field (n_solved, n_directions)."""
    energy = Traced(np.abs(field) ** 2)
    window = energy[:, positions(dataset, LISTENING_WINDOW)]
    count = len(LISTENING_WINDOW)
    return TracedFields(
        dataset=dataset,
        frequency_hz=dataset.variables["frequency"].values[solved],
        energy=energy,
        power=Traced(power_values(dataset)[solved]),
        window=from_right(window, np.full(count, 1 / count)),
        softness_db=softness_db,
    )


def bounce_level(heard: TracedFields, limit: Limit, azimuth_deg: float) -> Traced:
    """Return the level towards a bounce, the highest of all seats, re listening window."""
    seats = []
    for elevation_deg in limit.angles_deg:
        share = patch_shares(heard.dataset, elevation_deg, azimuth_deg)
        chosen = np.flatnonzero(share)
        mean = (share[chosen] / share.sum())[:, np.newaxis]
        energy = from_right(heard.energy[:, chosen], mean)
        ratio = not_below(over(energy, heard.window), LEAST_ENERGY)
        seats.append(traced_level_db(ratio)[:, 0])
    return largest(stacked(seats), 0)


def arc_ratio(heard: TracedFields, plane: str, angles_deg: Sequence[float] | FloatArray) -> Traced:
    """Return energies on arcs of +-5 degrees over that of the window, not below -20 dB."""
    chosen, angle = orbit_directions(heard.dataset, plane)
    distance = np.abs(angle[np.newaxis] - np.asarray(angles_deg)[:, np.newaxis])
    near = (distance <= ARC_HALF_WIDTH_DEG + 1e-9).astype(float)
    near /= near.sum(axis=1, keepdims=True)
    mean = from_right(heard.energy[:, chosen], near.T)
    return not_below(over(mean, heard.window), LEAST_ENERGY)


def arc_level(heard: TracedFields, plane: str, angles_deg: FloatArray) -> Traced:
    """Return levels on arcs of +-5 degrees, re listening window."""
    return traced_level_db(arc_ratio(heard, plane, angles_deg))


def edge_level(heard: TracedFields, plane: str, angle_deg: float) -> Traced:
    """Return the lowest level in the outer half of a window, (n_frequencies, 2)."""
    steps = np.linspace(0.5, 1.0, max(2, int(np.ceil(angle_deg / 5)) + 1)) * angle_deg
    levels = arc_level(heard, plane, np.concatenate((-steps, steps)))
    sides = stacked([levels[:, : len(steps)], levels[:, len(steps) :]])
    lowest = smallest(sides, 2)
    rows, columns = np.meshgrid(np.arange(len(heard.frequency_hz)), (0, 1), indexing="ij")
    return lowest[columns, rows]


def traced_change(heard: TracedFields, curve: Traced, end_hz: float) -> tuple[Traced, BoolArray]:
    """Return how a curve changes over a third-octave, and where that is known."""
    frequency = heard.frequency_hz
    if not frequency.size:
        return curve, np.zeros(0, dtype=bool)
    lower, upper, is_known = third_octave_ends(
        frequency, (frequency[0], min(frequency[-1], end_hz))
    )
    position = np.log(frequency)
    change = _straight(position, np.log(upper)) - _straight(position, np.log(lower))
    return from_left(change, curve), is_known


def traced_octaves(
    heard: TracedFields, curve: Traced, weight: FloatArray, band_hz: tuple[float, float]
) -> Traced | None:
    """Return what `traced_octaves_at` makes of a curve at all frequencies."""
    return traced_octaves_at(heard, heard.frequency_hz, curve, weight, band_hz)


def traced_octaves_at(
    heard: TracedFields,
    frequency_hz: FloatArray,
    curve: Traced,
    weight: FloatArray,
    band_hz: tuple[float, float],
) -> Traced | None:
    """Return what `octaves.by_octave` and `octaves.overall_db` make of a curve."""
    least = THIRD_OCTAVE / 2 * np.max(weight, initial=0.0)
    parts, shares = [], []
    for octave in octave_parts(frequency_hz, band_hz):
        share = octave.shares * weight
        covered = share.sum(axis=1)
        if covered[0] <= 0:
            continue
        means = from_left(share / np.where(covered > 0, covered, 1.0)[:, np.newaxis], curve)
        thirds = 1 + np.flatnonzero(covered[1:] >= least)
        worst = largest(means[thirds], 0, heard.softness_db) if thirds.size else means[0]
        parts.append((means[0] + worst) * 0.5)
        shares.append(float(covered[0]))
    if not parts:
        return None
    return total([p * (s / sum(shares)) for p, s in zip(parts, shares, strict=True)])


def mean_of(parts: Sequence[Traced | None]) -> Traced | None:
    """Return the mean; None where one of the parts is."""
    known = [part for part in parts if part is not None]
    if len(known) < len(parts):
        return None
    return total(known) * (1 / len(known))


def _straight(known: FloatArray, wanted: FloatArray) -> FloatArray:
    """Return the matrix of straight lines between known positions, held at their ends."""
    unit = np.eye(len(known))
    return np.stack([np.interp(wanted, known, column) for column in unit], axis=1)
