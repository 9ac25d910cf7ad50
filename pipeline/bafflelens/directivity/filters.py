# SPDX-License-Identifier: GPL-3.0-or-later
"""Textbook high-pass and low-pass filters of crossovers.

Time factor exp(+j omega t), as in all filter books; see
`bafflelens.base.conventions.from_electrical`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import InputError, invalid

FAMILIES: Final = ("butterworth", "linkwitz-riley", "bessel")
HIGHEST_ORDER: Final = 8


@dataclass(frozen=True, kw_only=True)
class Filter:
    """A high-pass or low-pass.

    Attributes
    ----------
    kind : {"high-pass", "low-pass"}
        What passes.
    family : {"butterworth", "linkwitz-riley", "bessel"}
        Its shape. A Linkwitz-Riley is two equal Butterworths of half the order in a row.
    order : int
        1 to 8; each is 6 dB an octave. Even for a Linkwitz-Riley.
    frequency_hz : float
        Where it is 3 dB down, a Linkwitz-Riley 6 dB.
    """

    kind: str
    family: str
    order: int
    frequency_hz: float

    def __post_init__(self) -> None:
        faults = []
        if self.kind not in ("high-pass", "low-pass"):
            faults.append(invalid("filter kind", self.kind, "one of high-pass, low-pass"))
        if self.family not in FAMILIES:
            faults.append(invalid("filter family", self.family, "one of " + ", ".join(FAMILIES)))
        if not 1 <= self.order <= HIGHEST_ORDER:
            rule = f"from 1 to {HIGHEST_ORDER}"
            faults.append(invalid("filter order", self.order, rule))
        elif self.family == "linkwitz-riley" and self.order % 2:
            faults.append(invalid("filter order", self.order, "even for a linkwitz-riley"))
        if not 0 < self.frequency_hz < np.inf:
            faults.append(invalid("filter frequency in Hz", self.frequency_hz, "above 0"))
        if faults:
            raise InputError(faults)

    def at(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return the transfer function at frequencies in Hz, for exp(+j omega t)."""
        from scipy import signal  # slow to load, and most commands need no filter

        relative = np.asarray(frequency_hz, dtype=float) / self.frequency_hz
        kind = self.kind.replace("-", "")
        if self.family == "linkwitz-riley":
            half = signal.butter(self.order // 2, 1.0, kind, analog=True, output="zpk")
            return np.asarray(signal.freqs_zpk(*half, worN=relative)[1] ** 2)
        if self.family == "butterworth":
            whole = signal.butter(self.order, 1.0, kind, analog=True, output="zpk")
        else:
            whole = signal.bessel(self.order, 1.0, kind, analog=True, output="zpk", norm="mag")
        return np.asarray(signal.freqs_zpk(*whole, worN=relative)[1])

    @property
    def text(self) -> str:
        """The filter in words, ``high-pass linkwitz-riley 4 at 2000 Hz``."""
        return f"{self.kind} {self.family} {self.order} at {self.frequency_hz:.0f} Hz"
