# SPDX-License-Identifier: GPL-3.0-or-later
"""A box with a bowl in its front, a ball of 30 mm cut out: the script of a shape for gmsh."""

import small_job

BUILD = """    occ = model.occ
    half = parameters.cabinet.width_mm / 2e3
    body = occ.addBox(-0.12, 0, -0.1, 0.12, half, 0.2)
    ball = occ.addSphere(OFFSET, 0, 0, 0.03)
    body, _ = occ.cut([(3, body)], [(3, ball)])
    occ.synchronize()
    faces = [tag for _, tag in model.getBoundary(body, oriented=False)]
    kinds = {tag: model.getType(2, tag) for tag in faces}
    on_plane = [tag for tag in faces if model.getBoundingBox(2, tag)[4] < 1e-6]
    bowl = [tag for tag in faces if kinds[tag] == "Sphere"]
    model.addPhysicalGroup(2, bowl, name="lens")
    rest = [tag for tag in faces if tag not in bowl and tag not in on_plane]
    model.addPhysicalGroup(2, rest, name="cabinet")
"""


def script_text(offset_m: float) -> str:
    raising = '    raise RuntimeError("the tests mesh without gmsh")\n'
    assert raising in small_job.LENS_SCRIPT
    return small_job.LENS_SCRIPT.replace(raising, BUILD.replace("OFFSET", str(offset_m)))
