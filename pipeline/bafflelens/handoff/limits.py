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

_LINEAR_MM: Final = ((6, 0.1), (30, 0.2), (120, 0.3), (400, 0.5), (1000, 0.8), (math.inf, 1.2))
"""Permissible deviations up to a size, ISO 2768-1 class m; from memory."""
_ANGULAR_DEG: Final = 1.0  # the same standard's for a leg of up to 10 mm; from memory
_ABOUT: Final = 0.5  # of the movement of the region that a dimension moves most


def general_limit(nominal: float, unit: str) -> float:
    """Return what a dimension may be off by general tolerances, in its unit."""
    if unit == "mm":
        return next(limit for size, limit in _LINEAR_MM if abs(nominal) <= size)
    return _ANGULAR_DEG


def limit_of(manifest: Mapping[str, Any], key: str) -> tuple[float, bool]:
    """Return what a dimension may be off, and whether that is the acoustic limit.

    Infinite where no change that was solved costs anything.
    """
    tolerances = manifest["tolerances"]
    if isinstance(tolerances, dict) and key in tolerances:
        value = tolerances[key]
        return (math.inf if value is None else float(value)), True
    return general_limit(float(manifest["values"][key]), str(manifest["units"].get(key, ""))), (
        False
    )


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
        allowed, is_acoustic = limit_of(manifest, key)
        if not is_acoustic:
            continue
        sizes = region_rms(datum, movement, formed)
        for name, size in sizes.items():
            if size >= _ABOUT * max(sizes.values()):
                acoustic[name] = min(acoustic.get(name, math.inf), allowed * size)
    return found | {name: (limit, True) for name, limit in acoustic.items()}
