# SPDX-License-Identifier: GPL-3.0-or-later
r"""How far a surface may be carved, at every place of the front.

A surface is carved along the pull direction, the reference axis: each point moves forwards or
backwards by a height h(y, z). So a front that has no undercut gets none, whatever h is, and a
mould or a cutter that could reach it still can. The limits are maps over y and z:

- only where the named surfaces are the frontmost ones is anything moved;
- outside keep-outs (drivers with their clearance, screws, gaskets, the edge of what moves) the
  share of the largest height A that is free grows over a length :math:`t = \sqrt{A R} / 2`, R
  the smallest radius. That is faster than R allows (two arcs on a plane take four times as long,
  on a wall of 50 degrees twice): there the curvature itself holds the height back
  (`displacement`);
- inwards no further than the material allows, but for the least wall.

"Smallest radius" is that of the finished surface, wherever the surface keeps it before; where
that is tighter itself, at its own lips and edges, carving makes it no tighter (`curvature`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import ndimage

from bafflelens.base.conventions import BoolArray, FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.job.search_sections import CarveSection
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.run.carving.curvature import Bends
from bafflelens.run.carving.front import STEP_M, front_of

_MM: Final = 1e-3
_TAPER: Final = 0.5  # over which a height is let in, in sqrt(height x radius)
_TWO_ARCS: Final = 2.0  # what it takes to come and go on a plane, in the same
_SMOOTHING: Final = 2 / 3  # length of a bump, in the same
_BLUR_STEPS: Final = 0.75  # smooths where two keep-outs meet
_EASED_STEPS: Final = 3.0  # smooths where the material gets thinner
_BLUR_REACH: Final = 2.0  # in these
_LEAST_SHARE: Final = 0.5  # of the largest height, that the best place must allow
_LEAST_SMOOTHING_M: Final = 0.004
_NOTHING: Final = 1e-12  # of a map: rounding
_FORWARD: Final = 0.5  # cosine between a driver's axis and the reference axis


@dataclass(frozen=True, kw_only=True, eq=False)
class CarvingRoom:
    """Maps of how far the front may be carved; y to the left and z up are those of the body.

    Attributes
    ----------
    y_m, z_m : (n_y,), (n_z,) arrays
        Places, in equal steps.
    share : (n_y, n_z) array
        0 where nothing may move, 1 where all of the height is free.
    outward_m, inward_m : (n_y, n_z) arrays
        Largest heights out and in where the share is 1.
    surface_m : (n_y, n_z) array
        x of the frontmost surface; NaN beside the body.
    bends : Bends
        How that surface slopes and bends, at creases the gentler side; 0 beside the body.
    radius_m : float
        Smallest radius of the finished surface, where that before keeps it.
    smoothing_m : float
        Length over which the slope is smoothed.
    """

    y_m: FloatArray
    z_m: FloatArray
    share: FloatArray
    outward_m: FloatArray
    inward_m: FloatArray
    surface_m: FloatArray
    bends: Bends
    radius_m: float
    smoothing_m: float

    @property
    def step_m(self) -> float:
        """Step of the maps."""
        return float(self.y_m[1] - self.y_m[0])

    def at(self, field: FloatArray, points: FloatArray) -> FloatArray:
        """Return a map at places (n, 2), smooth between its points; 0 outside and among zeros."""
        where = (points - np.array([self.y_m[0], self.z_m[0]])).T / self.step_m
        straight = ndimage.map_coordinates(field, where, order=1, cval=0.0)
        smooth = ndimage.map_coordinates(field, where, order=3, cval=0.0)
        return np.asarray(np.where(np.abs(straight) < _NOTHING, 0.0, smooth))


def room_to_carve(
    whole: Mesh, surfaces: Sequence[str], motions: Sequence[SourceMotion], section: CarveSection
) -> CarvingRoom:
    """Return how far a shape may be carved.

    Parameters
    ----------
    whole : Mesh
        The shape, both halves.
    surfaces : sequence of str
        Names of the surfaces that may move.
    motions : sequence of SourceMotion
        The drivers.
    section : CarveSection
        The limits.

    Raises
    ------
    InputError
        If nothing is left that could move, or the smallest radius needs more room than there is.
    """
    low, high = whole.vertices.min(axis=0)[1:], whole.vertices.max(axis=0)[1:]
    half_width = max(-low[0], high[0]) + 2 * STEP_M
    count = int(np.ceil(half_width / STEP_M))
    y: FloatArray = STEP_M * np.arange(-count, count + 1, dtype=float)
    rows = int(np.ceil((high[1] - low[1]) / STEP_M)) + 5
    z: FloatArray = low[1] + STEP_M * np.arange(-2, rows - 2, dtype=float)
    driven = [name for m in motions for name in (*m.piston_surfaces, *m.taper_surfaces)]
    front = front_of(whole, np.isin(whole.surface, surfaces), np.isin(whole.surface, driven), y, z)
    kept_out = _kept_out(motions, section, y, z)
    movable = front.is_named & ~kept_out
    if not movable.any():
        what = f"keep-outs of [carve] on {', '.join(surfaces)}"
        rule = "smaller than the surfaces that may move: nothing is left to carve"
        raise InputError(invalid(what, _described(section), rule))
    outward = np.full(movable.shape, section.outward_mm * _MM)
    inward = np.full(movable.shape, section.inward_mm * _MM)
    depth = front.thickness_m
    if section.material_mm is not None:
        depth = np.minimum(depth, section.material_mm * _MM)
    inward = np.clip(np.minimum(inward, depth - section.wall_mm * _MM), 0.0, None)
    height = max(float(outward.max()), float(inward[movable].max(initial=0.0)))
    radius = section.radius_mm * _MM
    bump = float(np.sqrt(height * radius))
    known, edge = front.is_named | front.is_driven, section.edge_mm * _MM
    share = _share(known, kept_out, edge, _TAPER * bump)
    share *= ndimage.binary_erosion(front.is_named)
    if height <= 0 or _share(known, kept_out, edge, _TWO_ARCS * bump).max() < _LEAST_SHARE:
        widest = 2e3 * STEP_M * float(ndimage.distance_transform_edt(movable).max())
        rule = (
            f"such that a height of {1e3 * height:g} mm can come and go: it takes "
            f"{2e3 * _TWO_ARCS * bump:.0f} mm, and the widest free place has {widest:.0f} mm"
        )
        raise InputError(invalid("limits of [carve]", _described(section), rule))
    if section.mirror:
        share, inward = _mirrored(share), _mirrored(inward)
    return CarvingRoom(
        y_m=y,
        z_m=z,
        share=share,
        outward_m=outward,
        inward_m=_eased(inward),
        surface_m=front.surface_m,
        bends=front.bends,
        radius_m=radius,
        smoothing_m=max(_SMOOTHING * bump, _LEAST_SMOOTHING_M),
    )


def _described(section: CarveSection) -> str:
    return (
        f"radius_mm = {section.radius_mm:g}, outward_mm = {section.outward_mm:g}, inward_mm = "
        f"{section.inward_mm:g}, edge_mm = {section.edge_mm:g}, wall_mm = {section.wall_mm:g}"
    )


def _mirrored(field: FloatArray) -> FloatArray:
    return np.minimum(field, field[::-1])


def _eased(inward: FloatArray) -> FloatArray:
    """Return the depth so that no step of the material shows on the surface; never deeper."""
    reach = int(_BLUR_REACH * _EASED_STEPS + 0.5)
    least = ndimage.minimum_filter(inward, size=2 * reach + 1)
    smooth = ndimage.gaussian_filter(least, _EASED_STEPS, radius=reach)
    return np.asarray(np.minimum(smooth, inward))


def _kept_out(
    motions: Sequence[SourceMotion], section: CarveSection, y: FloatArray, z: FloatArray
) -> BoolArray:
    """Return where drivers, screws, gaskets and what the job names must stay as they are."""
    left, up = np.meshgrid(y, z, indexing="ij")
    found = np.zeros(left.shape, dtype=bool)
    margin = _MM * max(section.driver_mm, section.dome_clearance_mm)
    for motion in motions:
        if motion.axis[0] > _FORWARD:
            distance = np.hypot(left - motion.centre[1], up - motion.centre[2])
            found |= distance <= motion.outer_radius_m + margin
    for middle_y, middle_z, diameter in section.screws_mm:
        found |= np.hypot(left - middle_y * _MM, up - middle_z * _MM) <= 0.5 * diameter * _MM
    for y_one, z_one, y_other, z_other in section.boxes_mm:
        (y_low, y_high), (z_low, z_high) = sorted((y_one, y_other)), sorted((z_one, z_other))
        found |= (
            (left >= y_low * _MM)
            & (left <= y_high * _MM)
            & (up >= z_low * _MM)
            & (up <= z_high * _MM)
        )
    if section.reach_mm is not None:
        found |= np.hypot(left, up) >= section.reach_mm * _MM
    return found


def _share(is_named: BoolArray, kept_out: BoolArray, edge_m: float, taper_m: float) -> FloatArray:
    """Return the share of the height that is free: two arcs from every keep-out on."""
    inset = _BLUR_REACH * _BLUR_STEPS * STEP_M
    found = np.ones(is_named.shape)
    for is_free, margin in ((is_named, edge_m), (~kept_out, 0.0)):
        # What lies beside the map is no place that moves.
        distance = STEP_M * ndimage.distance_transform_edt(np.pad(is_free, 1))[1:-1, 1:-1]
        way = np.clip((distance - STEP_M - margin - inset) / taper_m, 0.0, 1.0)
        found *= np.where(way < 0.5, 2 * way**2, 1 - 2 * (1 - way) ** 2)
    return np.asarray(ndimage.gaussian_filter(found, _BLUR_STEPS, truncate=_BLUR_REACH))
