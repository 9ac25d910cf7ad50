# SPDX-License-Identifier: GPL-3.0-or-later
"""Places spread over the faces of a solid in gmsh's geometry kernel, looked for once a face.

Whether a place lies inside a face costs the kernel a tenth of a millisecond, and names, curvature
and distances are all asked for at the same places. So it is asked only near the outline of the
face: elsewhere the outline itself tells, drawn in the face's parameters.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import BoolArray, FloatArray

_SAMPLES: Final = 12  # across a face, in each of its two parameters
_SAMPLES_OF_PLANE: Final = 6  # which has no curvature to be found
_ALONG: Final = 33  # places along each curve of an outline
_MEETS: Final = 1e-6  # of a face's span: how exactly curves of an outline meet
_NEAR: Final = 2e-3  # of a face's span from its outline, where the kernel is asked
_SAGS: Final = 8  # times as far as a chord of the outline is off its curve, too


@dataclass(frozen=True)
class FaceNet:
    """Places inside a face.

    Attributes
    ----------
    points : (n, 3) array
        The places, in the kernel's unit.
    parameters : (n, 2) array
        Their parameters on the face.
    """

    points: FloatArray
    parameters: FloatArray


def nets_of(model: Any, faces: Iterable[int]) -> dict[int, FaceNet]:
    """Return the places inside each face, in the order of the faces."""
    return {face: _net(model, face) for face in dict.fromkeys(faces)}


def _net(model: Any, face: int) -> FaceNet:
    low, high = (np.asarray(bound) for bound in model.getParametrizationBounds(2, face))
    across = _SAMPLES_OF_PLANE if model.getType(2, face) == "Plane" else _SAMPLES
    for samples in (across, 5 * _SAMPLES):
        share = (np.arange(samples) + 0.5) / samples
        u, v = np.meshgrid(*(low[i] + share * (high[i] - low[i]) for i in range(2)))
        parameters = np.column_stack((u.ravel(), v.ravel()))
        inside = inside_face(model, face, parameters)
        if inside.any():
            break
    parameters = parameters[inside] if inside.any() else parameters
    points = np.asarray(model.getValue(2, face, parameters.ravel().tolist())).reshape(-1, 3)
    return FaceNet(points, parameters)


def inside_face(model: Any, face: int, parameters: FloatArray) -> BoolArray:
    """Return which places, (n, 2) in its parameters, lie inside a face."""
    inside = np.zeros(len(parameters), dtype=bool)
    unsure = np.ones(len(parameters), dtype=bool)
    outline = _outline(model, face)
    if outline is not None:
        start, end, near = outline
        low, high = (np.asarray(bound) for bound in model.getParametrizationBounds(2, face))
        places = (parameters - low) / (high - low)
        inside, unsure = _crossed(places, start, end), _away(places, start, end) < near
    for number in np.flatnonzero(unsure).tolist():
        place = parameters[number].tolist()
        inside[number] = model.isInside(2, face, place, parametric=True) > 0
    return inside


def _outline(model: Any, face: int) -> tuple[FloatArray, FloatArray, float] | None:
    """Return chords of a face's outline, by shares of its span, and how near to them is unsure.

    None where the curves do not close in its parameters: about a seam or a pole.
    """
    low, high = (np.asarray(bound) for bound in model.getParametrizationBounds(2, face))
    curves = [abs(int(tag)) for _, tag in model.getBoundary([(2, face)], oriented=False)]
    if len(set(curves)) < len(curves) or not (high > low).all():
        return None
    lines = []
    for curve in curves:
        first, last = (float(bound[0]) for bound in model.getParametrizationBounds(1, curve))
        at = np.linspace(first, last, _ALONG).tolist()
        line = np.reshape(model.reparametrizeOnSurface(1, curve, at, face), (-1, 2))
        line = (line - low) / (high - low)
        lines.append(line[[0, -1]] if _is_straight(line) else line)
    ends = np.array([line[end] for line in lines for end in (0, -1)]).reshape(-1, 2)
    meets = (np.abs(ends[:, None] - ends) < _MEETS).all(axis=2)
    if not len(ends) or (meets.sum(axis=1) != 2).any():
        return None
    bent = [line for line in lines if len(line) > 2]
    sags = [np.abs(line[1:-1:2] - (line[:-2:2] + line[2::2]) / 2).max() for line in bent]
    start = np.concatenate([line[:-1] for line in lines])
    end = np.concatenate([line[1:] for line in lines])
    return start, end, _NEAR + _SAGS * float(max(sags, default=0.0))


def _is_straight(line: FloatArray) -> bool:
    """Tell whether places, (n, 2), lie on the chord between the first and the last."""
    along, off = line[-1] - line[0], line - line[0]
    long = float(np.linalg.norm(along))
    if long < _MEETS:
        return False  # closed
    share = off @ along / long**2
    across = np.abs(along[0] * off[:, 1] - along[1] * off[:, 0]) / long
    return bool(across.max() < _MEETS and share.min() > -_MEETS and share.max() < 1 + _MEETS)


def _crossed(points: FloatArray, start: FloatArray, end: FloatArray) -> BoolArray:
    """Return which points are inside closed lines: a ray crosses them an odd number of times."""
    x, y = points[:, 0, None], points[:, 1, None]
    beside = (start[:, 1] > y) != (end[:, 1] > y)
    rise = np.where(start[:, 1] == end[:, 1], 1.0, end[:, 1] - start[:, 1])
    crossing = start[:, 0] + (y - start[:, 1]) / rise * (end[:, 0] - start[:, 0])
    return np.asarray((beside & (x < crossing)).sum(axis=1) % 2 == 1)


def _away(points: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """Return how far points are from the nearest of some chords."""
    along = end - start
    square = np.maximum((along**2).sum(axis=1), 1e-30)
    off = points[:, None] - start
    share = np.clip((off * along).sum(axis=2) / square, 0.0, 1.0)
    return np.asarray(np.linalg.norm(off - share[:, :, None] * along, axis=2).min(axis=1))
