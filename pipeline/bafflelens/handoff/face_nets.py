# SPDX-License-Identifier: GPL-3.0-or-later
"""Places spread over the faces of a solid in gmsh's geometry kernel, looked for once a face.

Whether a place lies inside a face costs the kernel a tenth of a millisecond, and names, curvature
and distances are all asked for at the same places.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray

_SAMPLES: Final = 12  # across a face, in each of its two parameters
_SAMPLES_OF_PLANE: Final = 6  # which has no curvature to be found


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
        inside = np.array(
            [model.isInside(2, face, p.tolist(), parametric=True) > 0 for p in parameters]
        )
        if inside.any():
            break
    parameters = parameters[inside] if inside.any() else parameters
    points = np.asarray(model.getValue(2, face, parameters.ravel().tolist())).reshape(-1, 3)
    return FaceNet(points, parameters)
