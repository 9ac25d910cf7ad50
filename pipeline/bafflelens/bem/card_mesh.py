# SPDX-License-Identifier: GPL-3.0-or-later
"""A mesh on the graphics card, and what the kernels need of it at a frequency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bafflelens.bem import near_field
from bafflelens.bem.card import (
    CardArray,
    cupy,
    launch,
    memory_faults,
    missing_card,
    padded,
    passes,
    splits_of,
)
from bafflelens.bem.discretisation import mirror_signs
from bafflelens.bem.layers import local_coupling
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.bem.triangle_potentials import FOUR_PI
from bafflelens.mesh.mesh import Mesh


@dataclass(frozen=True, eq=False)
class CardMesh:
    """A mesh on the card, with its near pairs; made once a mesh.

    Attributes
    ----------
    mesh : Mesh
        The elements.
    signs, single_signs : (n_images, 3) and (n_images, 4) array
        Mirror images, for the near and the far kernels.
    points, normals : (n_triangles, 4) single-precision arrays
        Centroids and normals as the far kernels take them; their fourth column is set a frequency.
    shape : tuple of double-precision arrays
        Centroids, normals, corners, areas, second moments.
    start, point, element, image, fine : arrays
        The near pairs, as in `near_field.NearPairs`.
    double_layer, hypersingular : arrays
        Their static parts.
    """

    mesh: Mesh
    signs: CardArray
    single_signs: CardArray
    points: CardArray
    normals: CardArray
    shape: tuple[CardArray, ...]
    start: CardArray
    point: CardArray
    element: CardArray
    image: CardArray
    fine: CardArray
    double_layer: CardArray
    hypersingular: CardArray

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return self.mesh.n_triangles


@memory_faults()
def send(mesh: Mesh, symmetry: tuple[str, ...] = ()) -> CardMesh:
    """Send a mesh to the card and find its near pairs there.

    Raises
    ------
    CardError
        If the card's memory is short.
    """
    size = mesh.n_triangles
    signs = mirror_signs(symmetry)
    double_signs = cupy.asarray(signs)
    shape = tuple(
        cupy.asarray(np.ascontiguousarray(values, dtype=float))
        for values in (
            mesh.centroids, mesh.normals, mesh.corners, mesh.areas,
            near_field.second_moments(mesh),
        )
    )  # fmt: skip
    limit2 = cupy.asarray((near_field.NEAR_EDGES * mesh.longest_edges) ** 2)
    close2 = (near_field.CLOSE_EDGES / near_field.NEAR_EDGES) ** 2
    counts = cupy.empty(size, dtype=np.int32)
    nothing = cupy.empty(0, dtype=np.int32)

    def search(list_them: bool, start: CardArray, *out: CardArray) -> None:
        launch(
            "find_near", (size, 1), np.int32(size), np.int32(size), shape[0],
            np.int32(len(signs)), double_signs, limit2, np.float64(close2), np.bool_(list_them),
            start, counts, *out,
        )  # fmt: skip

    start = cupy.zeros(size + 1, dtype=np.int64)
    search(False, start, nothing, nothing, nothing, nothing)
    start[1:] = cupy.cumsum(counts.astype(np.int64))
    pairs = int(start[-1])
    point, element = cupy.empty(pairs, dtype=np.int32), cupy.empty(pairs, dtype=np.int32)
    image, fine = cupy.empty(pairs, dtype=np.int8), cupy.empty(pairs, dtype=np.bool_)
    search(True, start, point, element, image, fine)
    double_layer, hypersingular = cupy.empty(pairs), cupy.empty(pairs)
    launch(
        "static_double_layers", (pairs, 1), np.int64(pairs), point, element, image,
        shape[0], shape[1], double_signs, shape[2], double_layer, hypersingular,
    )  # fmt: skip
    return CardMesh(
        mesh, double_signs, padded(cupy.asarray(signs, dtype=np.float32)),
        padded(shape[0].astype(np.float32)), padded(shape[1].astype(np.float32)),
        shape, start, point, element, image, fine, double_layer, hypersingular,
    )  # fmt: skip


def send_where_wanted(
    mesh: Mesh, symmetry: tuple[str, ...], *, is_wanted: bool
) -> CardMesh | None:
    """Return a mesh that was sent to the card; None where none is wanted, or there is no card."""
    return send(mesh, symmetry) if is_wanted and not missing_card() else None


@dataclass(frozen=True, eq=False)
class CardFrequency:
    """What the kernels need at one frequency."""

    on_card: CardMesh
    wavenumber: float
    wave: tuple[np.float32, np.float32, np.float32]
    images: tuple[np.int32, CardArray]
    coupling: CardArray
    points: CardArray
    sources: CardArray
    source_normals: CardArray

    @classmethod
    def of(cls, on_card: CardMesh, problem: HelmholtzProblem) -> CardFrequency:
        """Return what a problem on a mesh that was sent needs."""
        k = problem.wavenumber
        areas, moments = on_card.shape[3:]
        coupling = cupy.asarray(local_coupling(on_card.mesh, k, len(on_card.signs)))
        points, sources = on_card.points.copy(), on_card.points.copy()
        source_normals = on_card.normals.copy()
        points[:, 3] = coupling
        sources[:, 3] = areas / FOUR_PI
        source_normals[:, 3] = 0.5 * k**2 * moments
        return cls(
            on_card, k, (np.float32(k), np.float32(1 / k), np.float32(k / (2 * np.pi))),
            (np.int32(len(on_card.signs)), on_card.single_signs),
            coupling, points, sources, source_normals,
        )  # fmt: skip

    def layers(
        self,
        vectors: CardArray,
        *,
        single: bool,
        rows: CardArray | None = None,
        active: CardArray | None = None,
    ) -> CardArray:
        """Return the far layers of vectors (n, n_elements), formed on the fly, (n, n_rows).

        Without coupling where ``rows`` are given; ``active`` are the elements of the vectors.
        """
        points, normals = self.points, self.on_card.normals
        if rows is not None:
            points, normals = self.on_card.points[rows], normals[rows]
        sources, source_normals = self.sources, self.source_normals
        if active is not None:
            sources, source_normals = sources[active], source_normals[active]
            vectors = cupy.ascontiguousarray(vectors[:, active])
        count = len(points)
        result = cupy.empty((len(vectors), count), dtype=np.complex64)
        for part in passes(len(vectors)):
            width, splits = part.stop - part.start, splits_of(count)
            out = cupy.empty((splits, width, count), dtype=np.complex64)
            launch(
                f"apply_layer<{width}, {str(single).lower()}>", (count, splits),
                np.int32(count), points, normals, *self.images, np.int32(len(sources)),
                sources, source_normals, vectors[part], *self.wave, out,
            )  # fmt: skip
            result[part] = out.sum(axis=0)
        return result

    def own_element(self) -> tuple[CardArray, CardArray]:
        """Return `near_layers.own_element_dynamic` as pairs of doubles, (n_triangles, 2) each."""
        size = self.on_card.size
        layer, dynamic = cupy.empty((size, 2)), cupy.empty((size, 2))
        launch(
            "own_element", (size, 1), np.int32(size), self.on_card.shape[0],
            self.on_card.shape[2], np.float64(self.wavenumber), layer, dynamic,
        )  # fmt: skip
        return layer, dynamic
