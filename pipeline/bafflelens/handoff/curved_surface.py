# SPDX-License-Identifier: GPL-3.0-or-later
"""A shape's surface as few triangles that follow its curves, and how far points are from it.

Flat triangles that stay within some hundredths of a millimetre of a lens are many, and making
them takes seconds. These have the surface's own point over the middle of each edge besides, as
second-order triangles have: what a flat one is off by is then known to the fourth power of its
angle. Built and meshed in a process of its own (`surface_meshing`), once for each dimension of a
part.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from bafflelens.base import ready_process
from bafflelens.base.closest_point import Searchable, closest, searchable, shares
from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import MeshingError, invalid
from bafflelens.handoff.surface_meshing import TURNED
from bafflelens.shapes.meshing import gmsh_process
from bafflelens.shapes.meshing.parameters import Shape

_MESHING: Final = "bafflelens.handoff.surface_meshing"


@dataclass(frozen=True, kw_only=True)
class CurvedSurface:
    """A closed surface.

    Attributes
    ----------
    flat : Searchable
        Its triangles, flat.
    corners : (n_triangles, 3, 3) array
        Their corners in m, outward.
    middles : (n_triangles, 3, 3) array
        Points of the surface over the middles of the edges 0-1, 1-2 and 2-0, in m.
    """

    flat: Searchable
    corners: FloatArray
    middles: FloatArray

    @classmethod
    def of(cls, corners: FloatArray, middles: FloatArray) -> CurvedSurface:
        """Return it from its triangles."""
        triangles = np.arange(3 * len(corners)).reshape(-1, 3)
        flat = searchable(corners.reshape(-1, 3), triangles)
        return cls(flat=flat, corners=corners, middles=middles)

    def heights(self, points: FloatArray, normals: FloatArray, reach_m: float) -> FloatArray:
        """Return how far it stands before points, (n,), along its own normals, in m.

        0 where nothing of it that faces the same way is within reach.

        Parameters
        ----------
        points, normals : (n, 3) array
            Points in m, and the way that the surface must face there.
        reach_m : float
            How far is looked.
        """
        feet = closest(self.flat, points, normals, least_cosine=0.7, farthest_m=reach_m)
        found = np.flatnonzero(np.isfinite(feet.distance))
        owner = feet.owner[found]
        corners = self.corners[owner]
        triangles = np.arange(3 * len(found)).reshape(-1, 3)
        share = shares(corners.reshape(-1, 3), triangles, feet.points[found])
        chords = (corners + np.roll(corners, -1, axis=1)) / 2
        weight = 4 * share * np.roll(share, -1, axis=1)
        bulge = (weight[:, :, None] * (self.middles[owner] - chords)).sum(axis=1)
        height = np.zeros(len(points))
        off = feet.points[found] + bulge - points[found]
        height[found] = (off * feet.normals[found]).sum(axis=1)
        return height


def curved_surface(
    shape: Shape, values: Mapping[str, float], time_limit_s: float
) -> CurvedSurface:
    """Build a shape and return its whole surface.

    Parameters
    ----------
    shape : Shape
        The shape, of a script.
    values : mapping of str to float
        Its parameters.
    time_limit_s : float
        Time for it.

    Raises
    ------
    MeshingError
        If it cannot be built or meshed in time.
    """
    with tempfile.TemporaryDirectory(prefix="bafflelens_surface_") as name:
        folder = Path(name)
        request = {
            "script": str(shape.script.resolve()),
            "values": {key: float(value) for key, value in values.items()},
            "time_limit_s": time_limit_s,
        }
        (folder / "request.json").write_text(json.dumps(request))
        ended = ready_process.run_ready(_MESHING, folder, time_limit_s)
        if ended:
            rule = f"one that can be built and meshed; that ended with {ended}"
            line = invalid("shape", shape.name, rule)
            raise MeshingError(gmsh_process.fault_left(folder, line))
        with np.load(folder / "surface.npz") as data:
            corners, middles = data["corners"], data["middles"]
    for plane in shape.symmetry:
        corners, middles = _mirrored(corners, middles, "xyz".index(plane))
    return CurvedSurface.of(corners, middles)


def _mirrored(
    corners: FloatArray, middles: FloatArray, axis: int
) -> tuple[FloatArray, FloatArray]:
    """Return triangles and their mirror images, which run the other way round."""
    image, over = corners[:, ::-1].copy(), middles[:, TURNED].copy()
    image[..., axis] *= -1
    over[..., axis] *= -1
    return np.concatenate((corners, image)), np.concatenate((middles, over))
