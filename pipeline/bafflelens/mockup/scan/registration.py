# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a scan lies: its pose in the reference frame, from the nominal shape or from marks.

The pose is searched from many starting orientations with few points, and the best ones are
refined by the iterated closest-point method with distances to the tangent plane and weights
that let go of what does not fit (Chen and Medioni 1992; Tukey's biweight). What the scan does not
show costs nothing, so that a scan of the front alone finds its place.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial.transform import Rotation

from bafflelens.base.closest_point import Searchable, closest, searchable
from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import GeometryError, invalid
from bafflelens.base.progress import Advance
from bafflelens.mesh.mesh import Mesh
from bafflelens.mockup.scan.repair import Scan

_FEW, _SOME, _MANY = 250, 1500, 12_000  # points of a search, of a choice, of the last word
_UNIFORM_STARTS: Final = 72
_SEMIFINALISTS: Final = 24
_FINALISTS: Final = 6
_REACH_M: Final = 0.1  # from a guessed pose nothing farther is looked for
_CAP_M: Final = 0.03  # a point counts as off by at most this much
_FITS_M: Final = 0.003  # mean distance of a scan of this shape, carved a little
_LIKELY_M: Final = 0.0004  # worse than this, a mirror image is thought of
_DISTINCT_DEG: Final = 5.0
_SEED: Final = 1


@dataclass(frozen=True, kw_only=True)
class Pose:
    """Where the scan lies, and how well it fits there.

    Attributes
    ----------
    rotation : (3, 3) array
        From the scan's frame to the reference frame, applied first.
    shift : (3,) array
        Applied second, in m.
    score_m : float
        Mean distance from the nominal shape, with single points capped, in m.
    median_m, rms_m : float
        Median and root mean square of the distances from the nominal shape's tangent planes, in
        m; the latter without what deviates by more than three times the usual.
    kept_share : float
        Share of the points that the latter counts.
    """

    rotation: FloatArray
    shift: FloatArray
    score_m: float
    median_m: float
    rms_m: float
    kept_share: float

    def applied_to(self, points: FloatArray) -> FloatArray:
        """Return points of the scan's frame in the reference frame, in m."""
        return np.asarray(points @ self.rotation.T + self.shift)


def register(scan: Scan, nominal: Mesh, advance: Advance) -> Pose:
    """Find the pose in which the scan fits its nominal shape best.

    Parameters
    ----------
    scan : Scan
        The scan, in any pose, facing outwards.
    nominal : Mesh
        The nominal shape, both halves.
    advance : Advance
        Told of progress; the whole is 1.

    Raises
    ------
    GeometryError
        If it fits nowhere, fits as a mirror image only, or fits equally well in several poses.
    """
    surface = searchable(nominal.vertices, nominal.triangles)
    best, rival = _search(scan, surface, nominal)
    advance(0.5)
    if best.score_m > _LIKELY_M:
        _require_not_mirrored(scan, surface, nominal, best)
    if best.score_m > _FITS_M:
        value = f"{best.score_m * 1e3:.1f} mm off the nominal shape on average, in its best pose"
        rule = (
            f"within {_FITS_M * 1e3:g} mm, else it is another shape: check the candidate, or tell "
            "the pose by marks"
        )
        raise GeometryError(invalid("scan", value, rule))
    if rival is not None and rival.score_m < 1.1 * best.score_m + 5e-5:
        apart = _angle_deg(best.rotation, rival.rotation)
        value = (
            f"two poses {apart:.0f} degrees apart that fit within {best.score_m * 1e3:.2f} and "
            f"{rival.score_m * 1e3:.2f} mm"
        )
        raise GeometryError(invalid("registration", value, "unique; tell the pose by three marks"))
    pose = refined(best, scan, nominal)
    advance(0.5)
    return pose


def refined(pose: Pose, scan: Scan, nominal: Mesh) -> Pose:
    """Return a pose near the given one that fits best, from many points."""
    surface = searchable(nominal.vertices, nominal.triangles)
    points, normals = _sampled(scan, _MANY)
    return _iterated(pose, surface, points, normals, rounds=40)


def pose_from_marks(
    marks: Sequence[tuple[FloatArray, FloatArray]], scan: Scan, nominal: Mesh
) -> Pose:
    """Return the pose that brings marks on the scan onto their nominal places.

    Parameters
    ----------
    marks : sequence of pairs of (3,) arrays
        Place on the scan, in its own frame, and nominal place; both in m.
    scan, nominal
        As for `register`; they only say how well it fits.
    """
    found, wanted = (np.array([mark[i] for mark in marks]) for i in range(2))
    rotation, shift = _kabsch(found, wanted, np.ones(len(marks)))
    surface = searchable(nominal.vertices, nominal.triangles)
    points, normals = _sampled(scan, _MANY)
    return _judged(rotation, shift, surface, points, normals)


# ----------------------------------------------------------------------------- the search


def _search(scan: Scan, surface: Searchable, nominal: Mesh) -> tuple[Pose, Pose | None]:
    """Return the best pose, and the best of those that are turned against it."""
    points, normals = _sampled(scan, _FEW)
    starts = [
        _approached(rotation, surface, nominal, points, normals)
        for rotation in _starting_rotations(scan, nominal)
    ]
    starts.sort(key=lambda pose: pose.score_m)
    starts = [
        _iterated(pose, surface, points, normals, rounds=6) for pose in starts[:_SEMIFINALISTS]
    ]
    starts.sort(key=lambda pose: pose.score_m)
    points, normals = _sampled(scan, _SOME)
    finalists: list[Pose] = []
    for pose in starts:
        if len(finalists) == _FINALISTS:
            break
        if all(_angle_deg(pose.rotation, other.rotation) > 10.0 for other in finalists):
            finalists.append(pose)
    finalists = [_iterated(pose, surface, points, normals, rounds=25) for pose in finalists]
    finalists.sort(key=lambda pose: pose.score_m)
    best = finalists[0]
    for other in finalists[1:]:
        if _angle_deg(best.rotation, other.rotation) > _DISTINCT_DEG:
            return best, other
    return best, None


def _starting_rotations(scan: Scan, nominal: Mesh) -> list[FloatArray]:
    """Return the turns that bring main axes onto main axes, and others spread evenly."""
    frames = []
    for corners in (scan.corners, nominal.corners):
        area = np.linalg.norm(
            np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
        )
        middle = corners.mean(axis=1)
        centred = middle - np.average(middle, axis=0, weights=area)
        frames.append(np.linalg.eigh((centred * area[:, None]).T @ centred)[1])
    turns = []
    for order in itertools.permutations(range(3)):
        for signs in itertools.product((1, -1), repeat=3):
            turn = np.zeros((3, 3))
            turn[range(3), order] = signs
            rotation = frames[1] @ turn @ frames[0].T
            if np.linalg.det(rotation) > 0:
                turns.append(rotation)
    from scipy.stats import qmc  # slow to load, and most read this module for poses alone

    # Evenly spread unit quaternions (Shoemake 1992).
    u, v, w = qmc.Halton(3, scramble=False).random(_UNIFORM_STARTS).T
    quaternions = np.stack(
        (
            np.sqrt(1 - u) * np.sin(2 * np.pi * v),
            np.sqrt(1 - u) * np.cos(2 * np.pi * v),
            np.sqrt(u) * np.sin(2 * np.pi * w),
            np.sqrt(u) * np.cos(2 * np.pi * w),
        ),
        axis=1,
    )
    return turns + list(Rotation.from_quat(quaternions).as_matrix())


def _approached(
    rotation: FloatArray,
    surface: Searchable,
    nominal: Mesh,
    points: FloatArray,
    normals: FloatArray,
) -> Pose:
    """Return where a few rounds lead from a starting rotation."""
    # An open scan looks one way; its middle belongs on the part of the shape that looks so too.
    outlook = rotation @ normals.mean(axis=0)
    weight = nominal.areas.copy()
    if np.linalg.norm(outlook) > 0.15:
        weight *= nominal.normals @ outlook > 0.0
    middle = np.average(nominal.centroids, axis=0, weights=weight)
    shift = middle - rotation @ points.mean(axis=0)
    for _ in range(5):
        placed = points @ rotation.T + shift
        feet = closest(surface, placed, normals @ rotation.T, farthest_m=_REACH_M)
        weight = np.where(np.isfinite(feet.distance), 1.0, 0.0)
        if weight.sum() < 10:
            break
        rotation, shift = _kabsch(points, feet.points, weight)
    return _judged(rotation, shift, surface, points, normals)


def _iterated(
    pose: Pose,
    surface: Searchable,
    points: FloatArray,
    normals: FloatArray,
    *,
    rounds: int,
) -> Pose:
    """Return the pose after rounds of least squares of distances from tangent planes."""
    rotation, shift = pose.rotation, pose.shift
    for _ in range(rounds):
        placed = points @ rotation.T + shift
        feet = closest(surface, placed, normals @ rotation.T, farthest_m=_CAP_M)
        fits = np.isfinite(feet.distance)
        if fits.sum() < 10:
            break
        off = ((placed - feet.points) * feet.normals).sum(axis=1)
        weight = np.where(fits, _tukey(off, fits), 0.0)
        centre = placed.mean(axis=0)
        rows = np.concatenate((np.cross(placed - centre, feet.normals), feet.normals), axis=1)
        weighted = rows * weight[:, None]
        # The small ridge holds what the points do not determine: a plane may slide in itself.
        normal_matrix = weighted.T @ rows
        ridge = 1e-9 * np.trace(normal_matrix) / 6 * np.eye(6)
        step = np.linalg.solve(normal_matrix + ridge, -weighted.T @ off)
        turn = Rotation.from_rotvec(step[:3]).as_matrix()
        rotation, shift = turn @ rotation, turn @ (shift - centre) + centre + step[3:]
        if np.abs(step[:3]).max() < 2e-6 and np.abs(step[3:]).max() < 5e-7:
            break
    return _judged(rotation, shift, surface, points, normals)


def _judged(
    rotation: FloatArray,
    shift: FloatArray,
    surface: Searchable,
    points: FloatArray,
    normals: FloatArray,
) -> Pose:
    placed = points @ rotation.T + shift
    feet = closest(surface, placed, normals @ rotation.T, farthest_m=_CAP_M)
    fits = np.isfinite(feet.distance)
    off = np.abs(((placed - feet.points) * feet.normals).sum(axis=1))
    capped = np.where(fits, np.minimum(feet.distance, _CAP_M), _CAP_M)
    usual = float(np.median(np.where(fits, off, _CAP_M)))
    kept = fits & (off <= 3 * 1.4826 * usual + 1e-6)
    return Pose(
        rotation=rotation,
        shift=shift,
        score_m=float(capped.mean()),
        median_m=float(np.median(capped)),
        rms_m=float(np.sqrt(np.mean(off[kept] ** 2))) if kept.any() else float("inf"),
        kept_share=float(kept.mean()),
    )


def _tukey(off: FloatArray, fits: np.ndarray) -> FloatArray:
    scale = 1.4826 * float(np.median(np.abs(off[fits])))
    reach = max(4.7 * scale, 2e-4)
    return np.asarray(np.clip(1 - (off / reach) ** 2, 0.0, 1.0) ** 2)


def _kabsch(
    points: FloatArray, targets: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the rotation and shift that bring points onto targets (Kabsch 1976)."""
    from_middle = np.average(points, axis=0, weights=weight)
    to_middle = np.average(targets, axis=0, weights=weight)
    moment = ((points - from_middle) * weight[:, None]).T @ (targets - to_middle)
    u, _, vt = np.linalg.svd(moment)
    sign = np.sign(np.linalg.det(vt.T @ u.T))
    rotation = vt.T @ np.diag((1.0, 1.0, sign)) @ u.T
    return rotation, to_middle - rotation @ from_middle


def _sampled(scan: Scan, n_points: int) -> tuple[FloatArray, FloatArray]:
    """Return points spread over the scan by area, and normals there."""
    corners = scan.corners
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(cross, axis=1)
    # Evenly through the running sum of areas: every part of the surface is drawn.
    places = (np.arange(n_points) + 0.5) / n_points * area.sum()
    chosen = np.minimum(np.searchsorted(np.cumsum(area), places), len(area) - 1)
    share = np.random.default_rng(_SEED).dirichlet(np.ones(3), n_points)
    points = np.einsum("nc,ncj->nj", share, corners[chosen])
    normals = np.einsum("nc,ncj->nj", share, scan.vertex_normals[scan.triangles[chosen]])
    return points, normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)


def _angle_deg(one: FloatArray, other: FloatArray) -> float:
    return float(np.degrees(Rotation.from_matrix(one.T @ other).magnitude()))


def _require_not_mirrored(scan: Scan, surface: Searchable, nominal: Mesh, best: Pose) -> None:
    """Raise if the scan's mirror image fits much better than the scan."""
    image, _ = _search(scan.mirrored(), surface, nominal)
    if image.score_m < 0.6 * best.score_m:
        value = "a mirror image"
        rule = (
            "the clay itself: as it is, it lies "
            f"{best.score_m * 1e3:.2f} mm off the nominal shape on average, mirrored only "
            f"{image.score_m * 1e3:.2f} mm; undo the mirroring in the scanner's program"
        )
        raise GeometryError(invalid("scan", value, rule))
