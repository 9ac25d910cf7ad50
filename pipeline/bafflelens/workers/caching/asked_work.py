# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes and bands that a cached pool was asked for, and how much of all was known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Final

from bafflelens.bem.sweep import BandResult
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band
from bafflelens.workers.batches import Outcome
from bafflelens.workers.work_units import Methods, SolveSettings, Timed

_FEW: Final = 4  # meshes that are made together: their solid is built once


@dataclass(frozen=True, kw_only=True)
class WorkWishes:
    """How work is to be done."""

    priority: float
    memory: Callable[[], float] | None = None
    card: bool = False
    beside: Any = None


@dataclass(eq=False, kw_only=True)
class Meshes:
    """Meshes that were asked for: what stands on them, and what they are once known.

    Attributes
    ----------
    name : str
        Name of the work.
    key : bytes
        Name in the cache.
    work : tuple
        What `mesh_candidate` is given.
    wishes : WorkWishes
        How it is to be done.
    meshes : tuple of Mesh or None
        The meshes, once they are there.
    failure : Outcome or None
        Why there are none.
    digests : dict of int to bytes
        Digests of those that were looked up.
    waiting : list of AskedBand
        Bands that were asked for before.
    anchor : Meshes or None
        Meshes of another shape that these are moved from, where that does no harm.
    following : list of Meshes
        Meshes that wait to be moved from these.
    part_of : Meshes or None
        Those that these are a part of, made by themselves.
    numbers : tuple of int
        Which part.
    parts : dict of int to Mesh
        Of those that are made in parts, what is there already, by number.
    seconds : float
        How long these parts took together, in s.
    """

    name: str
    key: bytes
    work: tuple[Any, ...]
    wishes: WorkWishes
    meshes: tuple[Mesh, ...] | None = None
    failure: Outcome | None = None
    digests: dict[int, bytes] = field(default_factory=dict)
    waiting: list[AskedBand] = field(default_factory=list)
    anchor: Meshes | None = None
    following: list[Meshes] = field(default_factory=list)
    part_of: Meshes | None = None
    numbers: tuple[int, ...] = ()
    parts: dict[int, Mesh] = field(default_factory=dict)
    seconds: float = 0.0

    @property
    def is_known(self) -> bool:
        """Whether they are there, or never will be."""
        return self.meshes is not None or self.failure is not None

    def has(self, number: int) -> bool:
        """Tell whether one of them is there, or never will be."""
        return self.is_known or number in self.parts

    def of(self, number: int) -> Mesh:
        """Return one of them that is there."""
        return self.meshes[number] if self.meshes is not None else self.parts[number]

    def in_parts(self) -> tuple[Meshes, ...]:
        """Return the finest and the others by themselves, or these where there are few.

        The finest is what most of the work stands on.
        """
        methods, script, values, sizes, limit_s = self.work
        if len(sizes) < _FEW:
            return (self,)
        finest = min(range(len(sizes)), key=lambda number: sizes[number].source_size_m)
        others = tuple(number for number in range(len(sizes)) if number != finest)
        return tuple(
            Meshes(
                name=f"{self.name}, {which}",
                key=b"",
                work=(methods, script, values, [sizes[number] for number in numbers], limit_s),
                wishes=self.wishes,
                part_of=self,
                numbers=numbers,
            )
            for which, numbers in (("finest", (finest,)), ("others", others))
        )

    def receive(self, part: Meshes, outcome: Outcome) -> Outcome | None:
        """Take a part of them, and return the outcome of all with the last of it, or a failure."""
        if self.is_known:  # another part has failed
            return None
        if outcome.error:
            self.failure = replace(outcome, name=self.name)
            return self.failure
        self.parts.update(zip(part.numbers, outcome.value.value, strict=True))
        self.seconds += outcome.value.seconds
        if len(self.parts) < len(self.work[3]):
            return None
        meshes = tuple(self.parts[number] for number in sorted(self.parts))
        return replace(outcome, name=self.name, value=Timed(value=meshes, seconds=self.seconds))


@dataclass(eq=False, kw_only=True)
class AskedBand:
    """A band that was asked for, and which of its frequencies were known."""

    name: str
    meshes: Meshes
    methods: Methods
    number: int
    band: Band
    settings: SolveSettings
    wishes: WorkWishes
    is_reusing: bool = False
    digest: bytes = b""
    known: list[BandResult] = field(default_factory=list)

    def work(self, frequencies_hz: tuple[float, ...]) -> tuple[Any, ...]:
        """Return what `solve_candidate_band` is given for some of its frequencies."""
        mesh = replace(self.meshes.of(self.number), places=None)  # a solver has no use for them
        alone = tuple(mesh if n == self.number else None for n in range(self.number + 1))
        rest = replace(self.band, frequencies_hz=frequencies_hz)
        meshes = Timed(value=alone, seconds=0.0)
        return self.methods, meshes, self.number, rest, self.settings


@dataclass
class Tally:
    """How much was known, of how much that was asked for."""

    meshes: int = 0
    known_meshes: int = 0
    frequencies: int = 0
    known_frequencies: int = 0

    @property
    def text(self) -> str:
        """In one line; empty if nothing was known."""
        if not self.known_meshes and not self.known_frequencies:
            return ""
        return (
            f"from the cache: {self.known_frequencies} of {self.frequencies} frequencies, the "
            f"meshes of {self.known_meshes} of {self.meshes} shapes"
        )
