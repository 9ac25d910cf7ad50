# SPDX-License-Identifier: GPL-3.0-or-later
"""Memory set aside for work: what may run side by side without pushing a machine into swap.

Depends on: errors.

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
    """

    name: str
    workers: int
    memory_bytes: float = math.inf


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
    _passed: int = 0

    @property
    def largest_bytes(self) -> float:
        """The most memory that a single piece of work can have."""
        return max((machine.memory_bytes for machine in self.machines), default=math.inf)

    def refusal(self, memory_bytes: float) -> str:
        """Return why work can never be done here, empty if it can."""
        if memory_bytes <= self.largest_bytes:
            return ""
        return (
            f"it needs about {memory_bytes / GIB:.1f} GiB of memory, more than the "
            f"{self.largest_bytes / GIB:.1f} GiB that there are for one piece of work; a lower "
            "quality, fewer high frequencies or solve.memory_gib change that"
        )

    def choose(self, waiting: Sequence[float]) -> tuple[int, str] | None:
        """Return which piece of waiting work goes out next, and to which machine.

        Parameters
        ----------
        waiting : sequence of float
            Memory in bytes of each piece that could start, the most urgent first.

        Returns
        -------
        (int, str) or None
            Number of the piece and name of the machine; None if nothing fits now.
        """
        for number, memory_bytes in enumerate(waiting):
            if number and self._passed >= _PASSES:
                return None
            machine = self._free_for(memory_bytes)
            if machine is not None:
                self._passed = self._passed + 1 if number else 0
                return number, machine.name
        return None

    def take(self, machine: str, memory_bytes: float) -> None:
        """Note that work has gone out to a machine."""
        self._out.setdefault(machine, []).append(memory_bytes)

    def give_back(self, machine: str, memory_bytes: float) -> None:
        """Note that it is done."""
        self._out[machine].remove(memory_bytes)

    def _free_for(self, memory_bytes: float) -> Machine | None:
        """Return the machine with the fewest pieces out on which work fits."""
        fitting = [
            machine
            for machine in self.machines
            if len(self._out.get(machine.name, ())) < _AHEAD * machine.workers
            and sum(self._out.get(machine.name, ())) + memory_bytes <= machine.memory_bytes
        ]
        return min(
            fitting,
            key=lambda machine: len(self._out.get(machine.name, ())) / machine.workers,
            default=None,
        )
