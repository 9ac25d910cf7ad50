# SPDX-License-Identifier: GPL-3.0-or-later
"""Mirror images of STEP files: each face stays what it is, and the image is the image."""

import gmsh
import numpy as np
import pytest

from bafflelens.base.errors import MeshingError
from bafflelens.handoff.mirrored_step import mirrored_step


@pytest.fixture
def occ():
    gmsh.initialize(readConfigFiles=False, interruptible=False)
    gmsh.option.setNumber("General.Terminal", 0)
    gmsh.option.setString("Geometry.OCCTargetUnit", "M")
    yield gmsh.model.occ
    gmsh.finalize()


def slanted_plug(occ):
    """A block with a wavy side, less a slanted bore, a cone, a bowl and a ring."""
    wave = [occ.addPoint(-0.05, y, z) for y, z in ((0, -0.04), (0.02, -0.035), (0.04, -0.045))]
    end = occ.addPoint(-0.05, 0.06, -0.04)
    corners = [occ.addPoint(-0.05, 0.06, 0.05), occ.addPoint(-0.05, 0, 0.05)]
    lines = [
        occ.addSpline([*wave, end]),
        occ.addLine(end, corners[0]),
        occ.addLine(*corners),
        occ.addLine(corners[1], wave[0]),
    ]
    face = occ.addPlaneSurface([occ.addCurveLoop(lines)])
    body = [entity for entity in occ.extrude([(2, face)], 0.05, 0, 0) if entity[0] == 3]
    tools = [
        (3, occ.addCylinder(-0.01, 0.01, 0, 0.03, 0.01, 0.005, 0.006)),
        (3, occ.addCone(0.001, 0.04, 0.02, -0.03, 0.003, 0, 0.009, 0.002)),
        (3, occ.addSphere(0.004, 0.03, -0.02, 0.011)),
        (3, occ.addTorus(0.0, 0.03, 0.035, 0.008, 0.003)),
    ]
    ((dimension, tag),) = occ.cut(body, tools)[0]
    occ.synchronize()
    return dimension, tag


def faces_of(solid):
    """The kinds of its faces."""
    faces = gmsh.model.getBoundary([solid], oriented=False)
    return sorted(gmsh.model.getType(2, tag) for _, tag in faces)


@pytest.mark.parametrize("axis", ["x", "y", "z"])
def test_the_image_has_the_same_faces_at_mirrored_places(occ, tmp_path, axis):
    solid = slanted_plug(occ)
    gmsh.write(str(tmp_path / "one.step"))
    text = (tmp_path / "one.step").read_text(encoding="latin-1")
    (tmp_path / "two.step").write_text(mirrored_step(text, axis), encoding="latin-1")
    (image,) = [e for e in occ.importShapes(str(tmp_path / "two.step")) if e[0] == 3]
    occ.synchronize()
    assert faces_of(image) == faces_of(solid)
    assert {"Plane", "Cylinder", "Cone", "Sphere", "Torus"} < set(faces_of(solid))
    assert occ.getMass(*image) == pytest.approx(occ.getMass(*solid), rel=1e-6)
    column = "xyz".index(axis)
    sign = np.ones(3)
    sign[column] = -1
    assert np.array(occ.getCenterOfMass(*image)) == pytest.approx(
        np.array(occ.getCenterOfMass(*solid)) * sign, abs=1e-7
    )
    inertia, mirrored = (
        np.array(occ.getMatrixOfInertia(*entity)).reshape(3, 3) for entity in (solid, image)
    )
    assert mirrored == pytest.approx(inertia * np.outer(sign, sign), abs=1e-6 * inertia.max())
    assert np.abs(inertia[0, 1:]).max() > 1e-3 * inertia.max()  # so that a sign can be seen


def test_a_kind_that_is_not_known_is_refused():
    statements = "#1 = CLOTHOID('',#2,3.);\n#3 = EDGE_CURVE('',#4,#5,#1,.T.);"
    with pytest.raises(MeshingError, match=r"Invalid curve of a STEP file 'CLOTHOID'. Must be"):
        mirrored_step(statements, "y")
    statements = "#1 = OFFSET_SURFACE('',#2,3.,.F.);\n#3 = ADVANCED_FACE('',(#4),#1,.T.);"
    with pytest.raises(MeshingError, match=r"Invalid surface of a STEP file 'OFFSET_SURFACE'"):
        mirrored_step(statements, "y")


def test_only_places_in_space_are_moved():
    text = "#1 = CARTESIAN_POINT('',(1.,-2.5E-3,3.));\n#2 = CARTESIAN_POINT('',(1.,2.));"
    assert mirrored_step(text, "y").splitlines() == [
        "#1 = CARTESIAN_POINT('',(1.,2.5E-3,3.));",
        "#2 = CARTESIAN_POINT('',(1.,2.));",
    ]
