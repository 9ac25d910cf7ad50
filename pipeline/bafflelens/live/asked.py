# SPDX-License-Identifier: GPL-3.0-or-later
"""What a page asks to have done with a solved candidate, and how far that is."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from bafflelens.base.progress import Advance, Silent


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What a page wants done with a solved candidate: ``map`` its clay, or ``carve`` a little."""

    page: str
    what: str
    id: str


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
