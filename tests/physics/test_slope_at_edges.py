# SPDX-License-Identifier: GPL-3.0-or-later
"""Slopes over the surface where it has sharp outer edges.

Sources:

- body that is moved by d: what it scatters of a wave from e to s keeps its size and turns by
  exp(-ik (e + s) . d), on any mesh;
- field around an edge: p = r^(2/3) cos(2 t / 3) around a right angle fulfils Laplace's equation
  and has no normal gradient on both faces, by differentiation;
- mean of a power of r over a triangle: by quadrature.
"""

import bodies
import numpy as np
import pytest
import radiating
from arriving_waves import FROM, TOWARDS, scattered, scattering
from scipy import integrate

from bafflelens.bem.edge_gradients import _mean_power, gradients_at_edges
from bafflelens.bem.surface_gradient import WholeSurface
from bafflelens.bem.surface_slope import prepare_slopes

FULL = np.ones((9, 9, 9), dtype=bool)


def graded(size, steps=10):
    """Places that come nearer to each other towards both ends: 6 mm there, 69 in the middle."""
    return size / 2 * np.sin(np.pi / 2 * np.linspace(-1, 1, steps))


def moved(mesh, is_fitted):
    """Error of what moving a body along each axis changes, as a share."""
    wavenumber = 10.0
    problem, pressure, fields = scattering(mesh, wavenumber)
    prepared = prepare_slopes(mesh)
    product = prepared.product(pressure, fields)
    if not is_fitted:
        product = sum((matrix @ pressure.T).T * (matrix @ fields.T).T for matrix in prepared.along)
    slope = (product - wavenumber**2 * pressure * fields) * mesh.areas / (4 * np.pi)
    errors = []
    for axis in range(3):
        turn = -1j * wavenumber * (FROM[0, axis] + TOWARDS[:, axis])
        expected = turn * scattered(problem, pressure)
        errors.append(radiating.relative_error(slope @ mesh.normals[:, axis], expected))
    return max(errors)


def test_triangles_graded_towards_edges_make_no_difference():
    mesh = bodies.blocks(graded(0.4), graded(0.4), graded(0.4), FULL)
    assert moved(mesh, is_fitted=True) < 0.05
    # polynomials on one face and around the edge, as elsewhere, are far off here
    assert moved(mesh, is_fitted=False) > 0.15


def test_long_triangles_at_edges():
    mesh = bodies.box((0.3, 0.4, 0.5), (4, 9, 18))
    assert moved(mesh, is_fitted=True) < 0.1
    assert moved(mesh, is_fitted=False) > 0.2


def test_the_field_around_a_right_angle_is_integrated_as_it_is():
    mesh = bodies.box((0.3, 0.4, 0.5), (5, 6, 8))
    found = gradients_at_edges(WholeSurface.of(mesh))
    # the edge along y at the upper front; its faces are x = 0.15 and z = 0.25
    x, _, z = mesh.centroids.T
    r = np.hypot(0.15 - x, 0.25 - z)
    value = r ** (2 / 3) * np.where(x > 0.1499, 1.0, -1.0)
    product = found.product(value[np.newaxis], value[np.newaxis])[0]
    rows = found.rows
    middle = (
        (np.abs(mesh.centroids[rows, 1]) < 0.09)
        & (x[rows] > 0.05) & (z[rows] > 0.15) & (r[rows] > 0) & (r[rows] < 0.06)
    )  # fmt: skip
    assert middle.sum() > 10
    for number, row in zip(np.flatnonzero(middle), rows[middle], strict=True):
        corners = mesh.corners[row]
        distances = np.sort(np.hypot(0.15 - corners[:, 0], 0.25 - corners[:, 2]))
        expected = 4 / 9 * mean_by_quadrature(-2 / 3, distances)
        assert product[number] == pytest.approx(expected, rel=0.02)


def mean_by_quadrature(exponent, distances):
    """Mean of r^exponent over a triangle, r linear in it."""
    first, second, third = distances

    def inner(u):
        return integrate.quad(
            lambda v: (first + (second - first) * u + (third - first) * v) ** exponent, 0, 1 - u
        )[0]

    return 2 * integrate.quad(inner, 0, 1)[0]


@pytest.mark.parametrize("exponent", [-2 / 3, 1 / 3, 2.0])
@pytest.mark.parametrize(
    "distances", [(0, 0, 1.0), (0, 0.7, 1), (0.2, 0.5, 0.9), (0, 1, 1), (1, 1, 1)]
)
def test_mean_of_a_power_over_a_triangle(exponent, distances):
    given = np.array(distances, dtype=float)
    found = _mean_power(exponent, given)
    assert found == pytest.approx(mean_by_quadrature(exponent, given), rel=1e-4)


def test_constants_have_no_gradient_and_mirrored_halves_are_the_whole():
    whole = bodies.box((0.3, 0.4, 0.4), (6, 8, 8))
    found = gradients_at_edges(WholeSurface.of(whole))
    half = bodies.box((0.3, 0.4, 0.4), (6, 8, 8), ("y",))
    part = gradients_at_edges(WholeSurface.of(half, ("y",)))
    everywhere = np.ones((1, half.n_triangles))
    assert np.abs(part.product(everywhere, everywhere)).max() < 1e-8

    def field(mesh):
        x, y, z = mesh.centroids.T
        return (x + z**2 + np.abs(y))[np.newaxis]

    total = found.product(field(whole), field(whole))[0] @ whole.areas[found.rows]
    of_half = part.product(field(half), field(half))[0] @ half.areas[part.rows]
    assert of_half == pytest.approx(total / 2, rel=0.1)


def test_where_nothing_is_sharp_nothing_is_fitted():
    mesh = bodies.icosphere(6)
    assert gradients_at_edges(WholeSurface.of(mesh)).rows.size == 0
    values = mesh.centroids.T.astype(complex)
    assert prepare_slopes(mesh).product(values, values).shape == values.shape


def test_slopes_that_are_wanted_at_some_triangles_are_what_they_are_among_all():
    mesh = bodies.box((0.3, 0.4, 0.4), (6, 8, 8), ("y",))
    wanted = np.flatnonzero(mesh.normals[:, 0] > 0.9)
    x, y, z = mesh.centroids.T
    values = np.stack((x + z**2, y * z + 1j * x))
    everywhere = prepare_slopes(mesh, ("y",)).product(values, values[::-1])
    found = prepare_slopes(mesh, ("y",), wanted=wanted).product(values, values[::-1])
    assert 0 < wanted.size < mesh.n_triangles
    np.testing.assert_array_equal(found[:, wanted], everywhere[:, wanted])
