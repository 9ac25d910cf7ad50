# SPDX-License-Identifier: GPL-3.0-or-later
"""How far measured and simulated levels are apart, by zone and by octave."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import BoolArray, FloatArray
from bafflelens.mockup.comparison.difference import OrbitDifference

_WINDOW: Final = {"horizontal": (0, 10, 20, 30), "vertical": (0, 10)}  # CTA-2034-A section 5.2
_NEAR_ENOUGH_DEG: Final = 2.6
_BOUNCE_HALF_DEG: Final = 5.0
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
