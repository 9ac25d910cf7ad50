# SPDX-License-Identifier: GPL-3.0-or-later
"""What a deviation amounts to: statistics of each surface, and the largest dents and humps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from bafflelens.base.conventions import FloatArray
from bafflelens.shapes.meshing.mesh_morph import SurfaceDeviation

_PLACES: Final = 6
_LEAST_M: Final = 0.0004  # a smaller dent or hump is not worth a line
_NARROWEST_M: Final = 0.004  # narrower is noise or a crumb


@dataclass(frozen=True, kw_only=True)
class Spread:
    """How the clay deviates over one surface, or all of them; seen parts only, by area.

    Attributes
    ----------
    surface : str
        Name, or ``all``.
    seen : float
        Share of its area that the scanner saw.
    mean_m, rms_m, low_m, high_m : float
        Mean, root mean square, lowest and highest deviation in m; not a number if unseen.
    within : float
        Share of the seen area within half a millimetre.
    """

    surface: str
    seen: float
    mean_m: float
    rms_m: float
    low_m: float
    high_m: float
    within: float


@dataclass(frozen=True, kw_only=True)
class DeviationPlace:
    """A dent (negative) or a hump.

    Attributes
    ----------
    height_m : float
        Its extreme, in m.
    centre : (3,) array
        Where the extreme is, in m.
    width_m : float
        Diameter of the round spot as large as the area over half the extreme.
    surface : str
        The surface it is on.
    """

    height_m: float
    centre: FloatArray
    width_m: float
    surface: str


def spreads(deviation: SurfaceDeviation) -> tuple[Spread, ...]:
    """Return the statistics of all surfaces together, then of each."""
    nominal = deviation.nominal
    everything = np.ones(nominal.n_triangles, dtype=bool)
    rows = [_spread("all", deviation, everything)]
    for name in np.unique(nominal.surface).tolist():
        rows.append(_spread(name, deviation, nominal.surface == name))
    return tuple(rows)


def _spread(name: str, deviation: SurfaceDeviation, where: NDArray[np.bool_]) -> Spread:
    areas = deviation.nominal.areas
    seen = where & deviation.seen
    area, height = areas[seen], deviation.height[seen]
    total = float(areas[where].sum())
    if not len(area):
        nothing = float("nan")
        return Spread(
            surface=name, seen=0.0, mean_m=nothing, rms_m=nothing, low_m=nothing, high_m=nothing,
            within=nothing,
        )  # fmt: skip
    return Spread(
        surface=name,
        seen=float(area.sum()) / total,
        mean_m=float(np.average(height, weights=area)),
        rms_m=float(np.sqrt(np.average(height**2, weights=area))),
        low_m=float(height.min()),
        high_m=float(height.max()),
        within=float(area[np.abs(height) <= 5e-4].sum() / area.sum()),
    )


def places(deviation: SurfaceDeviation) -> tuple[DeviationPlace, ...]:
    """Return the largest dents and humps of what was seen, the largest first."""
    nominal = deviation.nominal
    edges = np.sort(
        np.concatenate([nominal.triangles[:, [i, (i + 1) % 3]] for i in range(3)]), axis=1
    )
    owner = np.tile(np.arange(nominal.n_triangles), 3)
    order = np.lexsort((edges[:, 1], edges[:, 0]))
    pair = (edges[order[:-1]] == edges[order[1:]]).all(axis=1)
    one, other = owner[order[:-1]][pair], owner[order[1:]][pair]
    height = np.where(deviation.seen, deviation.height, 0.0)
    left = np.abs(height)
    found: list[DeviationPlace] = []
    while len(found) < _PLACES and left.max(initial=0.0) > _LEAST_M:
        peak = int(left.argmax())
        high = height * np.sign(height[peak]) > abs(height[peak]) / 2
        joined = high[one] & high[other]
        graph = coo_matrix(
            (np.ones(joined.sum()), (one[joined], other[joined])), shape=(len(left), len(left))
        )
        _, region = connected_components(graph, directed=False)
        spot = region == region[peak]
        width = float(2 * np.sqrt(nominal.areas[spot].sum() / np.pi))
        if width >= _NARROWEST_M:
            found.append(
                DeviationPlace(
                    height_m=float(height[peak]),
                    centre=nominal.centroids[peak],
                    width_m=width,
                    surface=str(nominal.surface[peak]),
                )
            )
        # The foot of a hump is no hump of its own.
        near = np.linalg.norm(nominal.centroids - nominal.centroids[peak], axis=1) < width
        left[spot | near] = 0.0
    return tuple(found)
