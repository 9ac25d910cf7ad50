# SPDX-License-Identifier: GPL-3.0-or-later
"""What works on named pieces of work, whoever does it.

A pool takes named pieces of work and gives back what became of each, in the order in which
they finish. Work is a function of this package with plain data or finished arrays as arguments:
nothing of a user's script is ever sent, since a worker could not import it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Protocol

from bafflelens.workers.batches import Outcome


def never() -> bool:
    """Tell that there is no end."""
    return False


class Pool(Protocol):
    """Something that works on named pieces of work."""

    @property
    def size(self) -> int:
        """How many pieces can be worked on at the same time."""

    def submit(
        self,
        name: str,
        function: Callable[..., Any],
        *arguments: Any,
        priority: float = 0.0,
        memory: Callable[[], float] | None = None,
        card: bool = False,
        beside: Any = None,
    ) -> Any:
        """Take a piece of work; what is returned can be an argument of further work.

        Parameters
        ----------
        name : str
            Name, unique in this pool.
        function : callable
            A function that the workers can import.
        *arguments
            Plain data, arrays, what `submit` returned for other work, or `batches.Late`.
        priority : float
            Higher goes first.
        memory : callable, optional
            Returns what it takes, in bytes; asked once what the work stands on has been yielded
            by `outcomes`. Pieces never run side by side whose sum the machine has not; one that
            needs more than there is at all fails.
        card : bool
            Whether it needs a graphics card; it fails where no worker has one.
        beside : optional
            What `submit` returned for work that is over and has left something in its process.
            It is done there if that goes on, else anywhere.
        """

    def outcomes(self, is_over: Callable[[], bool] = never) -> Iterator[Outcome]:
        """Yield what became of all work submitted, also while this loop runs, as it finishes.

        Once `is_over` tells so, what is not finished is dropped and nothing more is yielded.
        """
