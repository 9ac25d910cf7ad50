# SPDX-License-Identifier: GPL-3.0-or-later
"""What a run tells about itself while it goes on; the command line decides how it looks."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Protocol


class Advance(Protocol):
    """Tells that a share of the work is done."""

    def __call__(self, amount: float, text: str = "") -> None:
        """Add an amount of finished work, in the unit of the total, and say what was done."""


class Progress(Protocol):
    """Listens to a run."""

    def say(self, text: str) -> None:
        """Take one line for the user."""

    def bar(
        self, total: float, label: str = "meshing and solving"
    ) -> AbstractContextManager[Advance]:
        """Return a context in which work of a given total is done; it gives an `Advance`."""


class Silent:
    """Progress that nobody watches."""

    def say(self, text: str) -> None:
        """Say nothing."""

    @contextmanager
    def bar(self, total: float, label: str = "") -> Iterator[Advance]:
        """Draw nothing."""
        yield lambda amount, text="": None
