# SPDX-License-Identifier: GPL-3.0-or-later
"""The faces of a STEP file, for whoever writes its declaration.

gmsh reads the file in a process of its own (``python -m`` with a folder), which finds
``request.json`` there and leaves ``faces.json``, or ``fault.json`` with one line.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from bafflelens.base import child_process
from bafflelens.base.errors import GeometryError, invalid
from bafflelens.shapes.cad.step_solid import Face, list_faces
from bafflelens.shapes.meshing import gmsh_process

_TIME_LIMIT_S: Final = 120.0


def faces_of_file(step: Path) -> tuple[str, tuple[Face, ...]]:
    """Return size and unit of the solid in a STEP file, in words, and its faces.

    Parameters
    ----------
    step : Path
        The file.

    Raises
    ------
    GeometryError
        If the file holds not exactly one solid of a plausible size.
    """
    with tempfile.TemporaryDirectory(prefix="bafflelens_faces_") as name:
        folder = Path(name)
        (folder / "request.json").write_text(json.dumps({"step": str(step.absolute())}))
        ended = child_process.run_module("bafflelens.shapes.cad.step_faces", folder, _TIME_LIMIT_S)
        if ended:
            rule = f"one that gmsh can read; it ended with {ended}"
            fault = gmsh_process.fault_left(folder, invalid("STEP file", step, rule))
            raise GeometryError(fault.splitlines())
        found = json.loads((folder / "faces.json").read_text())
    return str(found["size"]), tuple(_face(entry) for entry in found["faces"])


def _face(entry: dict[str, Any]) -> Face:
    x, y, z = entry.pop("point_mm")
    return Face(**entry, point_mm=(x, y, z))


def main(folder: Path) -> int:
    """Do what ``request.json`` in a folder asks for; return the exit code."""

    def work(gmsh: Any, request: Mapping[str, Any]) -> None:
        gmsh_process.start_gmsh(gmsh)
        size, faces = list_faces(gmsh.model, Path(request["step"]))
        found = {"size": size, "faces": [asdict(face) for face in faces]}
        (folder / "faces.json").write_text(json.dumps(found))

    return gmsh_process.do_request(folder, work)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
