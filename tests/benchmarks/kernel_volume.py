# SPDX-License-Identifier: GPL-3.0-or-later
"""What the geometry kernel's volumes are worth: a bowl in a box, whole, half, mirrored, united.

The closed form is a box less a ball that lost a cap. The last lines ask the kernel behind gmsh
itself, where Python has it (``pip install cadquery-ocp-novtk``; nothing else here needs it), with
and without a bound on the error of its quadrature, on the STEP file that gmsh writes.
"""

from __future__ import annotations

import importlib.util
import math
import tempfile
from pathlib import Path
from typing import Any

import gmsh

BOX_M = (0.12, 0.21, 0.20)
BALL_M = 0.03
BEHIND_M = 0.01  # the ball's middle behind the front
CAP_M = BALL_M - BEHIND_M
BOWL_M3 = 4 / 3 * math.pi * BALL_M**3 - math.pi * CAP_M**2 * (BALL_M - CAP_M / 3)
WALL_M2 = 4 * math.pi * BALL_M**2 - 2 * math.pi * BALL_M * CAP_M
EXACT_M3 = math.prod(BOX_M) - BOWL_M3
BOUNDS = (None, 1e-4, 1e-6, 1e-8)


def main() -> None:
    """Print errors of volumes over the bowl's, and of the bowl's wall over its own area."""
    gmsh.initialize(readConfigFiles=False, interruptible=False)
    gmsh.option.setNumber("General.Terminal", 0)
    whole = bowl(2)
    say("whole, built in one piece", volume(whole) - EXACT_M3, wall(whole) - WALL_M2)
    gmsh.clear()
    half = bowl(1)
    say("half", volume(half) - EXACT_M3 / 2, wall(half) - WALL_M2 / 2)
    image = gmsh.model.occ.copy(half)
    gmsh.model.occ.mirror(image, 0, 1, 0, 0)
    say("its mirror image", volume(image) - EXACT_M3 / 2, wall(image) - WALL_M2 / 2)
    united, _ = gmsh.model.occ.fuse(half, image)
    say("both united", volume(united) - EXACT_M3, wall(united) - WALL_M2)
    if importlib.util.find_spec("OCP") is None:
        print("the kernel by itself: not installed")
        return
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "united.step"
        gmsh.option.setString("Geometry.OCCTargetUnit", "M")
        gmsh.write(str(path))
        for bound in BOUNDS:
            error = kernel_volume(path, bound) - EXACT_M3
            print(f"the kernel by itself, bound {bound}: volume {error / BOWL_M3:+.1e}")


def bowl(halves: int) -> Any:
    """Return the left half of a box with a bowl, or the whole."""
    occ = gmsh.model.occ
    right = -BOX_M[1] / 2 if halves == 2 else 0.0
    width = halves * BOX_M[1] / 2
    body = occ.addBox(-BOX_M[0], right, -BOX_M[2] / 2, BOX_M[0], width, BOX_M[2])
    ball = occ.addSphere(-BEHIND_M, 0, 0, BALL_M)
    return occ.cut([(3, body)], [(3, ball)])[0]


def volume(solids: Any) -> float:
    """Return the volume that gmsh gives, in m^3."""
    return sum(float(gmsh.model.occ.getMass(*solid)) for solid in solids)


def wall(solids: Any) -> float:
    """Return the area of the bowl that gmsh gives, in m^2."""
    gmsh.model.occ.synchronize()
    faces = gmsh.model.getBoundary(solids, oriented=False)
    round_ones = [tag for _, tag in faces if gmsh.model.getType(2, tag) == "Sphere"]
    return sum(float(gmsh.model.occ.getMass(2, tag)) for tag in round_ones)


def say(what: str, volume_m3: float, area_m2: float) -> None:
    """Print the errors of a body."""
    print(f"{what}: volume {volume_m3 / BOWL_M3:+.1e}, wall {area_m2 / WALL_M2:+.1e}")


def kernel_volume(path: Path, bound: float | None) -> float:
    """Return the volume of a STEP file in mm, in m^3, as the kernel integrates it by itself."""
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps
    from OCP.STEPControl import STEPControl_Reader

    reader = STEPControl_Reader()
    reader.ReadFile(str(path))
    reader.TransferRoots()
    found = GProp_GProps()
    shape = reader.OneShape()
    if bound is None:
        BRepGProp.VolumeProperties_s(shape, found)
    else:
        BRepGProp.VolumeProperties_s(shape, found, bound, False, False)
    return float(found.Mass()) * 1e-9


if __name__ == "__main__":
    main()
