# SPDX-License-Identifier: GPL-3.0-or-later
"""What a shape scores with every plausible motion of its domes, and what of a ranking survives."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np

from bafflelens.scoring.score import Score, ScoreSettings, Term

FOLLOWED: Final = ("rigid", "mean", "mean-and-spread")
"""What the total may follow: the rigid dome, the family's mean, or that and its spread."""

TERM: Final = "domes"
"""Name of the line of a score that turns the rigid dome's total into the followed one."""


@dataclass(frozen=True, kw_only=True)
class DomeScores:
    """The scores of a shape over a family of motions.

    Attributes
    ----------
    rigid_db : float
        Score of the rigid dome, in dB.
    members_db : tuple of float
        Score of each member, in dB, in the order of the family.
    octaves : tuple of (float, float)
        Middle of each octave of the score band in Hz, and by how much the scores of the worst
        and the best member, judged in that octave alone, are apart, in dB.
    """

    rigid_db: float
    members_db: tuple[float, ...]
    octaves: tuple[tuple[float, float], ...] = ()

    @property
    def mean_db(self) -> float:
        """Mean over the members, in dB."""
        return statistics.fmean(self.members_db)

    @property
    def spread_db(self) -> float:
        """Standard deviation over the members, in dB; 0 for one."""
        return statistics.stdev(self.members_db) if len(self.members_db) > 1 else 0.0

    @property
    def worst(self) -> int:
        """Number of the worst member, from 0."""
        return int(np.argmax(self.members_db))

    @property
    def worst_db(self) -> float:
        """Score of the worst member, in dB."""
        return max(self.members_db)

    @property
    def best_db(self) -> float:
        """Score of the best member, in dB."""
        return min(self.members_db)

    @property
    def deciding_hz(self) -> float:
        """Middle of the octave in which the dome decides most, in Hz; NaN if unknown."""
        if not self.octaves:
            return float("nan")
        return max(self.octaves, key=lambda octave: abs(octave[1]))[0]

    @property
    def text(self) -> str:
        """The scores in words."""
        return (
            f"rigid dome {self.rigid_db:.2f} dB; {len(self.members_db)} motions: mean "
            f"{self.mean_db:.2f} ± {self.spread_db:.2f} dB, worst {self.worst_db:.2f} dB"
        )

    def followed_db(self, follow: str) -> float:
        """Return what the total follows, of `FOLLOWED`, in dB."""
        if follow == "rigid":
            return self.rigid_db
        return self.mean_db + (self.spread_db if follow == "mean-and-spread" else 0.0)


def following(score: Score, domes: DomeScores, follow: str) -> Score:
    """Return a score whose total follows the family, with a line that says so."""
    if follow == "rigid":
        return score
    change = domes.followed_db(follow) - domes.rigid_db
    words = "mean" if follow == "mean" else "mean and spread"
    term = Term(
        name=TERM,
        value_db=change,
        tolerance_db=0.0,
        weight=1.0,
        excess_db=change,
        note=f"{words} of {len(domes.members_db)} domes, over the rigid one",
    )
    return replace(score, terms=(*score.terms, term), total_db=score.total_db + change)


def octave_settings(settings: ScoreSettings) -> tuple[tuple[float, ScoreSettings], ...]:
    """Return the octaves of the score band by their middles in Hz, with settings for each.

    Octaves are those of 1 kHz times a power of two; what is less than half an octave at an end
    of the band is left out.
    """
    found = []
    for power in range(-5, 6):
        middle = 1000.0 * 2**power
        low, high = max(middle / 2**0.5, settings.from_hz), min(middle * 2**0.5, settings.to_hz)
        if high > low * 2**0.5:
            found.append((middle, replace(settings, from_hz=low, to_hz=high)))
    return tuple(found)


def won(one: DomeScores, other: DomeScores) -> int:
    """Return for how many members the first scores lower than the other."""
    pairs = zip(one.members_db, other.members_db, strict=True)
    return sum(mine < others for mine, others in pairs)


def survival_text(name: str, one: DomeScores, other_name: str, other: DomeScores) -> str:
    """Return for how many domes one shape beats another, in words; empty if not comparable."""
    number = len(one.members_db)
    if number != len(other.members_db):
        return ""
    return f"{name} beats {other_name} for {won(one, other)} of {number} domes"


def lines_on_domes(found: Sequence[tuple[str, DomeScores]]) -> tuple[str, ...]:
    """Return what differences survive the family, for shapes in the order of their places."""
    lines = [
        text
        for (name, one), (after, other) in pairwise(found)
        if (text := survival_text(name, one, after, other))
    ]
    if found:
        leader, best = found[0]
        if np.isfinite(best.deciding_hz):
            at_khz = best.deciding_hz / 1e3
            lines.append(f"Of {leader}, the dome decides most in the octave at {at_khz:g} kHz")
    return tuple(lines)
