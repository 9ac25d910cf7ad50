# SPDX-License-Identifier: GPL-3.0-or-later
"""What a shape loses where the score does not look: below and above the scored band."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.report.curves import Requirement, Towards, requirements_of
from bafflelens.report.words import band_mean, decibel_text, listed, range_text
from bafflelens.scoring.target import Target

WORTH_TELLING_DB: Final = 1.0
"""A third-octave that is worse by less is not told; common practice, no source."""

_PREFERRED_HZ: Final = tuple(
    mantissa * 10.0**power for power in range(1, 6)
    for mantissa in (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
)  # fmt: skip
"""Centres of third-octaves (IEC 61260-1, nominal)."""


@dataclass(frozen=True, kw_only=True)
class Loss:
    """A third-octave outside the band in which a candidate does worse than the baseline.

    Attributes
    ----------
    requirement : Requirement
        In which direction.
    frequency_hz : float
        Centre of the third-octave, in Hz.
    level_db, baseline_db : float
        Mean levels of both re their listening windows, in dB.
    """

    requirement: Requirement
    frequency_hz: float
    level_db: float
    baseline_db: float

    @property
    def loss_db(self) -> float:
        """By how much it is louder where less is wanted, quieter where more is, in dB."""
        change = self.level_db - self.baseline_db
        return change if self.requirement.is_upper else -change

    @property
    def text(self) -> str:
        """The loss in words, with a place for the baseline's name."""
        where = {"side": "to the sides"}.get(
            self.requirement.key, f"towards the {self.requirement.key}"
        )
        return (
            f"{where} {_signed(self.level_db)} dB at {self.frequency_hz / 1000:g} kHz "
            f"({{}} {_signed(self.baseline_db)} dB)"
        )


def outside_band(
    candidate: Towards,
    baseline: Towards,
    target: Target,
    band_hz: tuple[float, float],
    name: str,
) -> str:
    """Return what a candidate loses outside the scored band, in a sentence.

    Parameters
    ----------
    candidate, baseline : Towards
        Their levels towards floor, ceiling and sides.
    target : Target
        Gives the directions.
    band_hz : tuple of 2 floats
        The scored band, in Hz.
    name : str
        What the baseline is called.
    """
    parts = list(_parts(candidate, band_hz))
    if not parts:
        return "Outside the band: nothing was solved there, so nothing is known."
    where = listed([range_text(part) for part in parts])
    losses = [
        max(found, key=lambda loss: loss.loss_db)
        for requirement in requirements_of(target)
        if (found := list(_losses(candidate, baseline, requirement, parts, band_hz)))
    ]
    told = sorted(
        (loss for loss in losses if loss.loss_db >= WORTH_TELLING_DB),
        key=lambda loss: -loss.loss_db,
    )
    if not losses:
        return f"Outside the band ({where}): it could not be compared there."
    if not told:
        return (
            f"Outside the band ({where}): nowhere {WORTH_TELLING_DB:g} dB worse than the {name}."
        )
    return f"Outside the band: {listed([loss.text.format(name) for loss in told])}."


def _parts(towards: Towards, band_hz: tuple[float, float]) -> Iterator[tuple[float, float]]:
    """Yield what was solved below and above the band, where that is a sixth of an octave."""
    known = np.zeros(len(towards.frequency_hz), dtype=bool)
    for level in towards.level_db.values():
        known |= np.isfinite(level)
    frequency = towards.frequency_hz[known]
    if not frequency.size:
        return
    least = 2 ** (1 / 6)
    if frequency[0] * least <= band_hz[0]:
        yield float(frequency[0]), band_hz[0]
    if frequency[-1] >= band_hz[1] * least:
        yield band_hz[1], float(frequency[-1])


def _losses(
    candidate: Towards,
    baseline: Towards,
    requirement: Requirement,
    parts: list[tuple[float, float]],
    band_hz: tuple[float, float],
) -> Iterator[Loss]:
    """Yield each third-octave of the parts in which both are known.

    A third-octave whose centre is the edge of the band is judged there, and left out here.
    """
    key, half = requirement.key, 2 ** (1 / 6)
    for low, high in parts:
        for centre in _PREFERRED_HZ:
            is_edge = any(abs(centre / edge - 1) < 0.02 for edge in band_hz)
            if is_edge or not low * 0.98 <= centre <= high * 1.02:
                continue
            third = max(centre / half, low), min(centre * half, high)
            levels = [
                band_mean(some.frequency_hz, some.level_db[key], third)
                for some in (candidate, baseline)
            ]
            if np.isfinite(levels).all():
                yield Loss(
                    requirement=requirement,
                    frequency_hz=centre,
                    level_db=levels[0],
                    baseline_db=levels[1],
                )


def _signed(level_db: float) -> str:
    text = decibel_text(level_db)
    return text if text.startswith("−") or text == "0.0" else f"+{text}"
