# SPDX-License-Identifier: GPL-3.0-or-later
"""What the tests of shapes share: the scripts, mesh sizes and an exact solid."""

from pathlib import Path

import pytest

from bafflelens.mesh.quality import MeshSize
from bafflelens.shapes.meshing.loading import load_script
from bafflelens.shapes.meshing.parameters import fill_parameters

GEOMETRIES = Path(__file__).parents[2] / "geometries"
TIME_LIMIT_S = 60.0


def size(edge_mm: float) -> MeshSize:
    return MeshSize(
        source_size_m=edge_mm / 1000,
        growth=2.0,
        growth_distance_m=0.2,
        largest_m=0.04,
        curvature_elements=12,
    )


@pytest.fixture
def solid():
    """Return a function that gives the exact volume and areas of a shape's solid, m^3 and m^2."""
    import gmsh

    gmsh.initialize(readConfigFiles=False, interruptible=False)
    gmsh.option.setNumber("General.Terminal", 0)

    def measure(name: str, values: dict[str, float]) -> tuple[float, dict[str, float]]:
        gmsh.clear()
        module = load_script(GEOMETRIES / f"{name}.py")
        module.build(gmsh.model, fill_parameters(module, values))
        ((_, body),) = gmsh.model.getEntities(3)
        areas = {
            gmsh.model.getPhysicalName(2, tag): sum(
                gmsh.model.occ.getMass(2, face)
                for face in gmsh.model.getEntitiesForPhysicalGroup(2, tag)
            )
            for _, tag in gmsh.model.getPhysicalGroups(2)
        }
        return gmsh.model.occ.getMass(3, body), areas

    yield measure
    gmsh.finalize()
