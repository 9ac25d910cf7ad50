# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes and bands that a cached pool was asked for, and how much of all was known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from bafflelens.bem.sweep import BandResult
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import Band
from bafflelens.workers.batches import Outcome
from bafflelens.workers.work_units import Methods, SolveSettings


@dataclass(frozen=True, kw_only=True)
class WorkWishes:
    """How work is to be done."""

    priority: float
    memory: Callable[[], float] | None = None
    card: bool = False


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

    @property
    def is_known(self) -> bool:
        """Whether they are there, or never will be."""
        return self.meshes is not None or self.failure is not None


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
