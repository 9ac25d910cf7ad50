# SPDX-License-Identifier: GPL-3.0-or-later
"""Single and double layers of the Burton-Miller equation at collocation points, near ones exact.

Symbols as in `bafflelens.bem.burton_miller`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.bem import kernels, near_field, near_layers, phases
from bafflelens.bem.discretisation import Discretisation, by_coordinate
from bafflelens.bem.triangle_potentials import FOUR_PI
from bafflelens.mesh.mesh import Mesh


@dataclass(frozen=True, eq=False)
class AtFrequency:
    """A discretisation at one frequency, with what all operators there have in common.

    Attributes
    ----------
    discretisation : Discretisation
        The elements and their near pairs.
    wavenumber : float
        k in 1/m.
    """

    discretisation: Discretisation
    wavenumber: float

    @property
    def mesh(self) -> Mesh:
        """The elements."""
        return self.discretisation.mesh

    @cached_property
    def coupling(self) -> FloatArray:
        """Coupling of each collocation point times k, (n_triangles,); see `local_coupling`."""
        return local_coupling(self.mesh, self.wavenumber, len(self.discretisation.signs))

    @cached_property
    def everywhere(self) -> FieldPoints:
        """All collocation points, coupled."""
        return self._field_points(np.arange(self.mesh.n_triangles), self.discretisation.near)

    @cached_property
    def sampled(self) -> FieldPoints:
        """The few that stand for all, coupled."""
        sample = self.discretisation.sample
        return self._field_points(sample.rows, sample.near)

    def uncoupled(self, rows: IntArray) -> FieldPoints:
        """Return some collocation points, as the plain equation takes them."""
        points = self._field_points(rows, self.discretisation.near_of(rows))
        return replace(points, coupling=np.zeros(rows.size))

    def _field_points(self, rows: IntArray, near: near_field.NearPairs) -> FieldPoints:
        mesh = self.mesh
        return FieldPoints(
            rows=rows,
            points=mesh.centroids[rows],
            normals=mesh.normals[rows],
            coupling=self.coupling[rows],
            near=near,
            own_element=near_layers.own_element_dynamic(mesh, self.wavenumber, rows),
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class FieldPoints:
    """Collocation points at which the layers are taken.

    Attributes
    ----------
    rows : (n_points,) integer array
        The elements whose centroids they are.
    points, normals : (n_points, 3) array
        Coordinates in m and unit normals.
    coupling : (n_points,) array
        k times the coupling.
    near : NearPairs
        The elements near each.
    own_element : pair of (n_triangles,) complex arrays
        From `near_layers.own_element_dynamic`, 0 for elements that are not among the rows.
    """

    rows: IntArray
    points: FloatArray
    normals: FloatArray
    coupling: FloatArray
    near: near_field.NearPairs
    own_element: tuple[ComplexArray, ComplexArray]

    @property
    def coupled(self) -> near_field.CoupledPoints:
        """The points without what is near them, for the kernels."""
        return near_field.CoupledPoints(self.points, self.normals, self.coupling)


def double_layers(at: AtFrequency, where: FieldPoints, pressure: ComplexArray) -> ComplexArray:
    """Return (K + (ie/k) H) times each row of ``pressure`` at field points, (n, n_points)."""
    number = len(where.points)
    result = np.empty((len(pressure), number), dtype=complex)
    far = far_arguments(at, where)
    kernels.apply_coupled_double_layer(*far, phases.parts(pressure, np.float32), result)
    near_matrix = sparse.csr_array(
        (near_pair_corrections(at, where), where.near.element, where.near.start),
        shape=(number, at.mesh.n_triangles),
    )
    return np.asarray(result + (near_matrix @ pressure.T).T)


def single_layers(at: AtFrequency, where: FieldPoints, gradient: ComplexArray) -> ComplexArray:
    """Return (V + (ie/k) (K' + 1/2)) times each row of ``gradient``, (n, n_points)."""
    discretisation = at.discretisation
    moving = np.any(gradient != 0, axis=0)
    result = np.zeros((len(gradient), len(where.points)), dtype=complex)
    points, normals, signs, couplings, sources, source_normals, weights, moments, scalars = (
        far_arguments(at, where)
    )
    kernels.add_coupled_single_layer(
        points,
        normals,
        signs,
        couplings,
        # contiguous again, or the compiler takes single numbers instead of vectors
        np.ascontiguousarray(sources[:, moving]),
        np.ascontiguousarray(source_normals[:, moving]),
        weights[moving],
        moments[moving],
        scalars,
        phases.parts(gradient[:, moving], np.float32),
        result,
    )
    near_layers.add_near_single_layer(
        where.coupled,
        discretisation.elements,
        where.near,
        moving,
        where.own_element[0],
        at.wavenumber,
        np.ascontiguousarray(gradient),
        result,
    )
    return np.asarray(result + 0.5j / at.wavenumber * where.coupling * gradient[:, where.rows])


def local_coupling(mesh: Mesh, wavenumber: float, copies: int) -> FloatArray:
    """Return e, k times the coupling of each collocation point, (n_triangles,): min(1, kh/2).

    Below the first irregular frequency that a body of its volume can have, it falls with the
    square of the frequency besides. ``copies`` is the number of mirror images, itself included.

    h is the square root of the element's area. Constant elements represent the hypersingular
    operator with an error of the order of h times the curvature of p. The classical coupling i/k
    weights it by 1/k: at a low frequency it rules the error, and the iteration is slow. Weighted
    by ih/2 it is of second order, like the rest. The equation keeps one solution at every
    frequency as long as the imaginary part of the coupling has one sign everywhere on the
    surface; there the plain equation's error, of order h^2, is divided by the coupling, so that
    a law which falls faster, such as (kh)^2, does not converge. ``tests/benchmarks/coupling.py``
    compares the choices on a cabinet, across its irregular frequencies.

    Irregular frequencies are those of the body's inside with zero pressure on its walls. Of all
    bodies of a volume the ball has the lowest, at k = pi over its radius (inequality of Faber
    and Krahn, from memory). Below it the plain equation needs no help, and what a small source
    radiates hangs on a small part of its pressure, which the coupling would spoil.
    """
    radius = (3 * abs(mesh.volume) * copies / (4 * np.pi)) ** (1 / 3)
    near_first = min(1.0, wavenumber * radius / np.pi) ** 2
    return np.asarray(near_first * np.minimum(1.0, 0.5 * wavenumber * np.sqrt(mesh.areas)))


def near_pair_corrections(at: AtFrequency, where: FieldPoints) -> ComplexArray:
    """Return what near pairs add to the far rule, (n_pairs,)."""
    corrections = np.empty(where.near.element.size, dtype=complex)
    near_layers.near_corrections(
        where.coupled,
        at.discretisation.elements,
        where.near,
        where.own_element[1],
        at.wavenumber,
        corrections,
    )
    return corrections


def far_arguments(
    at: AtFrequency, where: FieldPoints, real: type[np.floating[Any]] = np.float32
) -> tuple[NDArray[np.floating[Any]], ...]:
    """Return the arguments of the far kernels for some field points, in a precision."""
    mesh, discretisation = at.mesh, at.discretisation
    return (
        by_coordinate(where.points, real),
        by_coordinate(where.normals, real),
        discretisation.signs.astype(real),
        where.coupling.astype(real),
        by_coordinate(mesh.centroids, real),
        by_coordinate(mesh.normals, real),
        (mesh.areas / FOUR_PI).astype(real),
        (0.5 * at.wavenumber**2 * discretisation.moments).astype(real),
        phases.scalars(at.wavenumber, real),
    )
