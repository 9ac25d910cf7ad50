# SPDX-License-Identifier: GPL-3.0-or-later
"""Names of the faces of a solid in gmsh's geometry kernel, and in the STEP file of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import MeshingError, invalid
from bafflelens.handoff.face_nets import FaceNet, nets_of
from bafflelens.shapes.cad.step_file import read_step_text
from bafflelens.shapes.cad.step_names import with_face_names
from bafflelens.shapes.cad.step_solid import MM, corners_of, matching_names


def named_points(model: Any, symmetry: Sequence[str]) -> list[tuple[FloatArray, str]]:
    """Return the faces' places and names before the halves are united, mirror images too."""
    found = []
    for _, group in model.getPhysicalGroups(2):
        name = str(model.getPhysicalName(2, group))
        faces = [int(face) for face in model.getEntitiesForPhysicalGroup(2, group)]
        for net in nets_of(model, faces).values():
            points = net.points
            for plane in symmetry:
                image = points.copy()
                image[:, "xyz".index(plane)] *= -1
                points = np.concatenate((points, image))
            found.append((points, name))
    return found


def face_names(
    nets: Mapping[int, FaceNet], named: Sequence[tuple[FloatArray, str]]
) -> dict[int, str]:
    """Return the name of each face of the united solid: that of the nearest named point."""
    tree = cKDTree(np.concatenate([points for points, _ in named]))
    owner = np.concatenate([np.full(len(points), n) for n, (points, _) in enumerate(named)])
    names = {}
    for face, net in nets.items():
        _, nearest = tree.query(net.points)
        counts = np.bincount(owner[nearest], minlength=len(named))
        names[face] = named[int(counts.argmax())][1]
    return names


def write_names(model: Any, step: Path, faces: Sequence[int], names: Mapping[int, str]) -> None:
    """Write the names of the faces into the file, each found again by its corners.

    Raises
    ------
    MeshingError
        If it is not in millimetres, or its faces are not those of the solid.
    """
    read = read_step_text(step)
    if read.unit_m != MM:
        rule = "millimetres"
        raise MeshingError(invalid("unit of the STEP file", f"{read.unit_m:g} m", rule))
    records = read.faces
    written = matching_names(
        [[[MM * value for value in corner] for corner in record.corners] for record in records],
        [corners_of(model, face) for face in faces],
        [names[face] for face in faces],
    )
    if written is None:
        rule = "one whose faces have the corners of the solid's"
        raise MeshingError(invalid("STEP file", f"{len(records)} faces", rule))
    text = with_face_names(step.read_text("latin-1"), written)
    step.write_text(text, "latin-1")
