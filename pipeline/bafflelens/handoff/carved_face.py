# SPDX-License-Identifier: GPL-3.0-or-later
"""A face of a carved solid as a B-spline surface through its moved places."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy.interpolate import RectBivariateSpline

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.carved_height import SmoothHeight, require_close
from bafflelens.handoff.step_records import DEGREE

STAYS_M: Final = 1e-7
ALONG: Final = 1e-4  # part of a normal along the axis, of a wall along the axis
_STEPS_M: Final = (0.004, 0.003, 0.002, 0.0015, 0.001)  # between the places that a face is put on
_AIM_M: Final = 3e-6
_MOST_ACROSS: Final = 400
LEAST_ACROSS: Final = 8


@dataclass(frozen=True, eq=False)
class FacePatch:
    """A B-spline surface: its knots, its control points (n, m, 3) in m, how well it fits."""

    knots: tuple[FloatArray, FloatArray]
    control: FloatArray
    is_outward: bool
    off_m: float


def face_patch(model: Any, face: int, height: SmoothHeight) -> FacePatch | None:
    """Return the B-spline of a face that moves; None if it stays on its own surface."""
    bounds = [np.asarray(bound) for bound in model.getParametrizationBounds(2, face)]

    def on_face(u: FloatArray, v: FloatArray) -> FloatArray:
        both = np.stack(np.meshgrid(u, v, indexing="ij"), axis=-1)
        found = model.getValue(2, face, both.ravel().tolist())
        return np.asarray(found).reshape(len(u), len(v), 3)

    def moved(u: FloatArray, v: FloatArray) -> FloatArray:
        points = on_face(u, v)
        return height.moved(points.reshape(-1, 3)).reshape(points.shape)

    u, v = (np.linspace(bounds[0][i], bounds[1][i], 25) for i in range(2))
    rough = on_face(u, v)
    flat = np.stack(np.meshgrid(u, v, indexing="ij"), axis=-1).ravel().tolist()
    normals = np.asarray(model.getNormal(face, flat)).reshape(-1, 3)
    if np.abs(normals[:, 0]).max() < ALONG:
        return None
    if np.abs(height.at(rough.reshape(-1, 3))).max() < STAYS_M:
        finer = moved(*_divided(bounds, rough, _STEPS_M[-1])) - on_face(
            *_divided(bounds, rough, _STEPS_M[-1])
        )
        if np.abs(finer).max() < STAYS_M:
            return None
    best: FacePatch | None = None
    for step_m in _STEPS_M:
        found = _put_on(moved, _divided(bounds, rough, step_m), normals.mean(axis=0))
        if best is None or found.off_m < best.off_m:
            best = found
        if best.off_m <= _AIM_M:
            break
    assert best is not None  # there is at least one step
    require_close("face", best.off_m, tuple(rough.reshape(-1, 3).mean(axis=0)))
    return best


def _divided(
    bounds: Sequence[FloatArray], rough: FloatArray, step_m: float
) -> tuple[FloatArray, FloatArray]:
    """Return parameters in equal steps, a distance apart on the face."""
    found = []
    for axis in range(2):
        ways = np.linalg.norm(np.diff(rough, axis=axis), axis=2).sum(axis=axis)
        count = int(np.clip(ways.max() / step_m, LEAST_ACROSS, _MOST_ACROSS)) + 1
        found.append(np.linspace(bounds[0][axis], bounds[1][axis], count))
    return found[0], found[1]


def _put_on(
    moved: Callable[[FloatArray, FloatArray], FloatArray],
    at: tuple[FloatArray, FloatArray],
    outward: FloatArray,
) -> FacePatch:
    """Return the B-spline through places of a moved face, and how far it is off between them."""
    u, v = at
    places = moved(u, v)
    splines = [
        RectBivariateSpline(u, v, places[:, :, i], kx=DEGREE, ky=DEGREE, s=0) for i in range(3)
    ]
    knots_u, knots_v = splines[0].get_knots()
    size = (len(knots_u) - DEGREE - 1, len(knots_v) - DEGREE - 1)
    control = np.stack([spline.get_coeffs().reshape(size) for spline in splines], axis=-1)
    between = tuple((values[:-1] + values[1:]) / 2 for values in at)
    there = np.stack([spline(*between) for spline in splines], axis=-1)
    along_u, along_v = (
        np.array([float(s(u.mean(), v.mean(), dx=dx, dy=1 - dx)[0, 0]) for s in splines])
        for dx in (1, 0)
    )
    return FacePatch(
        knots=(knots_u, knots_v),
        control=control,
        is_outward=bool(np.cross(along_u, along_v) @ outward > 0),
        off_m=float(np.linalg.norm(there - moved(*between), axis=2).max()),
    )
