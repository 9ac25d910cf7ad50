# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a region of a made part is furthest off: the place, the height and the width of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.neighbours import sides_of
from bafflelens.mesh.mesh import Mesh

_NARROWEST_M: Final = 0.004  # narrower is noise or a crumb
_NORMAL: Final = 1.4826  # standard deviation over median absolute deviation, of a normal one
_MM: Final = 1e3


@dataclass(frozen=True, kw_only=True)
class Spot:
    """The place of a region that is furthest off.

    Attributes
    ----------
    height_m : float
        How proud it stands there, negative for a dent, the mean with the triangles beside.
    scatter_m : float
        One standard deviation of that by the noise of single triangles.
    centre : tuple of 3 floats
        Where, in m.
    width_m : float
        Diameter of a circle as large as what is off by half of that or more.
    """

    height_m: float
    scatter_m: float
    centre: tuple[float, float, float]
    width_m: float

    @property
    def text(self) -> str:
        """Height, width and place, in words."""
        x, y, z = (_MM * value for value in self.centre)
        kind = "hump" if self.height_m > 0 else "dent"
        return (
            f"{kind} of {_MM * self.height_m:+.2f} mm, {_MM * self.width_m:.0f} mm wide, around "
            f"({x:.0f}, {y:.0f}, {z:.0f}) mm"
        )


def furthest_off(
    mesh: Mesh, region: NDArray[np.str_], height: FloatArray, seen: NDArray[np.bool_]
) -> dict[str, Spot]:
    """Return by region the place that is furthest off.

    Parameters
    ----------
    mesh : Mesh
        The nominal surface.
    region : (n_triangles,) array of str
        Which region each triangle belongs to.
    height : (n_triangles,) array
        How proud the part stands, in m.
    seen : (n_triangles,) array of bool
        What the scan shows.
    """
    sides = sides_of(mesh)
    one, other = sides.owner, sides.other
    inside = seen[one] & seen[other] & (region[one] == region[other])
    one, other = one[inside], other[inside]
    n = mesh.n_triangles
    count = 1 + np.bincount(one, minlength=n)
    smooth = (height + np.bincount(one, height[other], minlength=n)) / count
    found = {}
    for name in np.unique(region[seen]).tolist():
        where = seen & (region == name)
        noise = np.abs(height - smooth)[where] / np.sqrt(1 - 1 / np.maximum(count[where], 2))
        left = np.where(where, np.abs(smooth), 0.0)
        while left.max() > 0:
            peak = int(left.argmax())
            high = where & (smooth * np.sign(smooth[peak]) >= abs(smooth[peak]) / 2)
            joined = high[one] & high[other]
            graph = coo_matrix((np.ones(joined.sum()), (one[joined], other[joined])), (n, n))
            _, part = connected_components(graph, directed=False)
            spot = high & (part == part[peak])
            width = float(2 * np.sqrt(mesh.areas[spot].sum() / np.pi))
            if width >= _NARROWEST_M:
                x, y, z = mesh.centroids[peak].tolist()
                found[name] = Spot(
                    height_m=float(smooth[peak]),
                    scatter_m=_NORMAL * float(np.median(noise)) / float(np.sqrt(count[peak])),
                    centre=(x, y, z),
                    width_m=width,
                )
                break
            left[spot] = 0.0
    return found
