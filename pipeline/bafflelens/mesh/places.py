# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the vertices of a mesh lie on the solid that it was made of.

With it a mesh can be moved onto another solid of the same corners, curves and faces
(`bafflelens.shapes.meshing.moved_mesh`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import FloatArray, IntArray


@dataclass(frozen=True, kw_only=True)
class VertexPlaces:
    """Where each vertex lies on a solid.

    Attributes
    ----------
    entity : (n_vertices, 2) integer array
        Dimension and number of what it lies on: a corner (0), a curve (1) or a face (2).
    share : (n_vertices, 2) array
        On a curve the share of its length up to the vertex, and 0; on a face its two parameters
        as shares of their ranges; at a corner 0 and 0.
    solid : str
        Digest of how the solid's corners, curves and faces hang together.
    volume_ratio : float
        Volume of the mesh over that of the solid; 0 if there is no solid between the faces.
    is_moved : bool
        Whether the mesh was moved here from another shape; else it was made here.
    """

    entity: IntArray
    share: FloatArray
    solid: str
    volume_ratio: float
    is_moved: bool = False

    def of_vertices(self, used: IntArray) -> VertexPlaces:
        """Return the places of some of the vertices."""
        return VertexPlaces(
            entity=self.entity[used],
            share=self.share[used],
            solid=self.solid,
            volume_ratio=self.volume_ratio,
            is_moved=self.is_moved,
        )

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Return arrays for a file, from which `from_arrays` makes the same."""
        return {
            "place_entity": self.entity.astype(np.int32),
            "place_share": self.share,
            "place_solid": np.array(self.solid),
            "place_volume_ratio": np.array(self.volume_ratio),
            "place_is_moved": np.array(self.is_moved),
        }

    @classmethod
    def from_arrays(cls, data: Mapping[str, NDArray[Any]]) -> VertexPlaces | None:
        """Return what `arrays` described; None if they are not there.

        Raises
        ------
        KeyError, ValueError
            If one is missing, or they do not fit each other.
        """
        if "place_entity" not in data:
            return None
        entity, share = data["place_entity"], data["place_share"]
        if entity.shape != share.shape or entity.shape[1:] != (2,):
            msg = "the places of the vertices do not fit each other"
            raise ValueError(msg)
        return cls(
            entity=entity.astype(np.int64),
            share=share,
            solid=str(data["place_solid"]),
            volume_ratio=float(data["place_volume_ratio"]),
            is_moved=bool(data["place_is_moved"]),
        )
