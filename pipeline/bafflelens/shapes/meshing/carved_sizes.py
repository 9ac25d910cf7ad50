# SPDX-License-Identifier: GPL-3.0-or-later
"""How fine a mesh has to be where a front was carved.

A carved shape is meshed as its parent and then moved. What is carved into a flat baffle would keep
the large triangles of a flat baffle, and a draft of it be off by more than the rules allow. So
carved places are meshed as a lens is: with the size that the quality asks for at the source, as
many triangles around a full circle as on other curved surfaces, and all of that after the surface
has been stretched by its slope.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.mesh.quality import MeshSize
from bafflelens.shapes.meshing.mesh_morph import HeightField, SurfaceDeviation

_CARVED_M: Final = 2e-4  # less is as good as flat
_SMOOTHED_M: Final = 0.003  # so that one place alone asks for nothing
_SMALLEST_M: Final = 0.003  # that a radius asks for
_GROWTH: Final = 0.25  # of the size with the distance from what is carved
_MARGIN_M: Final = 0.005


def carved_sizes(field: HeightField, size: MeshSize) -> FloatArray:
    """Return how long edges may be before the surface is moved, (n_y, n_z), in m.

    Parameters
    ----------
    field : HeightField
        What was carved.
    size : MeshSize
        What the quality asks for.
    """
    from scipy import ndimage  # slow to load, and few shapes are carved

    steps = field.y_m[1] - field.y_m[0], field.z_m[1] - field.z_m[0]
    height = ndimage.gaussian_filter(field.height_m, [_SMOOTHED_M / step for step in steps])
    along_y, along_z = np.gradient(height, *steps)
    (yy, yz), (_, zz) = (np.gradient(part, *steps) for part in (along_y, along_z))
    stretched = 1 + along_y**2 + along_z**2
    bent = np.sqrt(yy**2 + 2 * yz**2 + zz**2)
    around = 2 * np.pi / size.curvature_elements * stretched / np.maximum(bent, 1e-9)
    found = np.minimum(size.source_size_m / np.sqrt(stretched), np.maximum(around, _SMALLEST_M))
    is_flat = np.abs(field.height_m) < _CARVED_M
    if is_flat.all():
        return np.full(is_flat.shape, size.largest_m)
    away, nearest = ndimage.distance_transform_edt(is_flat, sampling=steps, return_indices=True)
    return np.asarray(np.minimum(found[tuple(nearest)] + _GROWTH * away, size.largest_m))


def add_carved_sizes(gmsh: Any, deviation: SurfaceDeviation, size: MeshSize, path: Path) -> int:
    """Give gmsh a size field for what was carved, and return its number.

    Parameters
    ----------
    gmsh : module
        With the model.
    deviation : SurfaceDeviation
        What was carved, with its field.
    size : MeshSize
        What the quality asks for.
    path : Path
        A file to write for gmsh, which reads it when it meshes.
    """
    field = deviation.field
    assert field is not None  # the caller asked
    sizes = carved_sizes(field, size)
    moved = np.any(deviation.displacement != 0, axis=1)
    x = deviation.nominal.vertices[moved, 0] if moved.any() else np.zeros(1)
    origin = (x.min() - _MARGIN_M, field.y_m[0], field.z_m[0])
    steps = (np.ptp(x) + 2 * _MARGIN_M, field.y_m[1] - field.y_m[0], field.z_m[1] - field.z_m[0])
    head = (*origin, *steps, 2, *sizes.shape)
    with path.open("w", encoding="ascii") as stream:
        stream.write(" ".join(f"{number:.9g}" for number in head) + "\n")
        for _ in range(2):  # alike at both ends along x
            np.savetxt(stream, sizes, fmt="%.6g")
    rule = gmsh.model.mesh.field.add("Structured")
    gmsh.model.mesh.field.setString(rule, "FileName", str(path))
    for option, value in {
        "TextFormat": 1.0, "SetOutsideValue": 1.0, "OutsideValue": size.largest_m,
    }.items():  # fmt: skip
        gmsh.model.mesh.field.setNumber(rule, option, value)
    return int(rule)
