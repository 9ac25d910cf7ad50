# SPDX-License-Identifier: GPL-3.0-or-later
"""A carved solid as the text of a STEP file: its moved faces and edges as B-splines.

Every face, edge and corner keeps its number and its neighbours; only what lies below those that
moved is exchanged. So faces that met in an edge meet in the moved edge, creases stay creases, the
solid stays closed without sewing, and what was not moved is to the letter what it was. A wall
along the reference axis moves within itself: it keeps its surface, and only its edges change.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bafflelens.base.errors import MeshingError, invalid
from bafflelens.handoff.carved_edges import move_edges
from bafflelens.handoff.carved_face import face_patch
from bafflelens.handoff.carved_height import SmoothHeight
from bafflelens.handoff.step_records import StepRecords
from bafflelens.shapes.cad.step_file import read_step_text
from bafflelens.shapes.cad.step_solid import MM, corners_of, matching_order


@dataclass(frozen=True, kw_only=True)
class CarvedText:
    """What came of moving a solid's faces.

    Attributes
    ----------
    text : str
        The STEP file.
    n_faces : int
        How many faces became B-splines.
    worst_m : float
        Largest distance of these from what they were put on.
    """

    text: str
    n_faces: int
    worst_m: float


def carve_solid(
    gmsh: Any, folder: Path, height: SmoothHeight, names: Mapping[int, str]
) -> CarvedText:
    """Put the carved solid in the place of the one solid of a gmsh model.

    Parameters
    ----------
    gmsh : module
        gmsh, its model in m.
    folder : Path
        Where to write.
    height : SmoothHeight
        By how much each place of the front moves.
    names : mapping of int to str
        Names of the faces; those that have none stay.

    Raises
    ------
    MeshingError
        See `carved_step`; and if the kernel does not read one solid.
    """
    model, occ = gmsh.model, gmsh.model.occ
    path = folder / "carved.step"
    gmsh.write(str(path))
    carved = carved_step(model, path, height, names)
    path.write_text(carved.text, "latin-1")
    model.removePhysicalGroups()
    for dimension in (3, 2, 1, 0):
        occ.remove(occ.getEntities(dimension), recursive=True)
    occ.importShapes(str(path))
    occ.synchronize()
    solids = model.getEntities(3)
    if len(solids) != 1:
        rule = "one solid when its faces are moved"
        raise MeshingError(invalid("carved solid", f"{len(solids)} pieces", rule))
    return carved


def carved_step(
    model: Any, path: Path, height: SmoothHeight, names: Mapping[int, str]
) -> CarvedText:
    """Move the faces of the one solid of a gmsh model.

    Parameters
    ----------
    model : gmsh.model
        The model.
    path : Path
        The solid as STEP file, in mm.
    height : SmoothHeight
        By how much each place of the front moves.
    names : mapping of int to str
        Names of the faces; those that have none stay.

    Raises
    ------
    MeshingError
        If a face that stays would have to follow, or a face cannot be fitted closely enough.
    """
    records = StepRecords(path.read_text("latin-1"))
    faces = _matched_faces(model, path, records)
    records.put_edges_in_space()
    moving = [n for n, face in faces.items() if names.get(face) in height.surfaces]
    move_edges(model, records, faces, moving, height)
    worst_m, n_faces = 0.0, 0
    for number in moving:
        patch = face_patch(model, faces[number], height)
        if patch is not None:
            worst_m, n_faces = max(worst_m, patch.off_m), n_faces + 1
            head, *_ = records.content[number].rsplit(",", 2)
            surface = records.surface(patch.knots, patch.control)
            sense = "T" if patch.is_outward else "F"
            records.content[number] = f"{head},#{surface},.{sense}.)"
    return CarvedText(text=records.file(), n_faces=n_faces, worst_m=worst_m)


def _matched_faces(model: Any, path: Path, records: StepRecords) -> dict[int, int]:
    """Return the face of the model of each face of the file."""
    (solid,) = model.getEntities(3)
    tags = [int(tag) for _, tag in model.getBoundary([solid], oriented=False)]
    numbers = records.faces()
    written = [
        [[MM * value for value in corner] for corner in record.corners]
        for record in read_step_text(path).faces
    ]
    order = matching_order(written, [corners_of(model, tag) for tag in tags])
    if order is None or len(order) != len(numbers):
        rule = "one whose faces can be told apart by their corners"
        raise MeshingError(invalid("solid", f"{len(numbers)} faces", rule))
    return {number: tags[n] for number, n in zip(numbers, order, strict=True)}
