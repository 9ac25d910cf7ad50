# SPDX-License-Identifier: GPL-3.0-or-later
"""A solid exported by a process of its own: begun, and fetched in two parts.

The analysed body is there before the part that is cut from it, so that what needs the body alone
need not wait.
"""

from __future__ import annotations

import contextlib
import json
import re
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from bafflelens.base import ready_process
from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import MeshingError, invalid
from bafflelens.handoff.part_pieces import PartPiece
from bafflelens.handoff.solid import MadePiece, Rounded, Section, SmoothFit, Solid, SolidEdge
from bafflelens.mesh.mesh import Mesh
from bafflelens.shapes.cad.step_names import step_string, with_product
from bafflelens.shapes.meshing import gmsh_process
from bafflelens.shapes.meshing.moving_parts import source_motions
from bafflelens.shapes.meshing.parameters import Shape

FOUND: Final = "found.json"
"""What the exporter found of the body, in its folder as soon as all of the body is."""
PART: Final = "part.json"
"""What it found of the part, in its folder when it has ended."""

_BEHIND_M: Final = 0.03  # of a template, behind the deepest place of the front
_LOOK_S: Final = 0.02  # how often is looked whether the body is there
_HEADER: Final = re.compile(r"HEADER;.*?ENDSEC;", re.DOTALL)


class SolidBegun:
    """A solid that a process of its own exports; `begin_solid` returns it.

    Parameters
    ----------
    folder : Path
        Of the process.
    exporting : Future
        Ends with the process, and says how it ended.
    shape : str
        What is exported, for what is said if it cannot be.
    name, revision, stamp : str
        For the headers of its files.
    """

    def __init__(
        self,
        folder: Path,
        exporting: Future[str],
        *,
        shape: str,
        name: str,
        revision: str,
        stamp: str,
    ) -> None:
        self._folder, self._exporting, self._shape = folder, exporting, shape
        self._name, self._header = name, (revision, stamp)

    def body(self) -> Solid:
        """Wait for the analysed body and return it; its part may not be made yet.

        Raises
        ------
        MeshingError
            If it cannot be built as one closed solid, the file is not in millimetres, or smooth
            faces are too far from what was carved.
        """
        while not (self._folder / FOUND).exists():
            try:
                self._require(self._exporting.result(timeout=_LOOK_S))
                break
            except TimeoutError:
                continue
        return _body(self._folder, self._name, *self._header)

    def whole(self, body: Solid) -> Solid:
        """Wait for the part as well and return all of it.

        Raises
        ------
        MeshingError
            If the part cannot be cut.
        """
        self._require(self._exporting.result())
        found = json.loads((self._folder / PART).read_text())
        pieces = tuple(
            _piece(self._folder, entry, f"{self._name}_{entry['name']}", *self._header)
            for entry in found["pieces"]
        )
        return replace(
            body, pieces=pieces, rounded=_rounded(found["corners"]) if found["corners"] else None
        )

    def _require(self, ended: str) -> None:
        """Raise if the process has ended badly."""
        if ended:
            raise MeshingError(_fault(self._folder, self._shape, ended))


def export_solid(shape: Shape, values: Mapping[str, float], **asked: Any) -> Solid:
    """Build a shape once more, export it and return it; arguments are those of `begin_solid`.

    Raises
    ------
    MeshingError
        As `SolidBegun.body` and `SolidBegun.whole`.
    """
    with begin_solid(shape, values, **asked) as begun:
        return begun.whole(begun.body())


@contextlib.contextmanager
def begin_solid(
    shape: Shape,
    values: Mapping[str, float],
    *,
    name: str,
    revision: str = "",
    stamp: str,
    chord_mm: float,
    spacing_mm: float,
    fan_step_deg: float,
    time_limit_s: float,
    deviation: Path | None = None,
    pieces: Sequence[PartPiece] = (),
    round_mm: float = 0.0,
) -> Iterator[SolidBegun]:
    """Begin to build a shape once more and to export it, in a process of its own.

    Parameters
    ----------
    shape : Shape
        The shape.
    values : mapping of str to float
        Its parameters.
    name : str
        Of the product in the file, and of its body.
    revision : str
        The product's version in the file.
    stamp : str
        Date of the header, ISO 8601.
    chord_mm : float
        Largest distance of the mesh for printing from the solid.
    spacing_mm : float
        Between stations.
    fan_step_deg : float
        Between the planes through the axis.
    time_limit_s : float
        Time for all of it.
    deviation : Path, optional
        File of how far its front was carved (`mesh_morph.SurfaceDeviation`). The planes of
        symmetry of `shape` are then those of what was carved.
    pieces : sequence of PartPiece
        What is cut from it.
    round_mm : float
        Radius of what is cut in sharp inner corners; 0 to leave them sharp. Those of a carved
        front stay sharp.

    Yields
    ------
    SolidBegun
        What waits for it. Its files are removed, and its process is waited for, at the end.
    """
    motions = source_motions(shape, values)
    request = {
        "script": str(shape.script.resolve()),
        "values": {key: float(value) for key, value in values.items()},
        "symmetry": shape.symmetry,
        "deviation": str(deviation.resolve()) if deviation else "",
        "centre_m": motions[0].centre,
        "drivers": [(*motion.centre, motion.outer_radius_m) for motion in motions],
        "round_m": 0.0 if deviation else round_mm * 1e-3,
        "chord_m": chord_mm * 1e-3,
        "spacing_m": spacing_mm * 1e-3,
        "fan_step_deg": fan_step_deg,
        "behind_m": _BEHIND_M,
        "time_limit_s": time_limit_s,
        "pieces": [asdict(piece) for piece in pieces],
    }
    with (
        tempfile.TemporaryDirectory(prefix="bafflelens_handoff_") as scratch,
        ThreadPoolExecutor(1) as thread,
    ):
        folder = Path(scratch)
        (folder / "request.json").write_text(json.dumps(request))
        exporting = thread.submit(
            ready_process.run_ready, "bafflelens.handoff.exporter", folder, time_limit_s
        )
        yield SolidBegun(
            folder, exporting, shape=shape.name, name=name, revision=revision, stamp=stamp
        )


def _body(folder: Path, name: str, revision: str, stamp: str) -> Solid:
    """Return the body that the exporter has left in its folder."""
    found = json.loads((folder / FOUND).read_text())
    mesh = Mesh.load(folder / "print.npz")
    return Solid(
        step=_with_header((folder / "solid.step").read_bytes(), name, revision, stamp),
        mesh=mesh,
        chord_m=float(found["chord_m"]),
        volume_m3=float(found["volume_m3"]),
        area_m2=float(found["area_m2"]),
        box_m=np.array(
            # The kernel's boxes are a hair larger; corners of the mesh lie on the faces.
            [mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)]
        ),
        concave=np.array(found["concave"], dtype=float).reshape(-1, 4),
        edges=_solid_edges(found["edges"]),
        sections=tuple(_section(entry) for entry in found["sections"]),
        fit=_fit(found["fit"]) if found["fit"] else None,
        before=tuple(_section(entry) for entry in found["before"]),
    )


def _solid_edges(entries: Sequence[Mapping[str, Any]]) -> tuple[SolidEdge, ...]:
    return tuple(
        SolidEdge(points_m=np.array(edge["points"]), is_smooth=edge["smooth"]) for edge in entries
    )


def _rounded(entry: Mapping[str, Any]) -> Rounded:
    left = np.array(entry["left"], dtype=float).reshape(-1, 3) * 1e3
    return Rounded(n_rounded=int(entry["rounded"]), left_mm=left)


def _piece(
    folder: Path, entry: Mapping[str, Any], name: str, revision: str, stamp: str
) -> MadePiece:
    path = folder / f"{entry['name']}.step"
    return MadePiece(
        name=str(entry["name"]),
        step=_with_header(path.read_bytes(), name, revision, stamp),
        mesh=Mesh.load(path.with_suffix(".npz")),
        chord_m=float(entry["chord_m"]),
        volume_m3=float(entry["volume_m3"]),
        areas_m2=dict(entry["areas_m2"]),
        off_m=float(entry["off_m"]),
        where_m=tuple(map(float, entry["where_m"])),
        edges=_solid_edges(entry["edges"]),
        section=_section(entry["section"]),
    )


def _fit(entry: Mapping[str, Any]) -> SmoothFit:
    return SmoothFit(
        largest_mm=float(entry["largest_m"]) * 1e3,
        rms_mm=float(entry["rms_m"]) * 1e3,
        where_mm=tuple(float(value) * 1e3 for value in entry["where_m"]),
        n_faces=int(entry["n_faces"]),
    )


def _section(entry: Mapping[str, Any]) -> Section:
    def outlines(loops: Sequence[Sequence[Sequence[float]]]) -> tuple[FloatArray, ...]:
        return tuple(np.array(loop) * 1e3 for loop in loops)

    factor = 1.0 if entry["kind"] == "radial" else 1e3
    return Section(
        kind=entry["kind"],
        station=round(entry["at"] * factor, 6) + 0.0,
        whole=outlines(entry["whole"]),
        profile=outlines(entry["profile"]),
        scraper=outlines(entry["scraper"]),
    )


def _fault(folder: Path, name: str, ended: str) -> str:
    rule = f"one that can be exported; the exporter ended with {ended}"
    return gmsh_process.fault_left(folder, invalid("shape", name, rule))


def _with_header(step: bytes, name: str, revision: str, stamp: str) -> bytes:
    """Return a STEP file with a header of ours, in the order that ISO 10303-21 gives.

    The kernel's has the time of writing and a count of what the process wrote before.
    """
    safe = step_string(name)
    header = (
        "HEADER;\n"
        "FILE_DESCRIPTION(('Solid in millimetres; x forward, y left, z up'),'2;1');\n"
        f"FILE_NAME('{safe}','{stamp}',(''),(''),'bafflelens','bafflelens','');\n"
        "FILE_SCHEMA(('AUTOMOTIVE_DESIGN { 1 0 10303 214 1 1 1 1 }'));\n"
        "ENDSEC;"
    )
    text = step.decode("latin-1")
    text = _HEADER.sub(lambda _: header, text, count=1)
    return with_product(text, name, revision, name).encode("latin-1")
