# SPDX-License-Identifier: GPL-3.0-or-later
"""What pages want to know, and the newest of it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from bafflelens.live.waits import LOOK_S, LOOK_SOON_S


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What a page wants to know.

    Attributes
    ----------
    page : str
        Which page.
    number : int
        Of the wish on that page.
    values : mapping of str to float
        All parameters.
    at : float
        When it came, in s of the monotonic clock.
    """

    page: str
    number: int
    values: Mapping[str, float]
    at: float


@dataclass(kw_only=True, eq=False)
class NewestWish:
    """The newest wish of all pages, and how far it is solved.

    Attributes
    ----------
    is_moving : callable
        Whether a move is on its way that may not be known here yet.
    changed, over : threading.Event
        Set when there is something new to do; when nothing is done any more.
    wish : Wish or None
        The wish.
    done : str
        How far it is solved: not at all, ``draft`` or ``full``.
    drafted_at : float
        When its draft was sent, in s of the monotonic clock.
    unscored : int or None
        Number of a wish that was answered by an estimate without a score.
    """

    is_moving: Callable[[], bool]
    changed: threading.Event
    over: threading.Event
    wish: Wish | None = None
    done: str = ""
    drafted_at: float = 0.0
    unscored: int | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def put(self, wish: Wish | None, done: str = "") -> None:
        """Forget the wish before."""
        with self._lock:
            self.wish, self.done = wish, done
            self.drafted_at, self.unscored = 0.0, None
        self.changed.set()

    def is_done(self, wish: Wish, how_far: str) -> None:
        """Note how far a wish is solved, unless there is a newer one, of which nothing is."""
        with self._lock:
            if self.wish is wish:
                self.done = how_far

    def take_unscored(self) -> Wish | None:
        """Return the wish if it waits for its score, which it does no more."""
        with self._lock:
            wish = self.wish
            if wish is None or self.unscored != wish.number:
                return None
            self.unscored = None
            return wish

    def is_over(self, wish: Wish | None) -> Callable[[], bool]:
        """Return what tells whether a wish is looked at no more."""
        return lambda: self.over.is_set() or self.wish is not wish

    def rests(self, wish: Wish, seconds: float) -> bool:
        """Wait until a wish has rested so long; False if there is a newer one.

        Who has just been sent a draft looks at it first: the full band, begun at once, would hold
        up the draft of the next move.
        """
        is_over = self.is_over(wish)
        begun = max(wish.at, self.drafted_at)
        while (left_s := begun + seconds - time.monotonic()) > 0 or self.is_moving():
            if is_over():
                return False
            self.changed.wait(timeout=min(max(left_s, LOOK_SOON_S), LOOK_S))
            self.changed.clear()
        return not is_over()
