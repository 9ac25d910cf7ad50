# SPDX-License-Identifier: GPL-3.0-or-later
"""What would make us stop: limits with the rule that each follows from."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from bafflelens.mesh.quality import stated_error_db
from bafflelens.mockup.comparison.verdict import WITHIN_DB
from bafflelens.report.curves import angle_text
from bafflelens.report.words import Direction, decibel_text, range_text
from bafflelens.scoring.model_error import MockUp, typical_error
from bafflelens.scoring.ranking import RankedRow

_STOP_TIMES: Final = 2.0  # common practice, no source: two of twenty are beyond by chance
_SPREADS: Final = 2.0


@dataclass(frozen=True, kw_only=True)
class Trust:
    """How far a measured level may be off the expected one before something is wrong.

    Attributes
    ----------
    solver_db : float
        What the solver states for the run's quality.
    clay_db : float
        What mock-ups so far were off by, or the limit of the comparison where there is none.
    n_mock_ups : int
        How many there are.
    """

    solver_db: float
    clay_db: float
    n_mock_ups: int

    @property
    def look_db(self) -> float:
        """Beyond this one looks for the reason."""
        return math.hypot(self.solver_db, self.clay_db)

    @property
    def stop_db(self) -> float:
        """Beyond this one stops."""
        return _STOP_TIMES * self.look_db

    @property
    def text(self) -> str:
        """Both, and where they come from."""
        clay = (
            f"{self.clay_db:.1f} dB, the median of {_mock_ups(self.n_mock_ups)} compared so far"
            if self.n_mock_ups
            else f"{self.clay_db:.1f} dB, the comparison's limit: no mock-up was compared yet"
        )
        return (
            f"Expected scatter of a third-octave's level: {self.look_db:.1f} dB, the root of the "
            f"sum of squares of the solver's stated error ({self.solver_db:g} dB) and of clay "
            f"({clay}). Look for the reason beyond it; stop beyond {_STOP_TIMES:g} times it, "
            f"{self.stop_db:.1f} dB (common practice, no source)."
        )


def _mock_ups(count: int) -> str:
    return f"{count} mock-up" + ("" if count == 1 else "s")


def trust_of(quality: str, mock_ups: Sequence[MockUp]) -> Trust:
    """Return how far a measurement may be off.

    Parameters
    ----------
    quality : str
        Quality level of the run.
    mock_ups : sequence of MockUp
        All that were compared so far.
    """
    typical = typical_error(mock_ups) if mock_ups else None
    known = typical is not None and math.isfinite(typical.error_db)
    return Trust(
        solver_db=stated_error_db(quality),
        clay_db=typical.error_db if typical is not None and known else WITHIN_DB,
        # One that was measured again is still one.
        n_mock_ups=len({one.key for one in mock_ups}) if known else 0,
    )


@dataclass(frozen=True, kw_only=True)
class Threshold:
    """One limit.

    Attributes
    ----------
    what : str
        What is looked at.
    expected : str
        What it should be.
    limit : str
        Beyond what one stops.
    rule : str
        Why there.
    """

    what: str
    expected: str
    limit: str
    rule: str


@dataclass(frozen=True, kw_only=True)
class Before:
    """Whether a candidate is worth making, as far as is known before.

    Attributes
    ----------
    is_worth : bool
        Whether it is.
    text : str
        Figures and rule.
    doubts : tuple of str
        What has to be settled before: nothing is to be made beside a doubt.
    """

    is_worth: bool
    text: str
    doubts: tuple[str, ...] = ()

    @property
    def is_go(self) -> bool:
        """Whether it is to be made now."""
        return self.is_worth and not self.doubts


def before_making(
    row: RankedRow,
    smallest_difference_db: float,
    *,
    failed: Sequence[str] = (),
    quality: str = "standard",
    interpolation_db: float = 0.0,
) -> Before:
    """Return whether what a candidate gains stands the shop's tolerances.

    Parameters
    ----------
    row : RankedRow
        The candidate.
    smallest_difference_db : float
        Smallest difference of two scores that means anything.
    failed : sequence of str
        Names of the making checks that failed.
    quality : str
        Quality level of the run.
    interpolation_db : float
        What the levels between solved frequencies may be off by; NaN where none are.
    """
    gain = row.better_by_db
    if row.candidate.is_baseline:
        text = "It is what the others are compared with."
        doubts = tuple(_doubts(failed, quality))
        return Before(is_worth=True, text=_with_doubts(text, doubts), doubts=doubts)
    if not math.isfinite(gain):
        return Before(is_worth=False, text="Stop: nothing can be said of what it gains.")
    needed = smallest_difference_db
    why = f"the smallest difference that means anything, {needed:.2f} dB"
    robustness = row.robustness
    if robustness is not None and math.isfinite(robustness.spread_db):
        rise = max(robustness.mean_db, 0.0) + _SPREADS * robustness.spread_db
        if rise > needed:
            needed = rise
            why = (
                f"what its tolerances may cost, {rise:.2f} dB (mean and twice the spread of the "
                "score over them)"
            )
    if gain < 0:
        return Before(is_worth=False, text=f"Stop: {-gain:.2f} dB worse than the baseline.")
    if gain > needed:
        doubts = tuple(_doubts(failed, quality, interpolation_db, gain - needed))
        word = "Not yet" if doubts else "Go"
        text = _with_doubts(f"{word}: gains {gain:.2f} dB, more than {why}.", doubts)
        return Before(is_worth=True, text=text, doubts=doubts)
    return Before(is_worth=False, text=f"Stop: gains {gain:.2f} dB, not more than {why}.")


def _doubts(
    failed: Sequence[str], quality: str, interpolation_db: float = 0.0, margin_db: float = math.inf
) -> Iterator[str]:
    """Yield what has to be settled before anything is cut."""
    for name in failed:
        yield f"failed check: {name}"
    if quality == "draft":
        yield "solved at draft quality only"
    if interpolation_db > margin_db:
        yield (
            f"levels between solved frequencies may be off by {interpolation_db:.2f} dB, more "
            f"than the margin of {margin_db:.2f} dB"
        )


def _with_doubts(text: str, doubts: Sequence[str]) -> str:
    return f"{text} To settle first: {'; '.join(doubts)}." if doubts else text


def thresholds_of(
    row: RankedRow,
    directions: Mapping[str, Direction],
    trust: Trust,
    band_hz: tuple[float, float],
) -> tuple[Threshold, ...]:
    """Return the limits for the measurement of a candidate.

    Parameters
    ----------
    row : RankedRow
        The candidate.
    directions : mapping of str to Direction
        What it changes against the baseline; empty where that is not known.
    trust : Trust
        How far a level may be off.
    band_hz : (float, float)
        The band that the score looks at.
    """
    band = range_text(band_hz)
    found = [
        Threshold(
            what=f"Third-octaves within ±60°, {band}, each orbit re its mean within ±30°",
            expected="as on the following pages",
            limit=f"{trust.stop_db:.1f} dB r.m.s. in any of them",
            rule=f"{_STOP_TIMES:g} x expected scatter",
        ),
        Threshold(
            what=f"Response on the axis, {band}, third-octaves, one overall level fitted",
            expected="as on the following pages",
            limit=f"{trust.stop_db:.1f} dB in any of them",
            rule=f"{_STOP_TIMES:g} x expected scatter; the driver's own response taken out",
        ),
    ]
    for key, direction in directions.items():
        found += _of_direction(key, direction, trust, band)
    robustness = row.robustness
    if robustness is not None and robustness.worst is not None:
        found.append(
            Threshold(
                what="Dimensions, before anything is measured",
                expected=f"nominal; {robustness.worst_text}",
                limit="any change that costs 0.5 dB (table of the drawing)",
                rule="solved perturbations; `bafflelens inspect`",
            )
        )
    else:
        found.append(
            Threshold(
                what="Dimensions, before anything is measured",
                expected="nominal",
                limit="beyond ISO 2768-m",
                rule=f"changes were not solved: `bafflelens tolerances RUN {row.candidate.id}`",
            )
        )
    return tuple(found)


def _of_direction(key: str, direction: Direction, trust: Trust, band: str) -> list[Threshold]:
    """Return the limit half way to the baseline, where the difference can be told at all."""
    level, baseline = direction.whole.level_db, direction.whole.baseline_db
    if not (math.isfinite(level) and math.isfinite(baseline)):
        return []
    angle = direction.requirement.limit.angle_deg
    where = f"±{angle:.0f}°, the weaker side" if key == "side" else angle_text(angle)
    what = f"Mean level towards the {key} ({where}), {band}, re listening window"
    expected = f"{decibel_text(level)} dB (baseline {decibel_text(baseline)} dB)"
    is_worse_above = direction.requirement.is_upper
    if direction.gain_db >= trust.look_db:
        limit = (level + baseline) / 2
        rule = "half way to the baseline: beyond, it is nearer to that than to this candidate"
    else:
        limit = level + trust.look_db if is_worse_above else level - trust.look_db
        rule = "expected scatter"
        if level != baseline:
            rule += "; it gains too little here for half way to the baseline"
    word = "above" if is_worse_above else "below"
    return [
        Threshold(
            what=what, expected=expected, limit=f"{word} {decibel_text(limit)} dB", rule=rule
        )
    ]
