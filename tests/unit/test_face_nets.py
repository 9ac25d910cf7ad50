# SPDX-License-Identifier: GPL-3.0-or-later
"""Places inside faces: told from a face's outline as the kernel tells them, and seldom asked."""

import gmsh
import numpy as np
import pytest
from handed_lens import GEOMETRIES

from bafflelens.handoff.face_nets import inside_face
from bafflelens.shapes.meshing.loading import load_script


@pytest.fixture
def model():
    """The kernel's model, empty."""
    gmsh.initialize(readConfigFiles=False, interruptible=False)
    try:
        gmsh.option.setNumber("General.Terminal", 0)
        yield gmsh.model
    finally:
        gmsh.finalize()


def faces_of(model):
    """All faces of the solids in a model."""
    return [tag for _, tag in model.getBoundary(model.getEntities(3), oriented=False)]


def both_answers(model, face, monkeypatch):
    """What is told of a net of a face, what the kernel says, and how often it was asked."""
    low, high = (np.asarray(bound) for bound in model.getParametrizationBounds(2, face))
    share = (np.arange(9) + 0.5) / 9
    places = np.column_stack([axis.ravel() for axis in np.meshgrid(share, share)])
    places = low + places * (high - low)
    asked, kernel = [], model.isInside

    def counted(*arguments, **named):
        asked.append(arguments)
        return kernel(*arguments, **named)

    with monkeypatch.context() as patch:
        patch.setattr(model, "isInside", counted)
        told = inside_face(model, face, places)
    says = [kernel(2, face, place.tolist(), parametric=True) > 0 for place in places]
    return told, np.array(says), len(asked)


@pytest.mark.parametrize("name", ["vertical_lens", "offset_cabinet"])
def test_places_are_told_as_the_kernel_tells_them(model, monkeypatch, name):
    """Bent and flat faces, with and without holes, of what a script builds."""
    script = load_script(GEOMETRIES / f"{name}.py")
    script.build(model, script.Parameters())
    n_asked = n_places = 0
    for face in faces_of(model):
        told, says, asked = both_answers(model, face, monkeypatch)
        assert (told == says).all(), face
        n_asked, n_places = n_asked + asked, n_places + len(says)
    assert n_asked < 0.25 * n_places


def test_about_seams_and_poles_the_kernel_decides(model, monkeypatch):
    """Outlines that do not close: a ball, and cylinder and ring with a hole across."""
    occ = model.occ
    occ.addSphere(9, 0, 0, 1)
    tube, _ = occ.cut(
        [(3, occ.addCylinder(0, 0, 0, 0, 0, 3, 1))], [(3, occ.addSphere(1, 0, 1.5, 0.6))]
    )
    occ.cut([(3, occ.addTorus(0, 9, 0, 3, 1))], [(3, occ.addBox(2, 8, -0.3, 3, 2, 3))])
    occ.synchronize()
    assert tube
    for face in faces_of(model):
        told, says, _ = both_answers(model, face, monkeypatch)
        assert (told == says).all(), face
