# SPDX-License-Identifier: GPL-3.0-or-later
"""Edges of a solid in gmsh's geometry kernel, and which of them are only seams."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.cut_sections import CURVE_CHORD_M, sampled

LEAST_TURN_DEG: Final = 15.0
"""Faces that turn by less are no corner: a radius of 3 mm is 0.03 mm off them at most."""
ON_MIRROR_M: Final = 1e-6
"""Nearer than that to a plane of symmetry is on it."""
_SMOOTH: Final = math.cos(math.radians(2))


def edges_of(
    model: Any, faces: Sequence[int], symmetry: Sequence[str]
) -> Iterator[dict[str, Any]]:
    """Yield each edge once: its points, and whether its faces meet in it without a bend.

    Where two planes do, or a face and its mirror image, it is no edge at all but only a seam.
    """
    owners: dict[int, list[int]] = {}
    for face in faces:
        for _, curve in model.getBoundary([(2, face)], combined=False, oriented=False):
            owners.setdefault(abs(int(curve)), []).append(face)
    for curve, beside in sorted(owners.items()):
        line = sampled(model, curve, 20 * CURVE_CHORD_M)
        is_smooth = _is_smooth(model, line, beside)
        columns = ["xyz".index(plane) for plane in symmetry]
        is_seam = all(model.getType(2, face) == "Plane" for face in beside) or any(
            bool(np.all(np.abs(line[:, column]) < ON_MIRROR_M)) for column in columns
        )
        if is_smooth and is_seam:
            continue
        yield {"points": line.tolist(), "smooth": is_smooth}


def _is_smooth(model: Any, line: FloatArray, beside: Sequence[int]) -> bool:
    """Tell whether the faces at a curve have the same tangent plane half way along it."""
    if len(set(beside)) == 1:
        return True  # where a face is closed onto itself
    middle = line[len(line) // 2] if len(line) > 2 else line.mean(axis=0)
    normals = []
    for face in beside:
        at = model.getParametrization(2, face, middle.tolist())
        normals.append(np.asarray(model.getNormal(face, at)))
    return bool(abs(normals[0] @ normals[-1]) > _SMOOTH)
