# SPDX-License-Identifier: GPL-3.0-or-later
"""The slope of a score over a surface, all frequencies together, as it is kept in a run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import BoolArray, FloatArray
from bafflelens.base.errors import StoreError, invalid
from bafflelens.mesh.mesh import Mesh

if TYPE_CHECKING:
    from bafflelens.mockup.clay_map.slopes import Slopes

USUAL_ACROSS_MM: Final = 30.0
LEAST_DB_PER_MM: Final = 0.02
"""Smaller slopes are not worth an afternoon, and no better known than themselves."""


@dataclass(frozen=True, kw_only=True, eq=False)
class KeptSlope:
    """What an outward displacement does to the score of a candidate.

    Attributes
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Mirror planes: a displacement has its image.
    by_area : (n_triangles,) array
        Change in dB per m of displacement and m^2 of the mesh; 0 on what moves.
    is_clay : (n_triangles,) array of bool
        Where something can be added or taken: neither moving nor absorbing.
    """

    mesh: Mesh
    symmetry: tuple[str, ...]
    by_area: FloatArray
    is_clay: BoolArray

    @classmethod
    def of(cls, slopes: Slopes) -> KeptSlope:
        """Return what is kept of slopes."""
        return cls(
            mesh=slopes.mesh,
            symmetry=slopes.symmetry,
            by_area=np.asarray(slopes.density["score"].sum(axis=0)),
            is_clay=slopes.is_clay,
        )

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Return arrays for a file, from which `from_arrays` makes the same."""
        return {
            "vertices": self.mesh.vertices,
            "triangles": self.mesh.triangles,
            "surface": self.mesh.surface,
            "symmetry": np.array(self.symmetry, dtype=str),
            "by_area": self.by_area,
            "is_clay": self.is_clay,
        }

    @classmethod
    def from_arrays(cls, data: Mapping[str, NDArray[Any]], where: str) -> KeptSlope:
        """Return what `arrays` described.

        Raises
        ------
        StoreError
            If one is missing, or they do not fit each other.
        """
        try:
            found = cls(
                mesh=Mesh.of_arrays(data),
                symmetry=tuple(str(plane) for plane in data["symmetry"]),
                by_area=data["by_area"].astype(float),
                is_clay=data["is_clay"].astype(bool),
            )
            n = found.mesh.n_triangles
            if found.by_area.shape != (n,) or found.is_clay.shape != (n,):
                msg = "its arrays do not fit each other"
                raise ValueError(msg)
        except (KeyError, ValueError, TypeError) as error:
            rule = f"slopes that bafflelens kept ({error})"
            raise StoreError(invalid("file of slopes", where, rule)) from error
        return found
