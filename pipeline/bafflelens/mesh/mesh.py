# SPDX-License-Identifier: GPL-3.0-or-later
"""Triangle surfaces: the mesh that the solver works on."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.archives import arrays_of
from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.base.errors import MeshingError, StoreError, invalid
from bafflelens.base.reading import read_bytes
from bafflelens.mesh.places import VertexPlaces

_AXES = {"x": 0, "y": 1, "z": 2}


@dataclass(frozen=True)
class Mesh:
    """A closed triangle surface, or the kept part of one that is mirrored.

    Attributes
    ----------
    vertices : (n_vertices, 3) array
        Coordinates in m.
    triangles : (n_triangles, 3) integer array
        Vertex numbers, counter-clockwise seen from the air: the normal points out of the body.
    surface : (n_triangles,) array of str
        Name of the surface each triangle lies on (``dome``, ``baffle`` ...).
    places : VertexPlaces or None
        Where its vertices lie on the solid that it was made of, if that is known. It is not
        written to the files of a run, and a mirrored mesh has none.
    """

    vertices: FloatArray
    triangles: IntArray
    surface: NDArray[np.str_]
    places: VertexPlaces | None = None

    @property
    def n_triangles(self) -> int:
        """Number of triangles."""
        return int(self.triangles.shape[0])

    @cached_property
    def corners(self) -> FloatArray:
        """Corner coordinates, (n_triangles, 3 corners, 3), in m."""
        return np.asarray(self.vertices[self.triangles])

    @cached_property
    def boxes(self) -> tuple[IntArray, IntArray, IntArray, FloatArray]:
        """Boxes around the triangles, as `bafflelens.base.box_tree.build_tree` returns them."""
        from bafflelens.base.box_tree import build_tree  # compiled: slow to load

        found: tuple[IntArray, IntArray, IntArray, FloatArray]
        found = build_tree(np.ascontiguousarray(self.corners, dtype=float))
        return found

    @cached_property
    def centroids(self) -> FloatArray:
        """Centroids, (n_triangles, 3), in m."""
        return np.asarray(self.corners.mean(axis=1))

    @cached_property
    def _cross(self) -> FloatArray:
        corner = self.corners
        return np.asarray(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]))

    @cached_property
    def areas(self) -> FloatArray:
        """Areas, (n_triangles,), in m^2."""
        return np.asarray(0.5 * np.linalg.norm(self._cross, axis=1))

    @cached_property
    def normals(self) -> FloatArray:
        """Outward unit normals, (n_triangles, 3)."""
        return np.asarray(self._cross / np.linalg.norm(self._cross, axis=1, keepdims=True))

    @cached_property
    def longest_edges(self) -> FloatArray:
        """Longest edge of each triangle, (n_triangles,), in m."""
        corner = self.corners
        edges = corner - np.roll(corner, -1, axis=1)
        return np.asarray(np.linalg.norm(edges, axis=2).max(axis=1))

    @cached_property
    def smallest_angles_deg(self) -> FloatArray:
        """Smallest angle of each triangle, (n_triangles,), in degrees."""
        corner = self.corners
        a, b, c = (np.linalg.norm(corner[:, i] - corner[:, (i + 1) % 3], axis=1) for i in range(3))
        cosines = [
            (b**2 + c**2 - a**2) / (2 * b * c),
            (c**2 + a**2 - b**2) / (2 * c * a),
            (a**2 + b**2 - c**2) / (2 * a * b),
        ]
        return np.asarray(np.degrees(np.arccos(np.clip(np.max(cosines, axis=0), -1.0, 1.0))))

    @property
    def volume(self) -> float:
        """Enclosed volume in m^3 of a closed mesh; negative if the normals point inwards."""
        corner = self.corners
        return float(
            np.einsum("ij,ij->i", corner[:, 0], np.cross(corner[:, 1], corner[:, 2])).sum() / 6
        )

    def at_vertices(self, values: FloatArray, weights: FloatArray | None = None) -> FloatArray:
        """Return means at the vertices, (n_vertices,), of values of the triangles around.

        Parameters
        ----------
        values : (n_triangles,) array
            What is averaged.
        weights : (n_triangles,) array, optional
            By their areas, if left out. Where all are 0, so is the mean.
        """
        weight = np.repeat(self.areas if weights is None else weights, 3)
        corner, count = self.triangles.ravel(), len(self.vertices)
        total = np.bincount(corner, weight, count)
        summed = np.bincount(corner, weight * np.repeat(values, 3), count)
        return np.asarray(summed / np.where(total > 0, total, 1.0))

    def mirrored(self, plane: str) -> Mesh:
        """Return the full mesh: this one and its mirror image in the plane ``plane`` = 0.

        Vertices on the plane are shared, so that a half becomes one closed surface.

        Parameters
        ----------
        plane : {"x", "y", "z"}
            The coordinate that changes sign.
        """
        axis = _AXES[plane]
        image = self.vertices.copy()
        image[:, axis] *= -1
        on_plane = np.abs(self.vertices[:, axis]) < 1e-9
        number = np.arange(len(image)) + len(image)
        number[on_plane] = np.flatnonzero(on_plane)
        flipped = number[self.triangles][:, ::-1]
        return Mesh(
            vertices=np.concatenate((self.vertices, image)),
            triangles=np.concatenate((self.triangles, flipped)),
            surface=np.concatenate((self.surface, self.surface)),
        ).without_unused_vertices()

    def whole(self, symmetry: Iterable[str]) -> Mesh:
        """Return the surface with all its mirror images, of which this is the kept part.

        Each plane doubles the triangles: those that are there come first, in their order.

        Parameters
        ----------
        symmetry : iterable of {"x", "y", "z"}
            Planes in which it is mirrored.
        """
        full = self
        for plane in symmetry:
            full = full.mirrored(plane)
        return full

    def without_unused_vertices(self) -> Mesh:
        """Return the same surface with only the vertices that its triangles use."""
        used, number = np.unique(self.triangles, return_inverse=True)
        places = None if self.places is None else self.places.of_vertices(used)
        return Mesh(
            self.vertices[used], number.reshape(self.triangles.shape), self.surface, places
        )

    def require_closed(self, symmetry: tuple[str, ...] = ()) -> None:
        """Raise unless the surface is closed, consistently oriented and faces outwards.

        Parameters
        ----------
        symmetry : tuple of {"x", "y", "z"}
            Planes of mirror symmetry; free edges are allowed on these planes only.

        Raises
        ------
        MeshingError
            With the number of offending edges and where the first one lies.
        """
        full = self.whole(symmetry)
        n_vertices = len(full.vertices)
        edges = np.concatenate([full.triangles[:, [i, (i + 1) % 3]] for i in range(3)]).astype(
            np.int64
        )
        forward = edges[:, 0] * n_vertices + edges[:, 1]
        backward = edges[:, 1] * n_vertices + edges[:, 0]
        _, counts = np.unique(forward, return_counts=True)
        if np.any(counts > 1):
            msg = (
                f"Invalid mesh: {int((counts > 1).sum())} edges are used twice in the same "
                "direction. Must be an oriented surface without self-contact."
            )
            raise MeshingError(msg)
        free = edges[~np.isin(forward, backward)]
        if free.size:
            x, y, z = full.vertices[free[0]].mean(axis=0) * 1e3
            msg = (
                f"Invalid mesh: {len(free)} free edges, the first at ({x:.1f}, {y:.1f}, {z:.1f}) "
                "mm. Must be a closed surface."
            )
            raise MeshingError(msg)
        if full.volume <= 0:
            msg = f"Invalid mesh: volume {full.volume:.3g} m^3. Must have outward normals."
            raise MeshingError(msg)

    def save(self, path: Path) -> None:
        """Write the mesh to ``path`` (.npz): a temporary name first, then renamed."""
        temporary = path.with_name(path.name + ".part")
        with temporary.open("wb") as stream:
            np.savez_compressed(
                stream, vertices=self.vertices, triangles=self.triangles, surface=self.surface
            )
            stream.flush()
            os.fsync(stream.fileno())
        temporary.replace(path)

    @classmethod
    def load(cls, path: Path | str) -> Mesh:
        """Read a mesh that `save` has written.

        Raises
        ------
        StoreError
            If the file is missing or cut short.
        """
        rule = "a mesh saved by bafflelens"
        content = read_bytes(Path(path), "mesh file", StoreError, kind="mesh saved by bafflelens")
        data = arrays_of(content, path, "mesh file", rule, StoreError)
        try:
            return cls.of_arrays(data)
        except (KeyError, ValueError) as error:
            raise StoreError(invalid("mesh file", path, f"{rule} ({error})")) from error

    @classmethod
    def of_arrays(cls, data: Mapping[str, NDArray[Any]]) -> Mesh:
        """Return the mesh that arrays of a file describe: vertices, triangles, surface.

        Raises
        ------
        KeyError, ValueError
            If one is missing, or they do not fit each other.
        """
        vertices, triangles, surface = data["vertices"], data["triangles"], data["surface"]
        fits = (
            vertices.ndim == triangles.ndim == 2
            and vertices.shape[1:] == triangles.shape[1:] == (3,)
            and surface.shape == triangles.shape[:1]
            and (vertices.dtype.kind, surface.dtype.kind) == ("f", "U")
            and triangles.dtype.kind in "iu"
            and len(triangles) > 0
            and bool(np.isfinite(vertices).all())
            and 0 <= int(triangles.min()) <= int(triangles.max()) < len(vertices)
        )
        if not fits:
            msg = "vertices, triangles and surface do not fit each other"
            raise ValueError(msg)
        return cls(vertices, triangles, surface)
