# SPDX-License-Identifier: GPL-3.0-or-later
"""The solid that the shop gets: exact geometry, its sections, and a mesh within a tolerance."""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from bafflelens.base import ready_process
from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import MeshingError, invalid
from bafflelens.handoff.part_plan import PartPiece
from bafflelens.mesh.mesh import Mesh
from bafflelens.shapes.cad.step_names import step_string, with_product
from bafflelens.shapes.meshing import gmsh_process
from bafflelens.shapes.meshing.moving_parts import source_motions
from bafflelens.shapes.meshing.parameters import Shape

_BEHIND_M: Final = 0.03  # of a template, behind the deepest place of the front
_HEADER: Final = re.compile(r"HEADER;.*?ENDSEC;", re.DOTALL)


@dataclass(frozen=True, kw_only=True)
class Section:
    """A section of the solid at one station.

    Attributes
    ----------
    kind : str
        ``vertical`` (x to the right, z up), ``horizontal`` (x to the right, y up), or ``radial``
        (x to the right, up the way from the axis).
    station : float
        Where it is: y of a vertical one, z of a horizontal one, in mm; of a radial one the angle
        from up towards the loudspeaker's left, in degrees.
    whole, profile, scraper : tuple of (n, 2) array
        Closed outlines in mm: of the solid; of its front, as a template to hold inside; of what
        is in front of it, to scrape with.
    """

    kind: str
    station: float
    whole: tuple[FloatArray, ...]
    profile: tuple[FloatArray, ...]
    scraper: tuple[FloatArray, ...]

    @property
    def name(self) -> str:
        """As in file names, such as ``vertical_y+30`` or ``radial_60deg``."""
        if self.kind == "radial":
            return f"radial_{self.station:g}deg"
        axis = "y" if self.kind == "vertical" else "z"
        return f"{self.kind}_{axis}{self.station:+g}"

    @property
    def text(self) -> str:
        """For people, such as ``vertical, y = 30 mm``."""
        if self.kind == "radial":
            return f"through the axis, {self.station:g} degrees from up to the left"
        axis = "y" if self.kind == "vertical" else "z"
        return f"{self.kind}, {axis} = {self.station:g} mm"


@dataclass(frozen=True, kw_only=True)
class SolidEdge:
    """An edge of the solid.

    Attributes
    ----------
    points_m : (n, 3) array
        Along it.
    is_smooth : bool
        Whether its faces meet in it without a bend.
    """

    points_m: FloatArray
    is_smooth: bool


@dataclass(frozen=True, kw_only=True)
class SmoothFit:
    """How near the smooth faces of a carved solid are to what was carved.

    Attributes
    ----------
    largest_mm, rms_mm : float
        Largest and root mean square distance of the faces from the places that were carved, and
        of these from the faces.
    where_mm : tuple of float
        Where the largest is.
    n_faces : int
        How many faces became B-splines.
    """

    largest_mm: float
    rms_mm: float
    where_mm: tuple[float, ...]
    n_faces: int

    @property
    def text(self) -> str:
        """All of it in a line."""
        x, y, z = self.where_mm
        return (
            f"smooth faces through the carved places: largest distance {self.largest_mm:.3f} mm "
            f"at ({x:.1f}, {y:.1f}, {z:.1f}) mm, r.m.s. {self.rms_mm:.3f} mm"
        )


@dataclass(frozen=True, kw_only=True)
class MadePiece:
    """One piece of the part as it is made.

    Attributes
    ----------
    name : str
        ``panel``, ``insert`` or ``shell``.
    step : bytes
        STEP AP214, in mm, faces named: those of the analysed body as there, others by what cut
        them.
    mesh : Mesh
        A closed mesh of it, for printing.
    chord_m : float
        Its measured distance from the piece, in m.
    volume_m3 : float
        Of the exact piece.
    areas_m2 : mapping of str to float
        Of its faces, by name.
    off_m, where_m : float, tuple of float
        How far the faces that it has of the analysed body are at most from that, in the kernel,
        and where.
    edges : tuple of SolidEdge
        The edges of its faces.
    section : Section
        The vertical one through the driver's axis.
    """

    name: str
    step: bytes
    mesh: Mesh
    chord_m: float
    volume_m3: float
    areas_m2: Mapping[str, float]
    off_m: float
    where_m: tuple[float, ...]
    edges: tuple[SolidEdge, ...]
    section: Section


@dataclass(frozen=True, kw_only=True)
class Rounded:
    """What became of the sharp inner corners of a part.

    Attributes
    ----------
    n_rounded : int
        How many the kernel has rounded.
    left_mm : (n, 3) array
        A place on each that it could not.
    """

    n_rounded: int
    left_mm: FloatArray


@dataclass(frozen=True, kw_only=True)
class Solid:
    """One candidate as a solid.

    Attributes
    ----------
    step : bytes
        STEP AP214, in mm.
    mesh : Mesh
        A closed mesh of the whole solid, for printing.
    chord_m : float
        Its measured distance from the solid, in m.
    volume_m3, area_m2 : float
        Of the exact solid.
    box_m : (2, 3) array
        Lowest and highest corner.
    concave : (n, 4) array
        Places that a cutter must fit into, x, y, z, and their radius, in m.
    edges : tuple of Edge
        The edges of the faces.
    sections : tuple of Section
        Through the axis, then further stations.
    fit : SmoothFit, optional
        Of a carved one.
    before : tuple of Section
        Of a carved one: the profiles that the same sections had before.
    pieces : tuple of MadePiece
        The part as it is made; none where the job does not say how.
    rounded : Rounded, optional
        Where the part's sharp inner corners were to be rounded.
    """

    step: bytes
    mesh: Mesh
    chord_m: float
    volume_m3: float
    area_m2: float
    box_m: FloatArray
    concave: FloatArray
    edges: tuple[SolidEdge, ...]
    sections: tuple[Section, ...]
    fit: SmoothFit | None = None
    before: tuple[Section, ...] = ()
    pieces: tuple[MadePiece, ...] = ()
    rounded: Rounded | None = None


def export_solid(
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
) -> Solid:
    """Build a shape once more and export it.

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

    Raises
    ------
    MeshingError
        If it cannot be built as one closed solid, the file is not in millimetres, or smooth
        faces are too far from what was carved.
    """
    motions = source_motions(shape, values)
    with tempfile.TemporaryDirectory(prefix="bafflelens_handoff_") as scratch:
        folder = Path(scratch)
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
        (folder / "request.json").write_text(json.dumps(request))
        ended = ready_process.run_ready("bafflelens.handoff.exporter", folder, time_limit_s)
        if ended:
            raise MeshingError(_fault(folder, shape.name, ended))
        found = json.loads((folder / "found.json").read_text())
        step = (folder / "solid.step").read_bytes()
        mesh = Mesh.load(folder / "print.npz")
        made = tuple(
            _piece(folder, entry, f"{name}_{entry['name']}", revision, stamp)
            for entry in found["pieces"]
        )
    return Solid(
        step=_with_header(step, name, revision, stamp),
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
        pieces=made,
        rounded=_rounded(found["corners"]) if found["corners"] else None,
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
