# SPDX-License-Identifier: GPL-3.0-or-later
"""What a mesh needs for solving and does not depend on frequency; made once a mesh."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import NDArray

from bafflelens.base import box_tree
from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.bem import near_field
from bafflelens.bem.clusters import Blocks, BoxTree, cut_clusters
from bafflelens.mesh.mesh import Mesh

# So many rows stand for the whole equation: every other one finds a combination of guesses, which
# leaves at most 5 % more than the best does, and the rest tell what it leaves to 15 %
# (tests/benchmarks/answers.py).
SAMPLED = 384


@dataclass(frozen=True)
class SampledRows:
    """Some collocation points that stand for all.

    Attributes
    ----------
    rows : (n_rows,) integer array
        The elements, neighbours after one another.
    near : NearPairs
        The elements near each.
    """

    rows: IntArray
    near: near_field.NearPairs


@dataclass(frozen=True)
class Discretisation:
    """Constant elements with collocation at the centroids.

    Attributes
    ----------
    mesh : Mesh
        The elements.
    signs : (n_images, 3) array
        Mirror images, from `mirror_signs`.
    moments : (n_triangles,) array
        Second moments of the elements in m^2.
    rules : GaussRules
        Gauss rules over the elements.
    """

    mesh: Mesh
    signs: FloatArray
    moments: FloatArray
    rules: near_field.GaussRules
    _near_of_some: dict[bytes, near_field.NearPairs] = field(default_factory=dict)

    @property
    def elements(self) -> near_field.Elements:
        """What near integrals need of the elements."""
        return near_field.Elements(
            signs=self.signs,
            corners=self.mesh.corners,
            centroids=self.mesh.centroids,
            normals=self.mesh.normals,
            areas=self.mesh.areas,
            moments=self.moments,
            rules=self.rules,
        )

    @cached_property
    def tree(self) -> BoxTree:
        """Boxes around the elements: what is near and far is looked up in them."""
        order, span, below, box = box_tree.build_tree(self.mesh.corners)
        return order, span, below, box

    @cached_property
    def near(self) -> near_field.NearPairs:
        """Pairs of centroid and element that one point cannot represent."""
        return self._near_of(slice(None), self.tree[0])

    def near_of(self, rows: IntArray) -> near_field.NearPairs:
        """Return those of some centroids alone; all others are left unlooked at."""
        key = rows.tobytes()
        if key not in self._near_of_some:
            whole = vars(self).get("near")
            self._near_of_some[key] = whole.of_points(rows) if whole else self._near_of(rows)
        return self._near_of_some[key]

    def _near_of(
        self, rows: IntArray | slice, turns: IntArray | None = None
    ) -> near_field.NearPairs:
        mesh = self.mesh
        return near_field.find_near_pairs(
            mesh.centroids[rows], mesh.normals[rows], self.signs, mesh, self.tree, turns
        )

    @cached_property
    def sample(self) -> SampledRows:
        """Some rows of the equation, evenly spread, that stand for all of them."""
        size = self.mesh.n_triangles
        ends = np.linspace(0, size, min(SAMPLED, size) + 1).astype(int)
        places = np.random.default_rng(size).integers(ends[:-1], ends[1:])
        rows = self.tree[0][places]
        return SampledRows(rows, self.near_of(rows))

    @cached_property
    def blocks(self) -> Blocks:
        """The matrix cut into blocks, for those of low rank."""
        return cut_clusters(self.tree, self.signs)


def mirror_signs(symmetry: tuple[str, ...]) -> FloatArray:
    """Return the signs of the coordinates of each mirror image, (n_images, 3); itself first.

    Examples
    --------
    >>> mirror_signs(("y",))
    array([[ 1.,  1.,  1.],
           [ 1., -1.,  1.]])
    """
    choices = [(1.0, -1.0) if axis in symmetry else (1.0,) for axis in "xyz"]
    return np.array(list(product(*choices)))


def discretise(mesh: Mesh, symmetry: tuple[str, ...] = ()) -> Discretisation:
    """Prepare a mesh for solving.

    Parameters
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Planes of mirror symmetry.
    """
    signs = mirror_signs(symmetry)
    return Discretisation(
        mesh,
        signs,
        near_field.second_moments(mesh),
        near_field.gauss_rules(mesh),
    )


def by_coordinate(vectors: FloatArray, dtype: type[np.floating]) -> NDArray[np.floating]:
    """Return (n, 3) vectors as a contiguous (3, n) array of a precision, for the kernels."""
    return np.ascontiguousarray(vectors.T, dtype=dtype)
