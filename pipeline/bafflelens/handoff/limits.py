# SPDX-License-Identifier: GPL-3.0-or-later
"""What a made part may be off, and what follows where it is off by more.

A dimension may be off by the change that costs 0.5 dB, as the hand-off's manifest says. A region
may be off, in the root mean square over its area, by as much as the allowed change of any
dimension moves it; of each dimension only the regions count that it moves at least half as much
as any. The mean square bounds what a deviation can do to the sound to first order: its integral
with whatever the sound is sensitive to (Cauchy and Schwarz).

Where no acoustic limit is known the general tolerance holds, and nobody knows what more costs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from bafflelens.handoff.datum import Datum
from bafflelens.handoff.deviation_model import region_rms
from bafflelens.handoff.manifest import nominal_dimensions

# ISO 2768-1:1989 (EN 22768-1:1993, JIS B 0419), class m, tables 1 to 3, as two open reproductions
# of these tables print them. Beyond 4 m, where table 1 ends, its last value is taken.
_LINEAR_MM: Final = (
    (6, 0.1),
    (30, 0.2),
    (120, 0.3),
    (400, 0.5),
    (1000, 0.8),
    (2000, 1.2),
    (math.inf, 2.0),
)
"""Permissible deviations up to a size: table 1."""
_BROKEN_EDGES_MM: Final = ((3, 0.2), (6, 0.5), (math.inf, 1.0))
"""The same of external radii and chamfer heights: table 2."""
_ANGULAR_DEG: Final = (
    (10, 1.0),
    (50, 30 / 60),
    (120, 20 / 60),
    (400, 10 / 60),
    (math.inf, 5 / 60),
)
"""The same of angles, up to a length of the shorter leg in mm: table 3."""
_BROKEN_EDGE_WORDS: Final = ("radius", "chamfer", "rounding")
_ABOUT: Final = 0.5  # of the movement of the region that a dimension moves most


def general_limit(
    nominal: float, unit: str, *, is_edge: bool = False, leg_mm: float | None = None
) -> float:
    """Return what a dimension may be off by general tolerances, in its unit.

    Parameters
    ----------
    nominal : float
        The dimension.
    unit : str
        ``mm``, or an angle's.
    is_edge : bool
        Whether it is an external radius or the height of a chamfer.
    leg_mm : float, optional
        Of an angle, the shorter of the two legs that it lies between; unknown, the widest limit
        holds, that of a leg of up to 10 mm.
    """
    if unit == "mm":
        size = abs(nominal)
        if is_edge:
            return next(limit for largest, limit in _BROKEN_EDGES_MM if size <= largest)
        return next(limit for largest, limit in _LINEAR_MM if size <= largest)
    leg = 0.0 if leg_mm is None else leg_mm
    return next(limit for largest, limit in _ANGULAR_DEG if leg <= largest)


def is_broken_edge(key: str) -> bool:
    """Return whether a parameter is an external radius or a chamfer, as its name says."""
    words = key.rsplit(".", 1)[-1].split("_")
    return any(word in words for word in _BROKEN_EDGE_WORDS)


def limit_of(
    manifest: Mapping[str, Any], key: str, datum: Datum | None = None
) -> tuple[float, bool]:
    """Return what a dimension may be off, and whether that is the acoustic limit.

    Infinite where no change that was solved costs anything. The legs of an angle are taken from
    the nominal surface, where there is one: see `shorter_leg_mm`.
    """
    tolerances = manifest["tolerances"]
    if isinstance(tolerances, dict) and key in tolerances:
        value = tolerances[key]
        return (math.inf if value is None else float(value)), True
    unit = str(manifest["units"].get(key, ""))
    leg_mm = None if datum is None or unit == "mm" else shorter_leg_mm(datum, key)
    nominal = float({**manifest["values"], **nominal_dimensions(manifest)}[key])
    limit = general_limit(nominal, unit, is_edge=is_broken_edge(key), leg_mm=leg_mm)
    return limit, False


def shorter_leg_mm(datum: Datum, key: str) -> float | None:
    """Return about how long the shorter leg of an angle is, in mm; None if it moves nothing.

    The leg is what the angle turns: what it moves by at least half as much as anything, of which
    the middle one of the three extents is the length along the turned wall at its shortest (an
    estimate: a hand-off does not name legs).
    """
    if key not in datum.keys:
        return None
    movement = np.where(datum.is_driver, 0.0, np.abs(datum.movement[datum.keys.index(key)]))
    if not movement.max(initial=0.0) > 0:
        return None
    corners = datum.nominal.corners[movement >= _ABOUT * movement.max()].reshape(-1, 3)
    return float(np.sort(np.ptp(corners, axis=0))[1]) * 1e3


def region_limits(manifest: Mapping[str, Any], datum: Datum) -> dict[str, tuple[float, bool]]:
    """Return by region what it may be off, in m, and whether that is an acoustic limit."""
    formed = ~datum.is_driver
    found: dict[str, tuple[float, bool]] = {}
    for name in np.unique(datum.region[formed]).tolist():
        corners = datum.nominal.corners[datum.region == name].reshape(-1, 3)
        size_mm = float(np.ptp(corners, axis=0).max()) * 1e3
        found[name] = (general_limit(size_mm, "mm") * 1e-3, False)
    acoustic: dict[str, float] = {}
    for key, movement in zip(datum.keys, datum.movement, strict=True):
        allowed, is_acoustic = limit_of(manifest, key, datum)
        if not is_acoustic:
            continue
        sizes = region_rms(datum, movement, formed)
        for name, size in sizes.items():
            if size >= _ABOUT * max(sizes.values()):
                acoustic[name] = min(acoustic.get(name, math.inf), allowed * size)
    return found | {name: (limit, True) for name, limit in acoustic.items()}
