# SPDX-License-Identifier: GPL-3.0-or-later
"""How the project's own engine works."""

from __future__ import annotations

from dataclasses import dataclass

from bafflelens.bem.system_matrix import Storage


@dataclass(frozen=True, kw_only=True)
class EngineSettings:
    """How the engine works.

    Attributes
    ----------
    tolerance : float
        Relative residual of the linear system at which the iteration stops. Blocks of low rank
        are as exact as it asks for.
    combined_tolerance : float or None
        What a combination of guesses may leave; None for no more than an iteration may.
    storage : Storage or None
        How the matrix is held; None for packed where it is small, and of low rank above.
    double_precision : bool
        Far elements in double instead of single precision, with full storage; for checks.
    packed_unknowns : int
        With more unknowns than this blocks of low rank are faster.
    direct_unknowns : int
        With more unknowns than this a failed iteration is not followed by a direct solve.
    """

    tolerance: float = 1e-4
    combined_tolerance: float | None = None
    storage: Storage | None = None
    double_precision: bool = False
    packed_unknowns: int = 3_500
    direct_unknowns: int = 16_000

    def storage_for(self, size: int) -> Storage:
        """Return how the matrix of a system of ``size`` unknowns is held."""
        if self.double_precision:
            return Storage.FULL
        if self.storage is not None:
            return self.storage
        return Storage.PACKED if size <= self.packed_unknowns else Storage.LOW_RANK
