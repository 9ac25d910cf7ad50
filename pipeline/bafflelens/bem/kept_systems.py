# SPDX-License-Identifier: GPL-3.0-or-later
"""The systems of a mesh, kept from one kind of right-hand side to the next.

What moves radiates, and plane waves arrive at the same body: both take the same matrices, and
to form these costs as much as to solve.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from bafflelens.bem.discretisation import Discretisation, discretise
from bafflelens.bem.linear_solver import LinearSystem
from bafflelens.mesh.mesh import Mesh

MOST_BYTES = 2**27
"""So much memory the systems of one mesh take at most; what comes then is not kept."""


@dataclass(frozen=True, kw_only=True, eq=False)
class KeptSystems:
    """The rigid systems of one mesh.

    Attributes
    ----------
    discretisation : Discretisation
        Elements and near pairs.
    by_frequency : dict of float to LinearSystem
        Those that are kept, by frequency in Hz.
    """

    discretisation: Discretisation
    by_frequency: dict[float, LinearSystem] = field(default_factory=dict)

    @classmethod
    def none_yet(cls, mesh: Mesh, symmetry: tuple[str, ...]) -> KeptSystems:
        """Return the beginning: nothing but a discretised mesh and what is near in it."""
        found = discretise(mesh, symmetry)
        found.near  # noqa: B018  # before the sample's, which are a part of these
        return cls(discretisation=found)

    @property
    def nbytes(self) -> int:
        """Memory in bytes."""
        return sum(system.nbytes for system in self.by_frequency.values())

    def keep(self, frequency_hz: float, system: LinearSystem) -> None:
        """Keep a system, unless that takes too much memory."""
        if self.nbytes + system.nbytes <= MOST_BYTES:
            self.by_frequency[frequency_hz] = system
