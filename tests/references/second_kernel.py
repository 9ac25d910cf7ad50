# SPDX-License-Identifier: GPL-3.0-or-later
"""A STEP file read by something else than what wrote it, and measured there.

gmsh writes with the Open CASCADE kernel that it brings along (7.8.1 in gmsh 4.15). Read here is
with OCP, bindings of another release of that kernel (8.0) with a reader, checker and integrator
of its own build; no other free library that evaluates trimmed B-splines was found. What does not
need a kernel, the topology and the unit, `shell_edges` and `bafflelens.shapes.cad.step_file` read
from the text alone.
"""

from __future__ import annotations

import re
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from OCP.Bnd import Bnd_Box
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve, BRepAdaptor_Surface
from OCP.BRepAlgoAPI import BRepAlgoAPI_Section
from OCP.BRepBndLib import BRepBndLib
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeVertex
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.BRepGProp import BRepGProp
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.GCPnts import GCPnts_TangentialDeflection
from OCP.GeomAbs import GeomAbs_SurfaceType
from OCP.gp import gp_Dir, gp_Pln, gp_Pnt, gp_Vec
from OCP.GProp import GProp_GProps
from OCP.IFSelect import IFSelect_ReturnStatus
from OCP.Interface import Interface_Static
from OCP.STEPControl import STEPControl_Reader
from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum
from OCP.TopExp import TopExp_Explorer
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS


@dataclass(frozen=True)
class StepSolid:
    """What the second kernel says of a file; lengths in mm.

    ``box`` is its lowest and highest corner, (2, 3).
    """

    shape: object
    is_valid: bool
    is_closed: bool
    n_solids: int
    volume: float
    area: float
    box: np.ndarray


def read_step(content: bytes) -> Any:
    """Read the bytes of a STEP file, in mm whatever its unit."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "solid.step"
        path.write_bytes(content)
        Interface_Static.SetCVal_s("xstep.cascade.unit", "MM")
        reader = STEPControl_Reader()
        assert reader.ReadFile(str(path)) == IFSelect_ReturnStatus.IFSelect_RetDone
        reader.TransferRoots()
        shape = reader.OneShape()
    return solid_of(shape)


def solid_of(shape: Any) -> Any:
    """Return a shape of the second kernel with what it says of it."""
    shells = _parts(shape, TopAbs_ShapeEnum.TopAbs_SHELL)
    volume, area = GProp_GProps(), GProp_GProps()
    # With a bound on its error: without one the integral over a trimmed ball is 1e-3 off.
    BRepGProp.VolumePropertiesGK_s(shape, volume, 1e-6)
    BRepGProp.SurfaceProperties_s(shape, area, 1e-6)
    box = Bnd_Box()
    BRepBndLib.AddOptimal_s(shape, box, False, False)  # without triangles, without tolerances
    return StepSolid(
        shape=shape,
        is_valid=BRepCheck_Analyzer(shape).IsValid(),
        is_closed=all(BRep_Tool.IsClosed_s(shell) for shell in shells),
        n_solids=len(_parts(shape, TopAbs_ShapeEnum.TopAbs_SOLID)),
        volume=volume.Mass(),
        area=area.Mass(),
        box=np.array([_xyz(box.CornerMin()), _xyz(box.CornerMax())]),
    )


def spline_faces(solid: Any) -> Any:
    """Return the centres of mass, (n, 3) in mm, of the faces that are B-splines."""
    found = []
    for part in _parts(solid.shape, TopAbs_ShapeEnum.TopAbs_FACE):
        face = TopoDS.Face(part)
        if BRepAdaptor_Surface(face).GetType() == GeomAbs_SurfaceType.GeomAbs_BSplineSurface:
            area = GProp_GProps()
            BRepGProp.SurfaceProperties_s(face, area, 1e-6)
            found.append(_xyz(area.CentreOfMass()))
    return np.array(found)


def distances_to(solid: Any, points: Any) -> Any:
    """Return how far points, (n, 3) in mm, are from the surface of a solid."""
    shell = _parts(solid.shape, TopAbs_ShapeEnum.TopAbs_SHELL)[0]
    return np.array(
        [
            BRepExtrema_DistShapeShape(
                BRepBuilderAPI_MakeVertex(gp_Pnt(*map(float, point))).Vertex(), shell
            ).Value()
            for point in points
        ]
    )


def points_on(solid: Any, chord: float, *, with_normals: bool = False) -> Any:
    """Return corners, (n, 3) in mm, of triangles on the surface that are a chord off at most.

    With the outward unit normals there, (n, 3), if asked for.
    """
    BRepMesh_IncrementalMesh(solid.shape, chord, False, 0.3, False)
    found, normals = [], []
    for part in _parts(solid.shape, TopAbs_ShapeEnum.TopAbs_FACE):
        place, face = TopLoc_Location(), TopoDS.Face(part)
        net = BRep_Tool.Triangulation_s(face, place)
        move = place.Transformation()
        found += [_xyz(net.Node(n + 1).Transformed(move)) for n in range(net.NbNodes())]
        if with_normals:
            surface = BRepAdaptor_Surface(face)
            way = -1 if face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED else 1
            for n in range(net.NbNodes()):
                at, along, across = gp_Pnt(), gp_Vec(), gp_Vec()
                surface.D1(net.UVNode(n + 1).X(), net.UVNode(n + 1).Y(), at, along, across)
                normal = np.cross(_xyz(along), _xyz(across))
                normals.append(way * normal / max(float(np.linalg.norm(normal)), 1e-12))
    return (np.array(found), np.array(normals)) if with_normals else np.array(found)


def section_of(solid, origin, normal, chord=0.01):
    """Return points, (n, 3) in mm, on the curves in which a plane meets the surface."""
    plane = gp_Pln(gp_Pnt(*map(float, origin)), gp_Dir(*map(float, normal)))
    cut = BRepAlgoAPI_Section(solid.shape, plane)
    cut.Build()
    found = []
    for edge in _parts(cut.Shape(), TopAbs_ShapeEnum.TopAbs_EDGE):
        curve = BRepAdaptor_Curve(TopoDS.Edge(edge))
        steps = GCPnts_TangentialDeflection(curve, 0.05, chord)
        found += [_xyz(steps.Value(n + 1)) for n in range(steps.NbPoints())]
    return np.array(found).reshape(-1, 3)


def ball_radii(solid):
    """Return the radii of all faces that are parts of balls, in mm."""
    found = []
    for face in _parts(solid.shape, TopAbs_ShapeEnum.TopAbs_FACE):
        surface = BRepAdaptor_Surface(TopoDS.Face(face))
        if surface.GetType() == GeomAbs_SurfaceType.GeomAbs_Sphere:
            found.append(surface.Sphere().Radius())
    return found


def face_names(content):
    """Return the name of each face that a file gives, with whether it is part of a ball.

    The second kernel's reader says which record of the file each of its faces came from.
    """
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "solid.step"
        path.write_bytes(content)
        reader = STEPControl_Reader()
        assert reader.ReadFile(str(path)) == IFSelect_ReturnStatus.IFSelect_RetDone
        reader.TransferRoots()
        origin = reader.WS().TransferReader()
        found = []
        for face in _parts(reader.OneShape(), TopAbs_ShapeEnum.TopAbs_FACE):
            kind = BRepAdaptor_Surface(TopoDS.Face(face)).GetType()
            record = origin.EntityFromShapeResult(face, 1)
            is_ball = kind == GeomAbs_SurfaceType.GeomAbs_Sphere
            found.append((record.Name().ToCString(), is_ball))
        return found


def shell_edges(content):
    """Return how often each edge of the only closed shell is used each way, from the text.

    A closed, oriented surface uses every edge once forwards and once backwards.
    """
    text = content.decode("latin-1").replace("\n", "").replace("\r", "")
    entities = dict(re.findall(r"#(\d+)\s*=\s*([A-Z_]+\s*\(.*?\));", text))
    (shell,) = [body for body in entities.values() if body.startswith("CLOSED_SHELL")]
    uses: Counter[tuple[str, bool]] = Counter()
    for face in re.findall(r"#(\d+)", shell):
        faces_way = _last_flag(entities[face])
        for bound in re.findall(r"#(\d+)", entities[face].split(")")[0]):
            if not entities[bound].startswith(("FACE_BOUND", "FACE_OUTER_BOUND")):
                continue
            bounds_way = _last_flag(entities[bound])
            loop = re.findall(r"#(\d+)", entities[bound])[0]
            for oriented in re.findall(r"#(\d+)", entities[loop]):
                edge = re.findall(r"#(\d+)", entities[oriented])[0]
                uses[edge, _last_flag(entities[oriented]) == bounds_way] += 1
        assert faces_way in (True, False)
    return uses


def _last_flag(body):
    return re.findall(r"\.([TF])\.", body)[-1] == "T"


def _parts(shape, kind):
    found, explorer = [], TopExp_Explorer(shape, kind)
    while explorer.More():
        found.append(explorer.Current())
        explorer.Next()
    return found


def _xyz(point):
    return (point.X(), point.Y(), point.Z())
