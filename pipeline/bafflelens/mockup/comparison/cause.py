# SPDX-License-Identifier: GPL-3.0-or-later
"""A likely reason why measurement and simulation differ, and how much a reason explains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.mockup.comparison.difference import OrbitDifference
from bafflelens.mockup.comparison.observed import Observed
from bafflelens.mockup.comparison.simulated import Simulated

LEAST_RMS_DB: Final = 0.25
"""Differences below this are what a good solution is off by: they need no cause."""


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


def mean_square(values: Sequence[FloatArray]) -> float:
    """Return the mean square of all that is known, in dB^2."""
    flat = np.concatenate([value[np.isfinite(value)] for value in values])
    return float(np.mean(flat**2)) if flat.size else 0.0


def share_explained(before: Sequence[FloatArray], after: Sequence[FloatArray]) -> float:
    """Return the share of the power of some values that is gone afterwards, 0 to 1."""
    power = mean_square(before)
    return max(0.0, 1 - mean_square(after) / power) if power > 0 else 0.0
