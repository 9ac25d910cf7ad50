# SPDX-License-Identifier: GPL-3.0-or-later
"""A nominal surface laid onto a clay model: what is kept of a scan, and meshes made from it.

`bafflelens.mockup.scan` finds how far each place of the nominal surface has to be moved to lie on
the clay. A mesh of the clay at any element size is then the nominal shape's mesh at that size, its
vertices moved. So it inherits what is good about the nominal mesh: closed, named surfaces, sharp
edges, small elements where they are needed, the dome.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.archives import arrays_of
from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import MeshingError, StoreError, invalid
from bafflelens.base.reading import read_bytes
from bafflelens.mesh.mesh import Mesh

_LARGEST_TURN_COSINE: Final = float(np.cos(np.radians(75.0)))  # of a triangle while it is moved
_FIELD: Final = ("field_y", "field_z", "field_height")


@dataclass(frozen=True, eq=False)
class HeightField:
    """How far a front was moved along the reference axis, by what moved it and no mesh between.

    Attributes
    ----------
    y_m, z_m : (n_y,), (n_z,) arrays
        Places, rising, in m.
    height_m : (n_y, n_z) array
        How far each moved forwards, in m.
    """

    y_m: FloatArray
    z_m: FloatArray
    height_m: FloatArray

    @property
    def fits(self) -> bool:
        """Whether the arrays belong to each other."""
        arrays = (self.y_m, self.z_m, self.height_m)
        return all(
            array.dtype.kind == "f" and bool(np.isfinite(array).all()) for array in arrays
        ) and (
            self.height_m.shape == (len(self.y_m), len(self.z_m))
            and all(bool((np.diff(places) > 0).all()) for places in arrays[:2])
        )


@dataclass(frozen=True)
class SurfaceDeviation:
    """How a clay model deviates from its nominal shape.

    Attributes
    ----------
    nominal : Mesh
        A fine mesh of the nominal shape, both halves.
    displacement : (n_vertices, 3) array
        Where its vertices have to be moved to lie on the clay, in m.
    height : (n_triangles,) array
        How far the clay stands proud of each triangle, in m; negative for a dent.
    seen : (n_triangles,) array of bool
        Whether the scanner saw the clay there; elsewhere the height is a smooth guess.
    field : HeightField, optional
        Of a carved shape: the heights that were carved, which the displacement only samples.
    """

    nominal: Mesh
    displacement: FloatArray
    height: FloatArray
    seen: NDArray[np.bool_]
    field: HeightField | None = None

    @property
    def clay(self) -> Mesh:
        """The nominal mesh, moved onto the clay."""
        vertices = self.nominal.vertices + self.displacement
        return Mesh(vertices, self.nominal.triangles, self.nominal.surface)

    def save(self, path: Path) -> None:
        """Write it to ``path`` (.npz)."""
        arrays: dict[str, Any] = {
            "vertices": self.nominal.vertices,
            "triangles": self.nominal.triangles,
            "surface": self.nominal.surface,
            "displacement": self.displacement,
            "height": self.height,
            "seen": self.seen,
            **self._arrays_of_field(),
        }
        with path.open("wb") as stream:
            np.savez_compressed(stream, **arrays)

    @classmethod
    def load(cls, path: Path) -> SurfaceDeviation:
        """Read what `save` has written.

        Raises
        ------
        StoreError
            If the file is missing or damaged.
        """
        what, rule = "deviation file", "a file that 'bafflelens scan' wrote"
        data = arrays_of(read_bytes(path, what, StoreError), path, what, rule, StoreError)
        try:
            nominal = Mesh.of_arrays(data)
            field = None
            if _FIELD[0] in data:
                field = HeightField(*(data[name] for name in _FIELD))
            found = cls(nominal, data["displacement"], data["height"], data["seen"], field)
            if not found._fits:
                msg = "its arrays do not fit each other"
                raise ValueError(msg)
        except (ValueError, KeyError) as error:
            raise StoreError(invalid(what, path, f"{rule} ({error})")) from error
        return found

    def _arrays_of_field(self) -> dict[str, FloatArray]:
        if self.field is None:
            return {}
        arrays = (self.field.y_m, self.field.z_m, self.field.height_m)
        return dict(zip(_FIELD, arrays, strict=True))

    @property
    def _fits(self) -> bool:
        """Whether the arrays of a file belong to each other."""
        n = self.nominal.n_triangles
        return (
            self.displacement.shape == self.nominal.vertices.shape
            and self.height.shape == self.seen.shape == (n,)
            and self.displacement.dtype.kind == self.height.dtype.kind == "f"
            and self.seen.dtype.kind == "b"
            and bool(np.isfinite(self.displacement).all())
            and (self.field is None or self.field.fits)
        )


def laid_on(mesh: Mesh, deviation: SurfaceDeviation) -> Mesh:
    """Return a mesh of the nominal shape with its vertices moved onto the clay.

    Parameters
    ----------
    mesh : Mesh
        A mesh of the nominal shape, both halves, at any element size.
    deviation : Deviation
        How the clay deviates from it.

    Raises
    ------
    MeshingError
        If triangles turn over: the clay differs too much from the nominal shape there.
    """
    nominal = deviation.nominal
    from bafflelens.base.closest_point import closest, searchable, shares  # loads the compiler

    feet = closest(searchable(nominal.vertices, nominal.triangles), mesh.vertices)
    corners = nominal.triangles[feet.owner]
    share = shares(nominal.vertices, corners, feet.points)
    moved = mesh.vertices + np.einsum("nc,ncj->nj", share, deviation.displacement[corners])
    laid = Mesh(moved, mesh.triangles, mesh.surface)
    require_upright(mesh, laid)
    return laid


def require_upright(nominal: Mesh, laid: Mesh) -> None:
    """Raise if triangles turned over while a nominal mesh was laid onto the clay."""
    cosine = (nominal.normals * laid.normals).sum(axis=1)
    turned = np.flatnonzero(~(cosine > _LARGEST_TURN_COSINE))
    if len(turned):
        x, y, z = nominal.centroids[turned[np.argmin(cosine[turned])]] * 1e3
        value = f"{len(turned)} triangles turn over, the worst near ({x:.0f}, {y:.0f}, {z:.0f}) mm"
        rule = "near its nominal shape everywhere; take a nominal shape that is more like the clay"
        raise MeshingError(invalid("clay model", value, rule))
