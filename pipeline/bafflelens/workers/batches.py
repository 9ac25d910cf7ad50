# SPDX-License-Identifier: GPL-3.0-or-later
"""What a worker is sent for: pieces of work, several at once where each is short.

To pass a piece of work on costs milliseconds. Beside a solve of a second that is nothing;
thousands of pieces of a millisecond would mostly be on their way. So pieces whose like took little
so far go together, each with an outcome of its own.
"""

from __future__ import annotations

import time
import traceback
from collections import defaultdict, deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from bafflelens.base.errors import BafflelensError

_LOOK_BACK: Final = 16  # so many pieces of a kind tell how long the next will take
_TOGETHER_S: Final = 0.1  # what goes together takes less, so that no worker waits for long
_MOST_TOGETHER: Final = 16


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What became of one piece of work.

    Attributes
    ----------
    name : str
        Its name.
    value : object
        What its function returned; None if it failed.
    error : str
        Why it failed, one line; empty if it did not.
    detail : str
        The traceback of a failure that was not foreseen, for the log.
    more_at_once : bool
        Whether there are more outcomes of what was done together with it: they follow at once.
    """

    name: str
    value: Any
    error: str = ""
    detail: str = ""
    more_at_once: bool = False


@dataclass(frozen=True, eq=False)
class Late:
    """An argument of work that is read in this process when the work is handed out.

    Attributes
    ----------
    read : callable
        Returns what the work is done with.
    """

    read: Callable[[], Any]


@dataclass(frozen=True, kw_only=True)
class Piece:
    """A piece of work with all that it needs.

    Attributes
    ----------
    name : str
        Its name.
    function : callable
        What is to be done; workers can import it.
    arguments : tuple
        What it is done with.
    """

    name: str
    function: Callable[..., Any]
    arguments: tuple[Any, ...]


def work_off(*pieces: Piece) -> list[tuple[Outcome, float]]:
    """Do pieces of work one after another; return what became of each, and its time in s.

    One that fails does not stop the next.
    """
    done = []
    for piece in pieces:
        began = time.perf_counter()
        try:
            outcome = Outcome(name=piece.name, value=piece.function(*piece.arguments))
        except Exception as error:
            outcome = failure(piece.name, error)
        done.append((outcome, time.perf_counter() - began))
    return done


def failure(name: str, error: BaseException) -> Outcome:
    """Return the record of a failure: one line, and the traceback where it was not foreseen."""
    reason = " ".join(str(error).split())
    if isinstance(error, BafflelensError):
        return Outcome(name=name, value=None, error=reason)
    detail = "".join(traceback.format_exception(error))
    return Outcome(name=name, value=None, error=f"{type(error).__name__}: {reason}", detail=detail)


class Durations:
    """How long the last pieces of work took, by what they did."""

    def __init__(self) -> None:
        self._last: dict[Callable[..., Any], deque[float]] = defaultdict(
            lambda: deque(maxlen=_LOOK_BACK)
        )

    def add(self, function: Callable[..., Any], seconds: float) -> None:
        """Note how long a piece took, in s."""
        self._last[function].append(seconds)

    def how_many(self, function: Callable[..., Any]) -> int:
        """Return how many pieces may go together, as far as is known; at least one.

        The longest of the last ones counts: of work of many lengths each piece goes alone.
        """
        last = self._last[function]
        if len(last) < _LOOK_BACK:
            return 1
        return max(1, int(min(_MOST_TOGETHER, _TOGETHER_S / max(*last, 1e-9))))
