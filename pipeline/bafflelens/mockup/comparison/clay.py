# SPDX-License-Identifier: GPL-3.0-or-later
"""By how much a scanned clay model deviates from the nominal shape where it matters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.closest_point import closest, searchable
from bafflelens.base.conventions import FloatArray
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.mockup.solved_candidate import candidate_of
from bafflelens.store import RunFolder

_REACH_M: Final = 0.25  # of the source: beyond, walls are small in the sound
_BEHIND_M: Final = 0.05
_THROAT: Final = 1.8  # radii of the source


@dataclass(frozen=True, kw_only=True)
class ClayDeviation:
    """How far clay and nominal shape are apart; 95 % of the area is within.

    Attributes
    ----------
    walls_m : float
        In front, within 0.25 m of the source.
    throat_m : float
        Around the source, within 1.8 of its radii, the moving parts left out.
    """

    walls_m: float
    throat_m: float


def clay_deviation(
    nominal: RunFolder, nominal_id: str, scanned: RunFolder, scanned_id: str
) -> ClayDeviation:
    """Return how far a scanned candidate is from a nominal one, by their finest meshes."""
    loaded = nominal.load_job()
    candidate = candidate_of(nominal, nominal_id)
    motions = loaded.boundaries.motions_of(loaded.shape_of(candidate.id), candidate.values)
    return deviation_between(
        nominal.load_mesh(nominal_id), scanned.load_mesh(scanned_id), motions[0]
    )


def deviation_between(nominal: Mesh, scanned: Mesh, motion: SourceMotion) -> ClayDeviation:
    """Return how far two meshes are apart around a source."""
    moving = np.isin(nominal.surface, motion.surfaces)
    offset = nominal.centroids - np.asarray(motion.centre)
    distance = np.linalg.norm(offset, axis=1)
    near = ~moving & (distance < _REACH_M) & (nominal.centroids[:, 0] > -_BEHIND_M)
    surface = searchable(scanned.vertices, scanned.triangles)
    off = closest(surface, nominal.centroids[near]).distance
    throat = distance[near] < _THROAT * motion.outer_radius_m
    areas = nominal.areas[near]
    return ClayDeviation(
        walls_m=_percentile(off[~throat], areas[~throat]),
        throat_m=_percentile(off[throat], areas[throat]),
    )


def _percentile(values: FloatArray, weights: FloatArray) -> float:
    """Return the value that 95 % of the weight does not exceed; 0 if there is nothing."""
    if not values.size:
        return 0.0
    order = np.argsort(values)
    reached = np.cumsum(weights[order]) / weights.sum()
    return float(values[order][np.searchsorted(reached, 0.95).clip(0, values.size - 1)])
