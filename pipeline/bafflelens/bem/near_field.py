# SPDX-License-Identifier: GPL-3.0-or-later
"""Singular and nearly singular integrals over flat triangles.

An element close to the field point cannot be represented by one point. Each integral is split:

* the static part (k = 0) is known in closed form (`bafflelens.bem.triangle_potentials`), holds
  everything that is singular, and is computed once a mesh, whatever the number of frequencies;
* the dynamic remainder (the kernel less its static limit) is bounded or weakly singular, and a
  Gauss rule is enough. It is computed at each frequency (`bafflelens.bem.near_layers`).

Symbols as in `bafflelens.bem.kernels`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.bem import nearby
from bafflelens.bem.clusters import BoxTree
from bafflelens.bem.triangle_potentials import static_double_layers
from bafflelens.mesh.mesh import Mesh

# Field points closer than this many longest edges are near an element ...
NEAR_EDGES = 2.5
# ... and closer than this many, its remainder takes the finer rule.
CLOSE_EDGES = 1.2
# Neighbours that look together for what is near them.
_TOGETHER = 16

# Symmetric Gauss rules on the triangle, barycentric coordinates and weights: degree 2 (3 points)
# and degree 5 (7 points). Source: G. R. Cowper, "Gaussian quadrature formulas for triangles",
# Int. J. Numer. Methods Eng. 7 (1973) 405; exactness is tested.
THREE_POINTS = np.array([[2 / 3, 1 / 6, 1 / 6], [1 / 6, 2 / 3, 1 / 6], [1 / 6, 1 / 6, 2 / 3]])
_THREE_WEIGHTS = np.full(3, 1 / 3)
_A, _B = (6 - np.sqrt(15)) / 21, (6 + np.sqrt(15)) / 21
_SEVEN_POINTS = np.array(
    [
        [1 / 3, 1 / 3, 1 / 3],
        [1 - 2 * _A, _A, _A],
        [_A, 1 - 2 * _A, _A],
        [_A, _A, 1 - 2 * _A],
        [1 - 2 * _B, _B, _B],
        [_B, 1 - 2 * _B, _B],
        [_B, _B, 1 - 2 * _B],
    ]
)
_SEVEN_WEIGHTS = np.array(
    [9 / 40] + [(155 - np.sqrt(15)) / 1200] * 3 + [(155 + np.sqrt(15)) / 1200] * 3
)


class NearPairs(NamedTuple):
    """Field points and elements that are close to each other, with their static integrals.

    Sorted by field point: entries ``start[i]`` to ``start[i + 1]`` belong to field point i.

    Attributes
    ----------
    start : (n_points + 1,) integer array
        First entry of each field point.
    element : (n_pairs,) integer array
        The element.
    image : (n_pairs,) integer array
        Which mirror image of the element.
    fine : (n_pairs,) bool array
        Whether the remainder takes the finer rule.
    own : (n_pairs,) bool array
        Whether the field point is the element's own centroid.
    double_layer, hypersingular : (n_pairs,) array
        Static K and H integrated over the element, in m^0 and 1/m; finite part where singular.
    """

    start: IntArray
    element: IntArray
    image: IntArray
    fine: NDArray[np.bool_]
    own: NDArray[np.bool_]
    double_layer: FloatArray
    hypersingular: FloatArray

    def of_points(self, points: IntArray) -> NearPairs:
        """Return the pairs of some field points alone, in their order."""
        counts = self.start[points + 1] - self.start[points]
        start = np.concatenate(([0], np.cumsum(counts)))
        pairs = np.repeat(self.start[points] - start[:-1], counts) + np.arange(start[-1])
        return NearPairs(
            start=start,
            element=self.element[pairs],
            image=self.image[pairs],
            fine=self.fine[pairs],
            own=self.own[pairs],
            double_layer=self.double_layer[pairs],
            hypersingular=self.hypersingular[pairs],
        )


class GaussRules(NamedTuple):
    """A coarse and a fine Gauss rule over every element.

    Attributes
    ----------
    coarse_points, fine_points : (n_triangles, n_rule, 3) array
        Points in m.
    coarse_weights, fine_weights : (n_triangles, n_rule) array
        Weights in m^2.
    """

    coarse_points: FloatArray
    coarse_weights: FloatArray
    fine_points: FloatArray
    fine_weights: FloatArray


class Elements(NamedTuple):
    """What near integrals need of the elements.

    Attributes
    ----------
    signs : (n_images, 3) array
        Mirror images: the sign of each coordinate.
    corners : (n_triangles, 3, 3) array
        Corners in m.
    centroids, normals : (n_triangles, 3) array
        Centroids in m, unit normals.
    areas, moments : (n_triangles,) array
        Areas and second moments in m^2.
    rules : GaussRules
        Gauss rules over them.
    """

    signs: FloatArray
    corners: FloatArray
    centroids: FloatArray
    normals: FloatArray
    areas: FloatArray
    moments: FloatArray
    rules: GaussRules


class CoupledPoints(NamedTuple):
    """Field points of the coupled equation.

    Attributes
    ----------
    points, normals : (n_points, 3) array
        Field points in m and unit normals.
    couplings : (n_points,) array
        k times the coupling of each.
    """

    points: FloatArray
    normals: FloatArray
    couplings: FloatArray


def find_near_pairs(
    points: FloatArray,
    normals: FloatArray,
    signs: FloatArray,
    mesh: Mesh,
    tree: BoxTree,
    turns: IntArray | None = None,
) -> NearPairs:
    """Find the near pairs of a set of field points and integrate their static parts.

    Parameters
    ----------
    points, normals : (n_points, 3) array
        Field points in m and unit normals.
    signs : (n_images, 3) array
        Mirror images: the sign of each coordinate.
    mesh : Mesh
        The elements.
    tree : BoxTree
        Of these.
    turns : (n_points,) integer array, optional
        The points in an order in which neighbours come after one another, if there is one.
    """
    limit = mesh.longest_edges
    reach = nearby.farthest((NEAR_EDGES * limit) ** 2, *tree[:3])
    together = 1 if turns is None else _TOGETHER
    turns = np.arange(len(points)) if turns is None else turns
    start, element, image, distance = nearby.find(
        points, turns, together, signs, mesh.centroids, (NEAR_EDGES * limit) ** 2, reach, *tree
    )
    double_layer, hypersingular = static_double_layers(
        points, normals, signs, mesh.corners, start, element, image
    )
    return NearPairs(
        start=start,
        element=element,
        image=image,
        fine=distance < CLOSE_EDGES * limit[element],
        own=distance < 1e-6 * limit[element],
        double_layer=double_layer,
        hypersingular=hypersingular,
    )


def gauss_rules(mesh: Mesh) -> GaussRules:
    """Return the coarse and the fine rule over every element."""
    corner = mesh.corners
    area = mesh.areas[:, None]
    return GaussRules(
        coarse_points=np.einsum("qc,tcx->tqx", THREE_POINTS, corner),
        coarse_weights=area * _THREE_WEIGHTS,
        fine_points=np.einsum("qc,tcx->tqx", _SEVEN_POINTS, corner),
        fine_weights=area * _SEVEN_WEIGHTS,
    )


def second_moments(mesh: Mesh) -> FloatArray:
    """Return the mean square distance from the centroid along one in-plane axis, in m^2.

    The mean over the two in-plane axes, (n_triangles,): for an equilateral triangle of edge h
    it is h^2 / 24 along any of them.
    """
    offset = mesh.corners - mesh.centroids[:, None, :]
    return np.asarray((offset**2).sum(axis=(1, 2)) / 24)
