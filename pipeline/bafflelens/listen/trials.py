# SPDX-License-Identifier: GPL-3.0-or-later
"""Blind trials: what is played in which, what was answered, and what that says.

The number of trials is fixed before the first. With half of the answers right by chance alone,
the exact binomial distribution says how likely so many right ones are.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass, replace
from typing import Final

from scipy.stats import binom, binomtest

from bafflelens.base.errors import InputError, invalid

ABX: Final = "abx"
PREFERENCE: Final = "preference"
KINDS: Final = (ABX, PREFERENCE)
FEWEST: Final = 8
MOST: Final = 100
SIGNIFICANT: Final = 0.05
"""p below which a result counts."""
STATED_SHARES: Final = (0.65, 0.75, 0.9)
"""Shares of right answers for which the chance of finding a difference is stated."""


@dataclass(frozen=True, kw_only=True)
class Trials:
    """A blind test.

    Attributes
    ----------
    kind : str
        ``abx``: which of two is the third; ``preference``: which of two in random order is
        preferred.
    hidden : tuple of int
        In each trial, the number (0 or 1) of the version that is X, or comes first.
    answers : tuple of int
        So far: the number of the version that was taken for X, or preferred.
    """

    kind: str
    hidden: tuple[int, ...]
    answers: tuple[int, ...] = ()

    @property
    def number(self) -> int:
        """How many trials there are."""
        return len(self.hidden)

    @property
    def is_done(self) -> bool:
        """Whether all are answered."""
        return len(self.answers) == self.number

    def played(self, trial: int, place: int) -> int:
        """Return the version that a trial plays at a place: 0 is X or the first, 1 the second."""
        return self.hidden[trial] if place == 0 else 1 - self.hidden[trial]

    def answered(self, trial: int, choice: int) -> Trials:
        """Return the test with one more answer.

        Parameters
        ----------
        trial : int
            Which; they come in order, each once.
        choice : int
            0 or 1: in an ABX test the version, in a preference test the place.

        Raises
        ------
        InputError
            If it is not this trial's turn, or no such choice.
        """
        if trial != len(self.answers) or self.is_done:
            raise InputError(invalid("trial", trial, "the next that is open"))
        if choice not in (0, 1):
            raise InputError(invalid("answer", choice, "0 or 1"))
        version = choice if self.kind == ABX else self.played(trial, choice)
        return replace(self, answers=(*self.answers, version))

    @property
    def count(self) -> int:
        """Right answers, or how often the first version was preferred."""
        if self.kind == ABX:
            pairs = zip(self.answers, self.hidden, strict=False)
            return sum(answer == hidden for answer, hidden in pairs)
        return sum(answer == 0 for answer in self.answers)

    @property
    def p_value(self) -> float:
        """Chance of a result at least this far from even by guessing."""
        side = "greater" if self.kind == ABX else "two-sided"
        return float(binomtest(self.count, self.number, 0.5, alternative=side).pvalue)


def new_trials(kind: str, number: int) -> Trials:
    """Return a test in an order that nobody knows.

    Raises
    ------
    InputError
        If the kind is unknown, or the number too small or too large.
    """
    faults = []
    if kind not in KINDS:
        faults.append(invalid("kind of test", kind, "one of " + ", ".join(KINDS)))
    if not FEWEST <= number <= MOST:
        faults.append(invalid("number of trials", number, f"from {FEWEST} to {MOST}"))
    if faults:
        raise InputError(faults)
    return Trials(kind=kind, hidden=tuple(secrets.randbelow(2) for _ in range(number)))


def least_count(number: int, kind: str = ABX) -> int:
    """Return how many of so many trials it takes for p below `SIGNIFICANT`.

    Examples
    --------
    >>> least_count(16), least_count(20), least_count(20, "preference")
    (12, 15, 15)
    """
    sides = 1 if kind == ABX else 2
    return next(k for k in range(number + 2) if sides * binom.sf(k - 1, number, 0.5) < SIGNIFICANT)


def chance_of_finding(number: int, share: float, kind: str = ABX) -> float:
    """Return how likely a difference is found that gives this share of right answers."""
    return float(binom.sf(least_count(number, kind) - 1, number, share))


def trial_plan_text(number: int, kind: str) -> str:
    """Return what so many trials can and cannot find, in words."""
    wanted = "right" if kind == ABX else "for the same shape"
    chances = ", ".join(
        f"{100 * chance_of_finding(number, share, kind):.0f} % for one of {100 * share:.0f} %"
        for share in STATED_SHARES
    )
    return (
        f"{number} trials; it takes {least_count(number, kind)} {wanted} for p below "
        f"{SIGNIFICANT:g}. A difference that is heard in some share of all trials is found with a "
        f"chance of {chances}"
    )


def result_text(trials: Trials, names: tuple[str, str]) -> str:
    """Return the result of a finished test in words."""
    p = f"exact p = {trials.p_value:.3f}"
    if trials.kind == ABX:
        verdict = "told apart" if trials.p_value < SIGNIFICANT else "no difference shown"
        return (
            f"{names[0]} and {names[1]}: {trials.count} of {trials.number} right, {p}: {verdict}"
        )
    verdict = "a preference" if trials.p_value < SIGNIFICANT else "no preference shown"
    return (
        f"{names[0]} preferred to {names[1]} in {trials.count} of {trials.number}, "
        f"{p} (two-sided): {verdict}"
    )
