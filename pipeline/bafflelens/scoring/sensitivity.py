# SPDX-License-Identifier: GPL-3.0-or-later
"""What small changes of a shape do to its score: the shop cuts to a tenth, clay to a millimetre.

Each parameter is changed by its tolerance to both sides, the others stay. Between, the score is
taken to run straight, to each side by itself, and every size within the tolerance to be equally
likely; so a change d- on one side and d+ on the other means (d- + d+)/4 on average and a mean
square of (d-^2 + d+^2)/6. Parameters are independent, so that both add up.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Self

from bafflelens.base.parameter_words import amount, called


@dataclass(frozen=True, kw_only=True)
class ParameterChange:
    """What a change of one parameter does to the score.

    Attributes
    ----------
    key, unit : str
        The parameter.
    tolerance : float
        The size of the change, in that unit.
    less_db, more_db : float or None
        By how much the score rises with the smaller and with the larger value, in dB; None where
        there is no such shape, or it could not be solved.
    reasons : tuple of str
        Why there is none.
    """

    key: str
    unit: str
    tolerance: float
    less_db: float | None
    more_db: float | None
    reasons: tuple[str, ...] = ()

    @property
    def known_db(self) -> tuple[float, ...]:
        """The changes that are known."""
        return tuple(change for change in (self.less_db, self.more_db) if change is not None)

    @property
    def worst_db(self) -> float:
        """The larger rise of the score, 0 if it only falls; NaN if nothing is known."""
        return max(0.0, *self.known_db) if self.known_db else math.nan

    @property
    def mean_db(self) -> float:
        """The rise to be expected, in dB; a side that is not known counts like the other."""
        return sum(self.known_db) / (2 * len(self.known_db)) if self.known_db else math.nan

    @property
    def mean_square_db2(self) -> float:
        """The mean square of the change, in dB^2."""
        squares = [change**2 for change in self.known_db]
        return sum(squares) / (3 * len(squares)) if squares else math.nan

    def allowed(self, rise_db: float) -> float:
        """Return the change, to the side that matters more, that costs so many dB.

        Taken from the solved change on a straight line, so best near it; infinite where no
        change that was solved costs anything, NaN where none is known.
        """
        if not self.known_db:
            return math.nan
        return self.tolerance * rise_db / self.worst_db if self.worst_db > 0 else math.inf


@dataclass(frozen=True, kw_only=True)
class Robustness:
    """How well a candidate's score stands small changes.

    Attributes
    ----------
    candidate : str
        Its id.
    score_db : float
        Its score as the changed shapes are solved, which need not be its score in the ranking:
        the changes are what counts.
    changes : tuple of ParameterChange
        One a parameter.
    """

    candidate: str
    score_db: float
    changes: tuple[ParameterChange, ...]

    @classmethod
    def of(cls, content: Mapping[str, Any]) -> Self:
        """Return what `dataclasses.asdict` made a table of."""
        changes = tuple(
            ParameterChange(**{**change, "reasons": tuple(change["reasons"])})
            for change in content["changes"]
        )
        return cls(**{**content, "changes": changes})

    @property
    def _known(self) -> list[ParameterChange]:
        return [change for change in self.changes if change.known_db]

    @property
    def mean_db(self) -> float:
        """By how much the score rises on average, in dB; NaN if nothing is known."""
        return sum(change.mean_db for change in self._known) if self._known else math.nan

    @property
    def spread_db(self) -> float:
        """Standard deviation of the score over all sizes within tolerance, in dB."""
        if not self._known:
            return math.nan
        variance = sum(change.mean_square_db2 - change.mean_db**2 for change in self._known)
        return math.sqrt(max(variance, 0.0))

    @property
    def worst(self) -> ParameterChange | None:
        """The parameter that costs most at the edge of its tolerance."""
        return max(self._known, key=lambda change: change.worst_db, default=None)

    @property
    def worst_text(self) -> str:
        """The parameter that matters most, in words."""
        worst = self.worst
        if worst is None:
            return "nothing is known"
        return (
            f"{called(worst.key)} matters most, up to {worst.worst_db:+.2f} dB for "
            f"{amount(worst.tolerance, worst.unit)}"
        )

    @property
    def text(self) -> str:
        """All of it in words."""
        if self.worst is None:
            return f"{self.candidate}: what small changes do is not known"
        return (
            f"{self.candidate}: small changes move the score by {self.mean_db:+.2f} dB on "
            f"average, ± {self.spread_db:.2f} dB; {self.worst_text}"
        )
