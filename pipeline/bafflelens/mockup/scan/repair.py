# SPDX-License-Identifier: GPL-3.0-or-later
"""A scanner's file: reading it, and removing what is no clay. What was done is counted."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import breadth_first_order, connected_components

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.base.errors import GeometryError, invalid
from bafflelens.base.reading import LARGEST_FILE, MIB
from bafflelens.mesh.sides import paired_sides

FORMATS: Final = (".stl", ".ply", ".obj")
_SAME_PLACE: Final = 1e-7  # of the scan's size
_ISLAND_SHARE: Final = 0.02  # of the area of the largest piece; less is dust or a table
_SPIKE_EDGES: Final = 1.2  # off the middle of its neighbours, in edges around it
_SPIKE_PASSES: Final = 4


@dataclass(frozen=True)
class Scan:
    """A scanned surface, open or closed.

    Attributes
    ----------
    vertices : (n_vertices, 3) array
        Coordinates in m.
    triangles : (n_triangles, 3) integer array
        Vertex numbers; seen from the air they run counter-clockwise.
    """

    vertices: FloatArray
    triangles: IntArray

    @property
    def corners(self) -> FloatArray:
        """Corners of the triangles, (n_triangles, 3, 3), in m."""
        return np.asarray(self.vertices[self.triangles])

    @property
    def vertex_normals(self) -> FloatArray:
        """Unit normals at the vertices, weighted by area, (n_vertices, 3)."""
        sums = _summed(self.triangles, np.repeat(self._cross(), 3, axis=0), len(self.vertices))
        return np.asarray(sums / np.maximum(np.linalg.norm(sums, axis=1, keepdims=True), 1e-300))

    @property
    def vertex_areas(self) -> FloatArray:
        """A third of the area of the triangles around each vertex, (n_vertices,), in m^2."""
        areas = np.linalg.norm(self._cross(), axis=1, keepdims=True) / 6
        return _summed(self.triangles, np.repeat(areas, 3, axis=0), len(self.vertices))[:, 0]

    def turned(self) -> Scan:
        """Return the scan with all triangles facing the other way."""
        return Scan(self.vertices, self.triangles[:, ::-1])

    def mirrored(self) -> Scan:
        """Return the scan's image in a mirror, facing the same way as before."""
        return Scan(self.vertices * (1.0, -1.0, 1.0), self.triangles[:, ::-1])

    def moved(self, rotation: FloatArray, shift: FloatArray) -> Scan:
        """Return the scan turned, then shifted."""
        return Scan(self.vertices @ rotation.T + shift, self.triangles)

    def divided(self, longest_m: float) -> Scan:
        """Return the scan with points no farther apart than that, also inside flat triangles.

        Scanners' programs thin out what is flat, and CAD programs leave nothing there.
        """
        from trimesh import remesh

        edges = np.linalg.norm(self.corners - np.roll(self.corners, -1, axis=1), axis=2)
        large = edges.max(axis=1) > longest_m
        if not large.any():
            return self
        divide: Any = remesh.subdivide_to_size
        vertices, triangles = divide(self.vertices, self.triangles[large], longest_m, max_iter=30)
        together = np.concatenate((self.triangles[~large], triangles + len(self.vertices)))
        return _merge(Scan(np.concatenate((self.vertices, vertices)), together))

    def _cross(self) -> FloatArray:
        a, b, c = self.corners.swapaxes(0, 1)
        return np.asarray(np.cross(b - a, c - a))


@dataclass(frozen=True, kw_only=True)
class Hole:
    """A border of the scan.

    Attributes
    ----------
    centre : (3,) array
        Middle of the border in m.
    width_m : float
        Its largest extent in m.
    """

    centre: FloatArray
    width_m: float


@dataclass(frozen=True, kw_only=True)
class Repairs:
    """What was found and mended.

    Attributes
    ----------
    merged, broken, doubled, islands, turned, spikes : int
        Vertices merged; triangles without area or with bad numbers, and repeated ones, dropped;
        loose pieces dropped; triangles turned round; spikes removed.
    holes : tuple of Hole
        Borders that are left, the largest first.
    closed : bool
        Whether the scan was closed when it came, but for what was removed here.
    """

    merged: int
    broken: int
    doubled: int
    islands: int
    turned: int
    spikes: int
    holes: tuple[Hole, ...]
    closed: bool


def read_scan(path: Path, unit_m: float) -> Scan:
    """Read an STL, PLY or OBJ file.

    Parameters
    ----------
    path : Path
        The file.
    unit_m : float
        Its unit of length in m; such files do not say it.

    Raises
    ------
    GeometryError
        If it is missing, empty, of another kind or damaged, or holds no triangles.
    """
    import trimesh

    if path.suffix.lower() not in FORMATS:
        rule = "one of the formats STL, PLY and OBJ, told by the ending"
        raise GeometryError(invalid("scan", path, rule))
    try:
        size = path.stat().st_size
    except OSError as error:
        rule = f"a readable file ({error.strerror})"
        raise GeometryError(invalid("scan", path, rule)) from error
    if size == 0:
        raise GeometryError(invalid("scan", path, "a file that is not empty"))
    kind = path.suffix.lower().removeprefix(".")
    if size > LARGEST_FILE:
        raise GeometryError(invalid("scan", path, f"no larger than {LARGEST_FILE / MIB:g} MiB"))
    log = logging.getLogger("trimesh")  # it logs with tracebacks what is refused below
    level = log.level
    log.setLevel(logging.CRITICAL)
    try:
        loaded: Any = trimesh.load(path, file_type=kind, process=False)
        if isinstance(loaded, trimesh.Scene):
            loaded = loaded.to_mesh()
        vertices = np.asarray(loaded.vertices, dtype=float).reshape(-1, 3)
        triangles = np.asarray(getattr(loaded, "faces", ()), dtype=np.int64).reshape(-1, 3)
    except Exception as error:  # each format raises its own
        cause = " ".join(str(error).split())[:120] or type(error).__name__
        rule = f"a readable {kind.upper()} file ({cause})"
        raise GeometryError(invalid("scan", path, rule)) from error
    finally:
        log.setLevel(level)
    if not len(vertices):
        rule = f"a readable {kind.upper()} file (nothing in it can be understood)"
        raise GeometryError(invalid("scan", path, rule))
    if not len(triangles):
        value = f"{path}' with '{len(vertices)} points and no triangles"
        rule = "a surface of triangles; let the scanner's program make one from the points"
        raise GeometryError(invalid("scan", value, rule))
    return Scan(vertices * unit_m, triangles)


def repair(path: Path, scan: Scan) -> tuple[Scan, Repairs]:
    """Return the scan without what is no clay, and what was done.

    Parameters
    ----------
    path : Path
        The file, for messages.
    scan : Scan
        As it was read.

    Raises
    ------
    GeometryError
        If nothing is left of it.
    """
    n_read = len(scan.triangles)
    finite = np.asarray(np.isfinite(scan.vertices).all(axis=1))
    numbers = scan.triangles
    good = np.asarray(((numbers >= 0) & (numbers < len(finite))).all(axis=1))
    good[good] &= finite[numbers[good]].all(axis=1)
    kept = _only_used(Scan(np.where(finite[:, None], scan.vertices, 0.0), numbers[good]))
    merged = _merge(kept)
    merges = len(kept.vertices) - len(merged.vertices)
    area = np.linalg.norm(merged._cross(), axis=1)
    tiny = 1e-12 * float(area.max(initial=0.0))
    sound = _only_used(Scan(merged.vertices, merged.triangles[area > tiny]))
    broken = n_read - len(sound.triangles)
    if not len(sound.triangles):
        rule = "a surface with an area"
        raise GeometryError(invalid("scan", f"{path}' with '{n_read} empty triangles", rule))
    single = _without_repeats(sound)
    doubled = len(sound.triangles) - len(single.triangles)
    main, islands = _without_islands(single)
    aligned, turned = _consistent(main)
    closed = not len(_border(aligned.triangles))
    if closed and _volume(aligned) < 0:
        aligned, turned = aligned.turned(), len(aligned.triangles) - turned
    smooth, spikes = _without_spikes(aligned)
    return smooth, Repairs(
        merged=merges,
        broken=broken,
        doubled=doubled,
        islands=islands,
        turned=turned,
        spikes=spikes,
        holes=_holes(smooth),
        closed=closed,
    )


def _summed(triangles: IntArray, values: FloatArray, n_vertices: int) -> FloatArray:
    """Return the sum of values of triangles' corners, (3 n_triangles, m), at each vertex."""
    sums = np.stack(
        [np.bincount(triangles.ravel(), column, n_vertices) for column in values.T], axis=1
    )
    return np.asarray(sums)


def _only_used(scan: Scan) -> Scan:
    used, number = np.unique(scan.triangles, return_inverse=True)
    return Scan(scan.vertices[used], number.reshape(-1, 3))


def _merge(scan: Scan) -> Scan:
    """Merge vertices at the same place: STL repeats them for every triangle."""
    if not len(scan.vertices):
        return scan
    step = max(float(np.ptp(scan.vertices, axis=0).max()) * _SAME_PLACE, 1e-12)
    _, first, number = np.unique(
        np.round(scan.vertices / step), axis=0, return_index=True, return_inverse=True
    )
    triangles = number.reshape(-1)[scan.triangles]
    distinct = (triangles != np.roll(triangles, 1, axis=1)).all(axis=1)
    return _only_used(Scan(scan.vertices[first], triangles[distinct]))


def _without_repeats(scan: Scan) -> Scan:
    _, first = np.unique(np.sort(scan.triangles, axis=1), axis=0, return_index=True)
    return Scan(scan.vertices, scan.triangles[np.sort(first)])


def _edges(triangles: IntArray) -> IntArray:
    """Return directed edges, (3 n, 2)."""
    return np.concatenate([triangles[:, [i, (i + 1) % 3]] for i in range(3)])


def _border(triangles: IntArray) -> IntArray:
    """Return the edges that only one triangle has, (n, 2)."""
    edges = _edges(triangles)
    _, first, counts = np.unique(
        np.sort(edges, axis=1), axis=0, return_index=True, return_counts=True
    )
    return np.asarray(edges[first[counts == 1]])


def _neighbours(triangles: IntArray) -> tuple[IntArray, IntArray, NDArray[np.bool_]]:
    """Return pairs of triangles with a common edge, and whether they face the same way."""
    start, _, one, two = paired_sides(triangles, int(triangles.max(initial=-1)) + 1)
    return one // 3, two // 3, start[one] != start[two]


def _without_islands(scan: Scan) -> tuple[Scan, int]:
    one, other, _ = _neighbours(scan.triangles)
    n = len(scan.triangles)
    graph = coo_matrix((np.ones(len(one)), (one, other)), shape=(n, n))
    n_pieces, piece = connected_components(graph, directed=False)
    areas = np.bincount(piece, np.linalg.norm(scan._cross(), axis=1), n_pieces)
    large = areas >= _ISLAND_SHARE * areas.max()
    return _only_used(Scan(scan.vertices, scan.triangles[large[piece]])), int((~large).sum())


def _consistent(scan: Scan) -> tuple[Scan, int]:
    """Return the scan with neighbours facing the same way, and how many were turned."""
    one, other, same = _neighbours(scan.triangles)
    if same.all():
        return scan, 0
    n = len(scan.triangles)
    graph = coo_matrix((np.ones(len(one)), (one, other)), shape=(n, n)).tocsr()
    agrees = {}
    for i, j, agree in zip(one.tolist(), other.tolist(), same.tolist(), strict=True):
        agrees[i, j] = agrees[j, i] = agree
    flip = np.zeros(n, dtype=bool)
    _, piece = connected_components(graph, directed=False)
    for seed in np.unique(piece, return_index=True)[1].tolist():
        order, before = breadth_first_order(graph, seed, directed=False)
        for number in order[1:].tolist():
            origin = int(before[number])
            flip[number] = flip[origin] != (not agrees[number, origin])
    if flip.sum() > n / 2:
        flip = ~flip
    triangles = scan.triangles.copy()
    triangles[flip] = triangles[flip][:, ::-1]
    return Scan(scan.vertices, triangles), int(flip.sum())


def _volume(scan: Scan) -> float:
    a, b, c = scan.corners.swapaxes(0, 1)
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def _without_spikes(scan: Scan) -> tuple[Scan, int]:
    """Remove vertices that stand far off the middle of their neighbours."""
    removed = 0
    for _ in range(_SPIKE_PASSES):
        n = len(scan.vertices)
        edges = _edges(scan.triangles)
        both = np.concatenate((edges, edges[:, ::-1]))
        degree = np.maximum(np.bincount(both[:, 0], minlength=n), 1)
        middle = np.stack(
            [np.bincount(both[:, 0], scan.vertices[both[:, 1], i], n) for i in range(3)], axis=1
        )
        off = np.linalg.norm(scan.vertices - middle / degree[:, None], axis=1)
        # Edges opposite to a vertex are not stretched by its own spike.
        opposite = np.linalg.norm(
            scan.corners[:, [1, 2, 0]] - scan.corners[:, [2, 0, 1]], axis=2
        ).reshape(-1, 1)
        around = _summed(scan.triangles, opposite, n)[:, 0]
        around /= np.maximum(np.bincount(scan.triangles.ravel(), minlength=n), 1)
        ratio = off / np.maximum(around, 1e-300)
        highest = np.zeros(n)
        np.maximum.at(highest, both[:, 0], ratio[both[:, 1]])
        # On a border the middle of the neighbours lies to one side.
        least = np.full(n, _SPIKE_EDGES)
        least[np.unique(_border(scan.triangles))] *= 2.5
        spike = (ratio > least) & (ratio >= highest)
        if not spike.any():
            break
        removed += int(spike.sum())
        scan = _only_used(Scan(scan.vertices, scan.triangles[~spike[scan.triangles].any(axis=1)]))
    return scan, removed


def _holes(scan: Scan) -> tuple[Hole, ...]:
    border = _border(scan.triangles)
    if not len(border):
        return ()
    used, number = np.unique(border, return_inverse=True)
    number = number.reshape(-1, 2)
    graph = coo_matrix((np.ones(len(border)), number.T), shape=(len(used), len(used)))
    n_loops, loop = connected_components(graph, directed=False)
    found = []
    for i in range(n_loops):
        points = scan.vertices[used[loop == i]]
        width = float(np.linalg.norm(np.ptp(points, axis=0)))
        found.append(Hole(centre=points.mean(axis=0), width_m=width))
    return tuple(sorted(found, key=lambda hole: -hole.width_m))
