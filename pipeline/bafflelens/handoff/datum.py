# SPDX-License-Identifier: GPL-3.0-or-later
"""What a made part is inspected against: the nominal surface, and how each dimension moves it.

It travels in the hand-off as a file of numbers, so that inspecting needs neither the shape's
script nor a mesher. How a dimension moves the surface is found by building the shape once more
with that dimension a little larger (or smaller), and measuring along the normals.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.archives import arrays_of
from bafflelens.base.closest_point import closest, searchable
from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import MeshingError, StoreError, invalid
from bafflelens.handoff.regions import DRIVER, regions_of
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import check_parameters
from bafflelens.shapes.meshing.moving_parts import source_motions
from bafflelens.shapes.meshing.parameters import Parameter, Shape

NAME: Final = "inspection.npz"
_FINE: Final = MeshSize(
    source_size_m=0.004,
    growth=2.5,
    growth_distance_m=0.2,
    largest_m=0.012,
    curvature_elements=24,
)
_CHANGED: Final = replace(
    _FINE, source_size_m=0.012, largest_m=0.04, curvature_elements=72
)  # planes need few triangles, roundings many
_STEPS: Final = {"mm": 1.0, "deg": 1.0}
_SHARE_OF_RANGE: Final = 0.02
_BOUGHT: Final = ("dome.",)  # dimensions of what the shop does not make
_REACH: Final = 10.0  # steps; a surface that is farther away came or went
_MOVES_M: Final = 2e-5  # less is how exactly two meshes of one surface agree
_AT_ONCE: Final = 2


@dataclass(frozen=True)
class Datum:
    """The nominal surface of a candidate.

    Attributes
    ----------
    nominal : Mesh
        A fine mesh of it, both halves.
    region : (n_triangles,) array of str
        Names, as `regions.regions_of` gives them.
    keys : tuple of str
        Dimensions that move the surface.
    movement : (n_keys, n_triangles) array
        By how much each moves each triangle along its normal, in m for one of its units.
    chord : (n_triangles,) array
        How far the curved surface itself stands before each flat triangle, on average, in m.
    """

    nominal: Mesh
    region: NDArray[np.str_]
    keys: tuple[str, ...]
    movement: FloatArray
    chord: FloatArray

    @property
    def is_driver(self) -> NDArray[np.bool_]:
        """Which triangles belong to what moves: nothing that the shop forms."""
        return np.asarray(self.region == DRIVER)

    def to_bytes(self) -> bytes:
        """Return it as a file (.npz), the same whenever it is made."""
        stream = io.BytesIO()
        np.savez_compressed(
            stream,
            vertices=self.nominal.vertices,
            triangles=self.nominal.triangles.astype(np.int32),
            surface=self.nominal.surface,
            region=self.region,
            keys=np.array(self.keys, dtype=str),
            movement=self.movement.astype(np.float32),
            chord=self.chord.astype(np.float32),
        )
        return stream.getvalue()

    @classmethod
    def from_bytes(cls, where: str, content: bytes) -> Datum:
        """Return what `to_bytes` has written.

        Raises
        ------
        StoreError
            If it is damaged.
        """
        rule = "a file that `bafflelens handoff` wrote"
        data = arrays_of(content, where, "file", rule, StoreError)
        try:
            triangles = data["triangles"].astype(np.int64)
            nominal = Mesh.of_arrays({**data, "triangles": triangles})
            keys = tuple(str(key) for key in data["keys"])
            movement, chord = (data[name].astype(np.float64) for name in ("movement", "chord"))
            found = cls(nominal, data["region"], keys, movement, chord)
            n = nominal.n_triangles
            if not (
                found.region.shape == chord.shape == (n,) and movement.shape == (len(keys), n)
            ):
                msg = "its arrays do not fit each other"
                raise ValueError(msg)
        except (ValueError, KeyError, TypeError) as error:
            raise StoreError(invalid("file", where, f"{rule} ({error})")) from error
        return found


def shaped_by(shape: Shape) -> tuple[Parameter, ...]:
    """Return the dimensions that may move what the shop forms: all but those of the dome."""
    return tuple(p for p in shape.parameters if not p.key.startswith(_BOUGHT))


def datum_of(
    shape: Shape,
    values: Mapping[str, float],
    time_limit_s: float,
    keys: Sequence[str] | None = None,
    told: Callable[[], None] = lambda: None,
) -> Datum:
    """Build the nominal surface, and once more for each dimension.

    Parameters
    ----------
    shape : Shape
        The shape.
    values : mapping of str to float
        Its parameters.
    time_limit_s : float
        For one mesh.
    keys : sequence of str, optional
        The dimensions; all but those of the dome if left out.
    told : callable
        Called as often as there are dimensions, when each is done.

    Raises
    ------
    MeshingError
        If the nominal shape cannot be meshed.
    """
    nominal = _whole(shape, values, _FINE, time_limit_s)
    region = regions_of(nominal, source_motions(shape, values))
    chosen = [p for p in shaped_by(shape) if keys is None or p.key in keys]

    def moved(parameter: Parameter) -> FloatArray | None:
        return _movement(shape, values, parameter, nominal, time_limit_s)

    with ThreadPoolExecutor(_AT_ONCE) as pool:  # each waits for a process of its own
        finer = pool.submit(_whole, shape, values, _CHANGED, time_limit_s)
        movements = []
        for movement in pool.map(moved, chosen):
            movements.append(movement)
            told()
        chord = _chord(nominal, finer.result())
    found = {
        p.key: movement
        for p, movement in zip(chosen, movements, strict=True)
        if movement is not None
    }
    empty = np.zeros((0, nominal.n_triangles))
    return Datum(
        nominal=nominal,
        region=region,
        keys=tuple(found),
        movement=np.array(list(found.values())) if found else empty,
        chord=chord,
    )


def _whole(shape: Shape, values: Mapping[str, float], size: MeshSize, time_limit_s: float) -> Mesh:
    (mesh,) = mesh_shape(shape, values, [size], time_limit_s)
    for plane in shape.symmetry:
        mesh = mesh.mirrored(plane)
    return mesh


def _movement(
    shape: Shape,
    values: Mapping[str, float],
    parameter: Parameter,
    nominal: Mesh,
    time_limit_s: float,
) -> FloatArray | None:
    """Return how far a unit of a parameter moves each triangle; None if there is no telling."""
    span = _SHARE_OF_RANGE * (parameter.high - parameter.low)
    step = _STEPS.get(parameter.unit, span)
    for change in (step, -step, step / 4, -step / 4):
        changed = {**values, parameter.key: values[parameter.key] + change}
        if check_parameters(shape, changed):
            continue
        try:
            other = _whole(shape, changed, _CHANGED, time_limit_s)
        except MeshingError:
            continue
        reach = _REACH * 1e-3 * max(abs(change), 1.0)
        height = _heights(nominal, other, reach)
        # A dimension that moves nothing that the shop forms is none of this inspection's.
        return height / change if np.abs(height).max(initial=0.0) > _MOVES_M else None
    return None


def _chord(nominal: Mesh, finer: Mesh) -> FloatArray:
    """Return the mean height of the surface itself over each triangle, by its edges' middles.

    They integrate a parabola over a triangle exactly.
    """
    middles = (nominal.corners + np.roll(nominal.corners, -1, axis=1)) / 2
    return _heights(nominal, finer, 1e-3, middles)


def _heights(
    nominal: Mesh, other: Mesh, reach_m: float, points: FloatArray | None = None
) -> FloatArray:
    """Return how far another surface stands before each triangle's points, on average.

    These are its corners if left out: they lie on the surface itself.
    """
    surface = searchable(other.vertices, other.triangles)
    corners = (nominal.corners if points is None else points).reshape(-1, 3)
    normals = np.repeat(nominal.normals, 3, axis=0)
    feet = closest(surface, corners, normals, least_cosine=0.7, farthest_m=reach_m)
    off = ((feet.points - corners) * feet.normals).sum(axis=1)
    off = np.where(np.isfinite(feet.distance), off, 0.0)
    return np.asarray(off.reshape(-1, 3).mean(axis=1))
