# SPDX-License-Identifier: GPL-3.0-or-later
"""What a made part is inspected against: the nominal surface, and how each dimension moves it.

It travels in the hand-off as a file of numbers, so that inspecting needs neither the shape's
script nor a mesher. How a dimension moves the surface is found by building the shape once more
with that dimension a little larger (or smaller), and measuring along the normals.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.archives import arrays_of
from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import MeshingError, StoreError, invalid
from bafflelens.base.processor import usable_processors
from bafflelens.handoff.curved_surface import CurvedSurface, curved_surface
from bafflelens.handoff.regions import DRIVER, regions_of
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.shapes.cad.declaration import is_declaration
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
# Finer everywhere, also on flat faces: what was carved bends them.
_FINER: Final = replace(_FINE, source_size_m=0.003, largest_m=0.012, curvature_elements=72)
_STEPS: Final = {"mm": 1.0, "deg": 1.0}
_SHARE_OF_RANGE: Final = 0.02
_BOUGHT: Final = ("dome.",)  # dimensions of what the shop does not make
_REACH: Final = 10.0  # steps; a surface that is farther away came or went
_MOVES_M: Final = 2e-5  # less is how exactly two meshes of one surface agree


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

    Raises
    ------
    MeshingError
        If the nominal shape cannot be meshed.
    """
    with ThreadPoolExecutor(usable_processors()) as pool:
        return begin_datum(pool, shape, values, time_limit_s, keys)()


def begin_datum(
    pool: Executor,
    shape: Shape,
    values: Mapping[str, float],
    time_limit_s: float,
    keys: Sequence[str] | None = None,
    told: Callable[[], None] = lambda: None,
) -> Callable[[], Datum]:
    """Begin to build all that a datum needs, and return what waits for it and returns it.

    Parameters
    ----------
    pool : Executor
        Threads, each of which waits for a process of its own.
    shape, values, time_limit_s, keys
        As for `datum_of`.
    told : callable
        Called as often as there are dimensions, when each is done, by the thread that did it.

    Raises
    ------
    MeshingError
        From what is returned, if the nominal shape cannot be meshed.
    """
    chosen = [p for p in shaped_by(shape) if keys is None or p.key in keys]
    kept = pool.submit(_kept, shape, values, _FINE, time_limit_s)
    curved = pool.submit(_surface, shape, values, time_limit_s)

    def moved(parameter: Parameter) -> FloatArray | None:
        try:
            # The nominal mesh was begun before; so it is never waited for by all threads.
            return _movement(shape, values, parameter, kept.result(), time_limit_s)
        finally:
            told()

    movements = [pool.submit(moved, parameter) for parameter in chosen]

    def finish() -> Datum:
        mesh = kept.result().whole(shape.symmetry)
        known = zip(chosen, (one.result() for one in movements), strict=True)
        found = {p.key: movement for p, movement in known if movement is not None}
        empty = np.zeros((0, mesh.n_triangles))
        return Datum(
            nominal=mesh,
            region=regions_of(mesh, source_motions(shape, values)),
            keys=tuple(found),
            movement=np.array(list(found.values())) if found else empty,
            # The middles of the edges integrate a parabola over a triangle exactly.
            chord=_heights(shape, kept.result(), curved.result(), 1e-3, at_middles=True),
        )

    return finish


def _surface(shape: Shape, values: Mapping[str, float], time_limit_s: float) -> CurvedSurface:
    """Return a shape's surface; that of a file, which has nothing to change, by flat triangles."""
    if not is_declaration(shape.script):
        return curved_surface(shape, values, time_limit_s)
    corners = _kept(shape, values, _FINER, time_limit_s).whole(shape.symmetry).corners
    return CurvedSurface.of(corners, (corners + np.roll(corners, -1, axis=1)) / 2)


def _kept(shape: Shape, values: Mapping[str, float], size: MeshSize, time_limit_s: float) -> Mesh:
    (mesh,) = mesh_shape(shape, values, [size], time_limit_s)
    return mesh


def _movement(
    shape: Shape,
    values: Mapping[str, float],
    parameter: Parameter,
    kept: Mesh,
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
            other = _surface(shape, changed, time_limit_s)
        except MeshingError:
            continue
        reach = _REACH * 1e-3 * max(abs(change), 1.0)
        height = _heights(shape, kept, other, reach)
        # A dimension that moves nothing that the shop forms is none of this inspection's.
        return height / change if np.abs(height).max(initial=0.0) > _MOVES_M else None
    return None


def _heights(
    shape: Shape, kept: Mesh, other: CurvedSurface, reach_m: float, *, at_middles: bool = False
) -> FloatArray:
    """Return how far another surface stands before each triangle of the whole, on average.

    At its corners, which lie on the surface itself, or at the middles of its edges. Mirror images
    stand as far before theirs, so only the kept part is measured.
    """
    corners = kept.corners
    points = (corners + np.roll(corners, -1, axis=1)) / 2 if at_middles else corners
    normals = np.repeat(kept.normals, 3, axis=0)
    heights = other.heights(points.reshape(-1, 3), normals, reach_m).reshape(-1, 3).mean(axis=1)
    return np.tile(heights, 2 ** len(shape.symmetry))
