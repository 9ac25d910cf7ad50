# SPDX-License-Identifier: GPL-3.0-or-later
"""CAD files, made: a shape written as STEP with named faces, and its declaration.

gmsh writes no names, so they are put into the file's text, where a CAD program would.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

from bafflelens.shapes.meshing.loading import load_script
from bafflelens.shapes.meshing.moving_parts import source_motions
from bafflelens.shapes.meshing.parameters import Shape, fill_parameters


def write_step(shape: Shape, values: dict[str, float], folder: Path) -> Path:
    """Write a left-right symmetric shape as a STEP file in mm, whole; return its declaration.

    Faces are called after their surfaces, in capitals; dome and surround have no names and are
    given by points.
    """
    import gmsh

    gmsh.initialize(readConfigFiles=False, interruptible=False)
    try:
        gmsh.option.setNumber("General.Terminal", 0)
        module = load_script(shape.script)
        module.build(gmsh.model, fill_parameters(module, values))
        model, occ = gmsh.model, gmsh.model.occ
        surface = []  # where each face of the half is, and its name
        for _, group in model.getPhysicalGroups(2):
            for tag in model.getEntitiesForPhysicalGroup(2, group):
                surface.append((_place(occ, tag), model.getPhysicalName(2, group)))
        model.removePhysicalGroups()
        (half,) = model.getEntities(3)
        image = occ.copy([half])
        occ.mirror(image, 0, 1, 0, 0)
        occ.fuse([half], image)
        occ.synchronize()
        gmsh.option.setString("Geometry.OCCTargetUnit", "M")  # else it takes metres for mm
        path = folder / f"{shape.name}.step"
        gmsh.write(str(path))
        # Faces that cross the mirror plane became one: their middle is on it.
        surface += [((x, 0.0, z), name) for (x, _, z), name in surface]
        boundary = model.getBoundary(model.getEntities(3), oriented=False)
        names = [
            min(surface, key=lambda entry: math.dist(entry[0], place))[1]
            for place in (_place(occ, tag) for _, tag in boundary)
        ]
    finally:
        gmsh.finalize()
    given = iter("" if name in ("dome", "surround") else name.upper() for name in names)
    text = re.sub(
        r"ADVANCED_FACE\(''", lambda _: f"ADVANCED_FACE('{next(given)}'", path.read_text()
    )
    path.write_text(text)
    (motion,) = source_motions(shape, values)
    x = motion.centre[0] * 1e3
    ring = (motion.inner_radius_m + motion.outer_radius_m) / 2 * 1e3
    dome = values.get("dome.height_mm", 6.0)
    sphere = (13.0**2 + dome**2) / (2 * dome)
    off = 5.0
    top = x + dome - sphere + (sphere**2 - off**2) ** 0.5
    lens = 'lens = { named = ["LENS"] }' if "lens" in names else ""
    declaration = folder / f"{shape.name}_cad.toml"
    declaration.write_text(
        f"""
title = "{shape.name}, written as STEP and read again"
step = "{path.name}"
other_faces = "cabinet"

[surfaces]
dome = {{ points_mm = [[{top}, {off}, 0], [{top}, {-off}, 0]] }}
surround = {{ points_mm = [[{x}, {ring}, 0], [{x}, {-ring}, 0]] }}
baffle = {{ named = ["BAFFLE"] }}
{lens}

[[sources]]
name = "tweeter"
axis = [1, 0, 0]
centre_mm = [{x}, 0, 0]
piston_surfaces = ["dome"]
taper_surfaces = ["surround"]
inner_radius_mm = {motion.inner_radius_m * 1e3}
outer_radius_mm = {motion.outer_radius_m * 1e3}
"""
    )
    return declaration


def _place(occ, tag):
    """Return where a face is, the same for its mirror image."""
    x, y, z = occ.getCenterOfMass(2, tag)
    return x, abs(y), z
