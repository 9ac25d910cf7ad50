# SPDX-License-Identifier: GPL-3.0-or-later
"""A body whose mesh gmsh wrote itself, and the same through our files, radiate alike.

A rigid box with one moving face, meshed by gmsh and written by its own writer; read here, written
in each kind of file that keeps names, and read again. Nothing but the order of the triangles may
change, so the far fields agree within the rounding of single precision.
"""

import gmsh
import numpy as np
import pytest

from bafflelens import Air, HelmholtzProblem, solve
from bafflelens.mesh.files import read_mesh, write_mesh

SIZE_M = (0.10, 0.16, 0.24)
DIRECTIONS = np.array(
    [[1.0, 0, 0], [0, 1, 0], [0, 0, 1], [-1, 0, 0], [0.6, 0.8, 0], [0.6, 0, -0.8]]
)


@pytest.fixture(scope="module")
def by_gmsh(tmp_path_factory):
    path = tmp_path_factory.mktemp("gmsh") / "box.msh"
    gmsh.initialize(readConfigFiles=False, interruptible=False)
    try:
        gmsh.option.setNumber("General.Terminal", 0)
        gmsh.model.occ.addBox(-SIZE_M[0], 0, 0, *SIZE_M)
        gmsh.model.occ.synchronize()
        faces = [tag for _, tag in gmsh.model.getEntities(2)]
        front = max(faces, key=lambda tag: gmsh.model.occ.getCenterOfMass(2, tag)[0])
        gmsh.model.addPhysicalGroup(2, [front], name="dome")
        gmsh.model.addPhysicalGroup(2, [tag for tag in faces if tag != front], name="cabinet")
        gmsh.option.setNumber("Mesh.MeshSizeMax", 0.03)
        gmsh.model.mesh.generate(2)
        gmsh.write(str(path))
    finally:
        gmsh.finalize()
    return read_mesh(path)


def far_field(mesh):
    problem = HelmholtzProblem(
        mesh=mesh,
        frequency_hz=1500.0,
        air=Air(),
        normal_velocity=(mesh.surface == "dome").astype(complex)[np.newaxis],
    )
    return solve(problem).far_field(DIRECTIONS)[0]


def test_gmsh_s_own_file_is_the_box(by_gmsh):
    by_gmsh.require_closed(())
    assert by_gmsh.volume == pytest.approx(np.prod(SIZE_M), rel=1e-12)
    assert by_gmsh.areas[by_gmsh.surface == "dome"].sum() == pytest.approx(SIZE_M[1] * SIZE_M[2])


@pytest.mark.parametrize("ending", [".msh", ".vtu", ".xdmf"])
def test_both_radiate_alike(by_gmsh, tmp_path, ending):
    write_mesh(tmp_path / f"box{ending}", by_gmsh)
    again = read_mesh(tmp_path / f"box{ending}")
    expected = far_field(by_gmsh)
    np.testing.assert_allclose(far_field(again), expected, atol=2e-4 * np.abs(expected).max())
