# SPDX-License-Identifier: GPL-3.0-or-later
"""Dimensions and regions of a scanned part held against their limits, and what follows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from bafflelens.handoff.datum import Datum
from bafflelens.handoff.deviation_model import Explanation, region_rms
from bafflelens.handoff.limits import limit_of, region_limits
from bafflelens.handoff.spots import Spot, furthest_off
from bafflelens.shapes.meshing.mesh_morph import SurfaceDeviation

PASS: Final = "pass"
REWORK: Final = "rework"
SIMULATE: Final = "re-simulate"
AGAIN: Final = "scan again"

WITHIN: Final = "within"
OVER: Final = "over"
NEAR: Final = "too close to call"
UNKNOWN: Final = "over the general tolerance"
UNTOLD: Final = "not told by this scan"
UNSEEN: Final = "not seen"

_LEAST_SEEN: Final = 0.8
_BENT_SHARE: Final = 0.1  # dimensions are taken to move surfaces in straight lines; assumed
_MM: Final = 1e3


@dataclass(frozen=True, kw_only=True)
class Judged:
    """A dimension or a region, and whether it is within its limit.

    Attributes
    ----------
    name, unit : str
        What it is.
    off : float
        How far off it is: a dimension's excess, a region's mean height (proud is positive).
    size : float
        What is judged: the amount of that; of a region the root mean square, or, where only the
        general tolerance is known, the amount at its furthest place.
    uncertainty : float
        U, at 95 per cent.
    allowed : float
        The limit; infinite where nothing that was solved costs anything.
    is_acoustic : bool
        Whether that is the change that costs 0.5 dB, or the general tolerance.
    state : str
        `WITHIN`, `OVER`, `NEAR`, `UNKNOWN`, `UNTOLD` or `UNSEEN`.
    low, high, seen : float
        Of a region: lowest and highest place, and the share of its area that was seen.
    rms : float
        Of a region, its root mean square.
    spot : Spot or None
        Of a region, where it is furthest off.
    """

    name: str
    unit: str
    off: float
    size: float
    uncertainty: float
    allowed: float
    is_acoustic: bool
    state: str
    low: float = math.nan
    high: float = math.nan
    seen: float = math.nan
    rms: float = math.nan
    spot: Spot | None = None

    @property
    def limit_text(self) -> str:
        """The limit in words."""
        if self.allowed == math.inf:
            return "any"
        return f"{self.allowed:.2g}" + ("" if self.is_acoustic else " g")


@dataclass(frozen=True, kw_only=True)
class Findings:
    """What is within its limit and what not, and what follows."""

    verdict: str
    reasons: tuple[str, ...]
    dimensions: tuple[Judged, ...]
    regions: tuple[Judged, ...]


def judge(
    manifest: dict[str, Any],
    datum: Datum,
    laid: SurfaceDeviation,
    explanation: Explanation,
    scanner_mm: float,
) -> Findings:
    """Hold dimensions and regions against their limits and say what follows.

    Parameters
    ----------
    manifest : dict
        The candidate's, with values, units and tolerances.
    datum : Datum
        The nominal surface.
    laid : Deviation
        The scan laid on it; only what was seen counts.
    explanation : Explanation
        What its heights were taken apart into.
    scanner_mm : float
        How exact the scanner is, at 95 per cent.
    """
    dimensions = _dimensions(manifest, datum, explanation, scanner_mm)
    regions = _regions(manifest, datum, laid, explanation, scanner_mm)
    rework = [_rework_line(item) for item in dimensions if item.state == OVER]
    rework += [_rework_line(item) for item in regions if item.state == OVER]
    front = _front_regions(datum)
    again = [
        f"scan the {item.name} again: {item.seen:.0%} of it was seen"
        for item in regions
        if item.name in front and item.seen < _LEAST_SEEN
    ]
    doubt = [
        f"{item.name}: off by {item.size:.2f} +- {item.uncertainty:.2f} {item.unit}, limit "
        f"{item.allowed:.2g}: {item.state}"
        for item in (*dimensions, *regions)
        if item.state in (NEAR, UNKNOWN)
    ]
    share = sum(
        item.size / item.allowed
        for item in dimensions
        if item.name in explanation.causes and item.is_acoustic and item.allowed < math.inf
    )
    if share > 1 and not rework:
        doubt.append(f"the dimensions that are off cost up to {0.5 * share:.2f} dB together")
    for verdict, reasons in ((REWORK, rework), (AGAIN, again), (SIMULATE, doubt)):
        if reasons:
            others = [line for line in (*again, *doubt) if line not in reasons]
            return Findings(
                verdict=verdict,
                reasons=(*reasons, *(others if verdict != SIMULATE else ())),
                dimensions=dimensions,
                regions=regions,
            )
    return Findings(verdict=PASS, reasons=(), dimensions=dimensions, regions=regions)


def _dimensions(
    manifest: dict[str, Any], datum: Datum, explanation: Explanation, scanner_mm: float
) -> tuple[Judged, ...]:
    found = []
    for key, movement in zip(datum.keys, datum.movement, strict=True):
        estimate = explanation.dimensions[key]
        largest = max(region_rms(datum, movement, ~datum.is_driver).values(), default=1e-3)
        scanner = scanner_mm / (largest * _MM)
        bent = _BENT_SHARE * abs(estimate.off)
        uncertainty = math.hypot(2 * estimate.deviation, scanner, bent)
        allowed, is_acoustic = limit_of(manifest, key, datum)
        state = _state(abs(estimate.off), uncertainty, allowed, is_known=is_acoustic)
        if not estimate.is_told or (state == NEAR and uncertainty > allowed / 2):
            state = UNTOLD
        found.append(
            Judged(
                name=key,
                unit=str(manifest["units"].get(key, "")),
                off=estimate.off,
                size=abs(estimate.off),
                uncertainty=uncertainty,
                allowed=allowed,
                is_acoustic=is_acoustic,
                state=state,
            )
        )
    return tuple(found)


def _regions(
    manifest: dict[str, Any],
    datum: Datum,
    laid: SurfaceDeviation,
    explanation: Explanation,
    scanner_mm: float,
) -> tuple[Judged, ...]:
    sizes = region_rms(datum, explanation.height, laid.seen)
    spots = furthest_off(datum.nominal, datum.region, explanation.height, laid.seen)
    found = []
    for name, (limit, is_acoustic) in region_limits(manifest, datum).items():
        where = datum.region == name
        areas, seen = datum.nominal.areas[where], laid.seen[where]
        share = float(areas[seen].sum() / areas.sum())
        height = explanation.height[where][seen] * _MM
        spread = explanation.spread.get(name, math.nan)
        is_seen = name in sizes and name in explanation.spread
        rms = sizes[name] * _MM if is_seen else math.nan
        size, uncertainty = rms, math.hypot(2 * spread * _MM, scanner_mm)
        spot = spots.get(name)
        if not is_acoustic and spot is not None:
            size = abs(spot.height_m) * _MM
            uncertainty = math.hypot(uncertainty, 2 * spot.scatter_m * _MM)
        state = _state(size, uncertainty, limit * _MM, is_known=True) if is_seen else UNSEEN
        found.append(
            Judged(
                name=name,
                unit="mm",
                off=float(np.average(height, weights=areas[seen])) if is_seen else math.nan,
                size=size,
                uncertainty=uncertainty,
                allowed=limit * _MM,
                is_acoustic=is_acoustic,
                state=state,
                low=float(height.min()) if is_seen else math.nan,
                high=float(height.max()) if is_seen else math.nan,
                seen=share,
                rms=rms,
                spot=spot,
            )
        )
    return tuple(found)


def _state(size: float, uncertainty: float, allowed: float, *, is_known: bool) -> str:
    """Return whether something is within its limit; `is_known` says if more has to be undone."""
    if size + uncertainty <= allowed:
        return WITHIN
    if size - uncertainty <= allowed:
        return NEAR
    return OVER if is_known else UNKNOWN


def _rework_line(item: Judged) -> str:
    if math.isnan(item.seen):
        return (
            f"bring {item.name} back by {-item.off:+.2f} {item.unit} (+- {item.uncertainty:.2f}; "
            f"it may be off by {item.allowed:.2g})"
        )
    if not item.is_acoustic and item.spot is not None:
        what = "take off the" if item.spot.height_m > 0 else "fill the"
        return (
            f"{what} {item.spot.text} at the {item.name} (+- {item.uncertainty:.2f}; ISO 2768-m "
            f"allows {item.allowed:.2g} mm)"
        )
    limit = f"{item.allowed:.2g} mm rms allowed"
    if abs(item.off) < item.size / 2:
        return (
            f"even out the {item.name}: from {item.low:+.2f} to {item.high:+.2f} mm, "
            f"{item.size:.2f} mm rms, {limit}"
        )
    what, most = ("remove", item.high) if item.off > 0 else ("add", -item.low)
    return (
        f"{what} {abs(item.off):.2f} mm (+- {item.uncertainty:.2f}) at the {item.name}, at most "
        f"{max(most, 0.0):.2f} mm; {limit}"
    )


def _front_regions(datum: Datum) -> set[str]:
    """Return the regions of which most is no cabinet and does not move."""
    cabinet = np.char.startswith(datum.nominal.surface.astype(str), "cabinet")
    areas = datum.nominal.areas
    found = set()
    for name in np.unique(datum.region[~datum.is_driver]).tolist():
        where = datum.region == name
        if areas[where & ~cabinet].sum() > areas[where].sum() / 2:
            found.add(name)
    return found
