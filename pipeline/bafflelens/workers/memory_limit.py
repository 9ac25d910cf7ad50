# SPDX-License-Identifier: GPL-3.0-or-later
"""Memory set aside for work: what may run side by side without pushing a machine into swap.

A dense matrix of 25,000 unknowns takes 2.5 GB, one of 2,500 a hundredth of that. So the number
of workers says nothing about memory; each piece of work states what it needs, and is handed out
only while the sum of what is out fits on its machine.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

GIB: Final = 2.0**30

# Work in hand and as much again in store: a worker never waits for the next piece. What is in
# store has its memory set aside, too.
_AHEAD: Final = 2
# So often may smaller work pass by work that waits for memory; then it has its turn.
_PASSES: Final = 16


@dataclass(frozen=True)
class Machine:
    """A pool of memory and the workers that share it.

    Attributes
    ----------
    name : str
        Which workers; empty for all.
    workers : int
        How many pieces of work it does at a time.
    memory_bytes : float
        What all of them together may take; infinite where nobody knows.
    addresses : tuple of str
        Where they are; empty where any will do.
    has_card : bool
        Whether they hold a graphics card. They do nothing else than what needs it.
    """

    name: str
    workers: int
    memory_bytes: float = math.inf
    addresses: tuple[str, ...] = ()
    has_card: bool = False


@dataclass(frozen=True)
class Need:
    """What a piece of work needs.

    Attributes
    ----------
    memory_bytes : float
        Memory of the machine.
    card : bool
        Whether it needs a graphics card.
    """

    memory_bytes: float = 0.0
    card: bool = False


@dataclass
class Reservations:
    """What is out, and what else may go out.

    Attributes
    ----------
    machines : sequence of Machine
        Where work can go.
    """

    machines: Sequence[Machine]
    _out: dict[str, list[float]] = field(default_factory=dict)
    _passed: dict[bool, int] = field(default_factory=lambda: {True: 0, False: 0})

    def refusal(self, need: Need) -> str:
        """Return why work can never be done here, empty if it can."""
        able = [machine for machine in self.machines if machine.has_card == need.card]
        if need.card and not able:
            return "it needs a graphics card, and no worker has one"
        largest = max((machine.memory_bytes for machine in able), default=math.inf)
        if need.memory_bytes <= largest:
            return ""
        return (
            f"it needs about {need.memory_bytes / GIB:.1f} GiB of memory, more than the "
            f"{largest / GIB:.1f} GiB that there are for one piece of work; a lower "
            "quality, fewer high frequencies or solve.memory_gib change that"
        )

    def choose(self, waiting: Sequence[Need]) -> tuple[int, Machine] | None:
        """Return which piece of waiting work goes out next, and to which machine.

        Parameters
        ----------
        waiting : sequence of Need
            What each piece that could start needs, the most urgent first.

        Returns
        -------
        (int, Machine) or None
            Number of the piece and the machine; None if nothing fits now.
        """
        # Work for the processors does not stand in the way of work for the cards.
        for card in (True, False):
            queue = [number for number, need in enumerate(waiting) if need.card == card]
            for place, number in enumerate(queue):
                if place and self._passed[card] >= _PASSES:
                    break
                machine = self._free_for(waiting[number])
                if machine is not None:
                    self._passed[card] = self._passed[card] + 1 if place else 0
                    return number, machine
        return None

    def take(self, machine: str, memory_bytes: float) -> None:
        """Note that work has gone out to a machine."""
        self._out.setdefault(machine, []).append(memory_bytes)

    def give_back(self, machine: str, memory_bytes: float) -> None:
        """Note that it is done."""
        self._out[machine].remove(memory_bytes)

    def _free_for(self, need: Need) -> Machine | None:
        """Return the machine with the fewest pieces out on which work fits."""
        fitting = [
            machine
            for machine in self.machines
            if machine.has_card == need.card
            and len(self._out.get(machine.name, ())) < _AHEAD * machine.workers
            and sum(self._out.get(machine.name, ())) + need.memory_bytes <= machine.memory_bytes
        ]
        return min(
            fitting,
            key=lambda machine: len(self._out.get(machine.name, ())) / machine.workers,
            default=None,
        )
