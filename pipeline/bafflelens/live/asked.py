# SPDX-License-Identifier: GPL-3.0-or-later
"""What a page asks to have done with a solved candidate, and how far that is."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final

from bafflelens.base.errors import BafflelensError, InputError, invalid
from bafflelens.base.progress import Advance, Silent

_MOST_ASKED: Final = 4


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What a page wants done with a solved candidate: ``map`` its clay, or ``carve`` a little."""

    page: str
    what: str
    id: str


class AskedInTurn:
    """What pages have asked for and is not done yet, the oldest first."""

    def __init__(self) -> None:
        self._asked: list[Asked] = []
        self._stopped = ""
        self._lock = threading.Lock()

    @property
    def next(self) -> Asked | None:
        """What is to be done next."""
        return self._asked[0] if self._asked else None

    def add(self, asked: Asked) -> None:
        """Take what is asked for, once.

        Raises
        ------
        InputError
            If too much is asked for already.
        BafflelensError
            If nothing is done any more.
        """
        with self._lock:
            if self._stopped:
                raise BafflelensError(self._stopped)
            if asked in self._asked:
                return
            if len(self._asked) >= _MOST_ASKED:
                rule = f"asked for when fewer than {_MOST_ASKED} wait"
                raise InputError(invalid(asked.what, asked.id, rule))
            self._asked.append(asked)

    def is_done(self, asked: Asked) -> None:
        """Forget what was done."""
        with self._lock:
            self._asked.remove(asked)

    def stop(self, why: str) -> None:
        """Forget all, and tell why to whoever asks for something from now on."""
        with self._lock:
            self._stopped = why
            self._asked.clear()


class Telling(Silent):
    """Progress that pages are told of."""

    def __init__(self, what: str, say: Callable[[str], None]) -> None:
        self.what = what
        self._say = say

    @contextmanager
    def bar(self, total: float, label: str = "") -> Iterator[Advance]:
        """Tell the share that is done."""
        done = 0.0

        def advance(amount: float, text: str = "") -> None:
            nonlocal done
            done += amount
            self._say(f"{self.what}, {min(done / total, 1):.0%}")

        yield advance
