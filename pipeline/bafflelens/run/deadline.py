# SPDX-License-Identifier: GPL-3.0-or-later
"""When a run must be ready, and what it can still begin before that."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final

from bafflelens.base.errors import InputError, invalid
from bafflelens.job.cost_estimate import Plan

_TIME_RULE: Final = (
    "a time of day such as 07:00, or a date with a time such as 2026-01-31T07:00, in local time"
)
_LONGEST_H: Final = 24 * 366.0
_SAFETY: Final = 1.2
"""What is begun must fit this many times: no two shapes cost the same."""

_SLOWEST_DRAWING: Final = 3.0
"""A machine that solves slowly draws slowly, too, but no more than so many times."""

_FIRST_LOOKS: Final = 2
"""The baseline's and that of one candidate: without them nothing is promising."""

_LEARNED_FROM_S: Final = 5.0
"""Work of less than this says nothing about what other work will take."""


class TooLateError(InputError):
    """What was asked for cannot be ready in time."""


def local_now() -> datetime:
    """Return the time here, with its zone."""
    return datetime.now().astimezone()


def read_deadline(
    until: str | None, hours: float | None, now: Callable[[], datetime] = local_now
) -> datetime | None:
    """Return when a run must be ready; None if nobody says.

    Parameters
    ----------
    until : str or None
        A time of day, the next one of which is meant, or a date with a time.
    hours : float or None
        So long from now.
    now : callable
        Returns the time, with its zone.

    Raises
    ------
    InputError
        If both are given, one cannot be read, or it is not in the future.

    Examples
    --------
    >>> evening = datetime.fromisoformat("2026-01-30T22:15+00:00")
    >>> str(read_deadline("07:00", None, lambda: evening))
    '2026-01-31 07:00:00+00:00'
    """
    if until is not None and hours is not None:
        rule = "left out where '--hours' is given: one end is enough"
        raise InputError(invalid("option '--until'", until, rule))
    if hours is not None:
        if not 0 < hours <= _LONGEST_H:
            raise InputError(invalid("option '--hours'", f"{hours:g}", "above 0, at most a year"))
        return now() + timedelta(hours=hours)
    return None if until is None else _read_time(until, now())


def _read_time(until: str, start: datetime) -> datetime:
    text = until.strip()
    try:
        if "T" not in text and "-" not in text:
            time = datetime.strptime(text, "%H:%M")
            found = start.replace(hour=time.hour, minute=time.minute, second=0, microsecond=0)
            return found if found > start else found + timedelta(days=1)
        found = datetime.fromisoformat(text)
    except ValueError as error:
        raise InputError(invalid("option '--until'", until, _TIME_RULE)) from error
    found = found if found.tzinfo else found.replace(tzinfo=start.tzinfo)
    if found <= start:
        rule = f"in the future; it is {start:%Y-%m-%dT%H:%M} now"
        raise InputError(invalid("option '--until'", until, rule))
    return found


class Clock:
    """Knows when a run must be ready, and learns from its work what further work takes.

    All times are wall times on all workers together, in s.

    Parameters
    ----------
    deadline : datetime or None
        When it must be ready; None for no hurry.
    plan : Plan
        What its work was expected to cost.
    now : callable
        Returns the time, with its zone.
    """

    def __init__(
        self,
        deadline: datetime | None,
        plan: Plan,
        now: Callable[[], datetime] = local_now,
    ) -> None:
        self.deadline = deadline
        self._plan = plan
        self._now = now
        self._planned_s = self._took_s = 0.0
        self.was_short = False

    def learn(self, planned_s: float, took_s: float) -> None:
        """Note what a piece of work took on its worker; 0 for what was known already."""
        if took_s > 0:
            self._planned_s += planned_s
            self._took_s += took_s

    @property
    def pace(self) -> float:
        """How many times as long work takes as was planned, by what was done so far."""
        if self._planned_s <= 0 or self._took_s < _LEARNED_FROM_S:
            return 1.0
        return self._took_s / self._planned_s

    @property
    def left_s(self) -> float:
        """Time until the run must be ready; infinite without a deadline."""
        if self.deadline is None:
            return math.inf
        return (self.deadline - self._now()).total_seconds()

    @property
    def shape_s(self) -> float:
        """What one more shape takes of all workers together."""
        return self.pace * self._plan.shape_seconds

    @property
    def look_s(self) -> float:
        """What a first look at one more shape takes of all workers, 0 where none is taken."""
        return self.pace * self._plan.look.shape_seconds if self._plan.look else 0.0

    @property
    def report_s(self) -> float:
        """What ranking and report take."""
        drawing_s = self._plan.report_seconds - self._plan.opinion_seconds
        return self._slowness * drawing_s

    @property
    def opinion_s(self) -> float:
        """What the second opinion takes, 0 where none is asked."""
        return self._slowness * self._plan.opinion_seconds

    @property
    def _slowness(self) -> float:
        return min(max(self.pace, 1.0), _SLOWEST_DRAWING)

    @property
    def remeshing_s(self) -> float:
        """What meshing the best again takes."""
        return self._plan.remeshes * self.shape_s

    @property
    def nearby_s(self) -> float:
        """What small changes of the leaders take."""
        return self.pace * self._plan.nearby.total_seconds if self._plan.nearby else 0.0

    @property
    def finals_s(self) -> float:
        """What solving the finalists takes."""
        return self.pace * self._plan.finals.total_seconds if self._plan.finals else 0.0

    @property
    def later_s(self) -> float:
        """What all steps after the candidates take."""
        closer_s = self.finals_s + self.remeshing_s + self.nearby_s
        return closer_s + self.opinion_s + self.report_s

    def has_time_for(self, seconds: float, then_s: float) -> bool:
        """Tell whether work can begin that is followed by other work, and note if not.

        Parameters
        ----------
        seconds : float
            What is to be begun.
        then_s : float
            What must still follow it.
        """
        # The same margin for what follows, or it would be kept free and then be found too short.
        if self.left_s >= _SAFETY * (seconds + then_s):
            return True
        self.was_short = True
        return False

    @property
    def is_up(self) -> bool:
        """Whether only the report is possible now."""
        return self.left_s < self.report_s


def require_time(clock: Clock, n_first: int) -> None:
    """Refuse a deadline before which nothing could be shown.

    Parameters
    ----------
    clock : Clock
        Knows it, and what work is expected to cost.
    n_first : int
        Shapes without which there is no ranking: the baseline, plates, and one candidate.

    Raises
    ------
    TooLateError
        If they and the report take longer.
    """
    least_s = n_first * clock.shape_s + clock.report_s
    if n_first:
        least_s += _FIRST_LOOKS * clock.look_s
    if clock.deadline is not None and clock.left_s < least_s:
        what = "the baseline, one candidate and the report" if n_first else "the report"
        rule = f"at least {_minutes(least_s)} away, for {what}"
        raise TooLateError(invalid("deadline", f"{clock.deadline:%Y-%m-%d %H:%M}", rule))


def how_many_fit(clock: Clock, n_asked: int, n_first: int, keep_pct: float | None) -> int:
    """Return about how many candidates a run with a deadline will finish; at least one.

    Parameters
    ----------
    clock : Clock
        Knows when the run must be ready, and what work is expected to cost.
    n_asked : int
        Candidates that the job asks for.
    n_first : int
        Shapes that are solved besides: the baseline and plates.
    keep_pct : float or None
        How many of the first looks are solved in full, in per cent; None without a first look.
    """
    if clock.deadline is None:
        return n_asked
    free_s = clock.left_s / _SAFETY - clock.later_s - n_first * clock.shape_s
    each_s = clock.shape_s
    if keep_pct is not None:
        free_s -= clock.look_s  # the baseline's
        each_s = clock.look_s + keep_pct / 100 * clock.shape_s
    return min(max(int(free_s / each_s), 1), n_asked)


def fit_in_words(clock: Clock, n_fit: int, n_asked: int) -> str | None:
    """Return a line that says how many candidates fit before the deadline; None without one.

    Examples
    --------
    >>> end = datetime.fromisoformat("2026-01-31T07:00+00:00")
    >>> class Told:
    ...     deadline = end
    >>> fit_in_words(Told(), 12, 40)
    'about 12 candidates fit before 2026-01-31 07:00, 40 were asked for'
    """
    if clock.deadline is None:
        return None
    until = f"before {clock.deadline:%Y-%m-%d %H:%M}"
    if n_fit >= n_asked:
        return f"all {n_asked} candidates should fit {until}"
    fit = "1 candidate fits" if n_fit == 1 else f"{n_fit} candidates fit"
    return f"about {fit} {until}, {n_asked} were asked for"


def _minutes(seconds: float) -> str:
    """Return a time for people, rounded up.

    Examples
    --------
    >>> _minutes(61.0), _minutes(7200.0)
    ('2 min', '2.0 h')
    """
    minutes = math.ceil(seconds / 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes / 60:.1f} h"
