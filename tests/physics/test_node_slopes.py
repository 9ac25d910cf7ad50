# SPDX-License-Identifier: GPL-3.0-or-later
"""The derivative of the discretised equation with the corners of its mesh.

Sources: none needed. It is held against central differences of the same equation on moved meshes,
in any direction at any corner; parts of it against differences of what they are derivatives of.
"""

from dataclasses import replace
from functools import partial

import bodies
import numpy as np
import pytest
import radiating
from piston_boxes import bump, displacement, piston_box, solved

from bafflelens.bem import far_slopes, node_slopes
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.kernels import fill_coupled_double_layer
from bafflelens.bem.near_derivatives import static_derivatives
from bafflelens.bem.node_slopes import corner_slopes, density
from bafflelens.bem.pair_derivatives import add_pairs
from bafflelens.bem.surface_slope import moving_triangles
from bafflelens.bem.system_matrix import Storage
from bafflelens.bem.triangle_potentials import pair_double_layer

TO = radiating.around(np.radians([-70.0, 0.0, 20.0, 100.0]))
# the largest relative residual: differences of 0.1 % of the size of a triangle are wanted
TOLERANCE = 1e-6


def slopes_of(problem, weights):
    return corner_slopes(
        problem,
        solved(problem).surface_pressure,
        TO,
        weights,
        discretisation=discretise(problem.mesh, problem.symmetry),
        tolerance=TOLERANCE,
    )


def levels(problem, vertices):
    moved = replace(problem, mesh=replace(problem.mesh, vertices=vertices))
    return np.log(solved(moved).far_field(TO)[0])


@pytest.mark.parametrize("symmetry", [(), ("y",)])
def test_differences_of_moved_corners(symmetry):
    problem = piston_box(symmetry)
    mesh = problem.mesh
    rng = np.random.default_rng(3)
    moves = rng.standard_normal(mesh.vertices.shape)
    moves[mesh.triangles[moving_triangles(problem)]] = 0
    for plane in symmetry:
        axis = "xyz".index(plane)
        moves[np.abs(mesh.vertices[:, axis]) < 1e-9, axis] = 0
    step = 2e-4  # of triangles of 50 mm
    ends = [levels(problem, mesh.vertices + sign * step * moves) for sign in (-1, 1)]
    expected = (ends[1] - ends[0]).real / (2 * step)
    weights = np.diag(1 / np.conj(solved(problem).far_field(TO)[0]))[:, np.newaxis]
    found = np.einsum("ocx,cx->o", slopes_of(problem, weights), moves)
    # the surface crinkles: nothing here is smooth, and each corner counts by itself
    assert radiating.relative_error(found, expected) < 0.02


def test_the_sum_over_corners_is_that_over_the_surface():
    problem = piston_box(("y",), fine=2)
    mesh = problem.mesh
    along_x = bump(mesh)
    weights = np.array([[[1.0, 0.5j, -1.0 + 1j, 0.3]]])
    slopes = slopes_of(problem, weights)
    fixed = moving_triangles(problem)
    by_area = density(mesh, problem.symmetry, slopes, fixed)
    assert np.all(by_area[:, fixed] == 0)
    found = by_area[0] @ (mesh.areas * displacement(mesh, along_x))
    assert found == pytest.approx(slopes[0, :, 0] @ along_x, rel=0.01)


def test_static_parts_close_to_an_element():
    rng = np.random.default_rng(1)
    corners = rng.standard_normal((3, 3))
    for _ in range(5):
        point, normal = rng.standard_normal((2, 3))
        normal /= np.linalg.norm(normal)
        found = np.empty((7, 3))
        static_derivatives(point, normal, corners, found)
        step = 1e-6
        for axis in range(3):
            unit = step * np.eye(3)[axis]
            for corner in range(3):
                shift = np.zeros((3, 3))
                shift[corner] = unit
                ahead = pair_double_layer(point, normal, corners + shift)
                back = pair_double_layer(point, normal, corners - shift)
                expected = (np.array(ahead) - back) / (2 * step)
                given = found[corner, axis], found[3 + corner, axis]
                assert given == pytest.approx(expected, rel=1e-5, abs=1e-7)
            turned = pair_double_layer(point, unit / step, corners)[1]
            assert found[6, axis] == pytest.approx(turned)


def entry(points, elements, signs, scalars):
    """Return what the first point takes of the second element, by the kernel of the matrix."""
    matrix = np.empty((2, 2), dtype=complex)
    couplings = points[6, :2] * scalars[0]
    far = points[:3, :2], points[3:6, :2], signs, couplings, elements[:3, :2], elements[3:6, :2]
    far = (*map(np.ascontiguousarray, far), elements[6, :2].copy(), elements[7, :2].copy())
    fill_coupled_double_layer(*far, scalars, matrix.view(float))
    return matrix[0, 1]


@pytest.mark.parametrize("apart", [0.02, 0.05, 0.3])
def test_a_pair_changes_as_its_entry_in_the_matrix_does(apart):
    """From pairs two elements apart, where each is curved for the other, to distant ones."""
    rng = np.random.default_rng(5)
    k, area = 150.0, 1e-4
    directions = rng.standard_normal((4, 3))
    u, n, m, other = directions / np.linalg.norm(directions, axis=1)[:, np.newaxis]
    points, elements = np.zeros((7, 2 + 16)), np.zeros((8, 2 + 16))
    points[3:6, 0], points[3:6, 1], points[6, :2] = n, other, 0.3 * np.sqrt(area)
    elements[:3, 1], elements[3:6, 0], elements[3:6, 1] = apart * u, other, m
    elements[6, :2], elements[7, :2] = area, 0.5 * k**2 * area / 12
    signs, scalars = np.ones((1, 3)), np.array([k, 1 / k, k / (2 * np.pi), 1.0])
    left, right = 0.6 - 0.8j, -0.3 + 1j

    def value(where, row, change):
        given = {"points": points.copy(), "elements": elements.copy()}
        given[where][row, 1 if where == "elements" else 0] += change
        return (left * right * entry(**given, signs=signs, scalars=scalars)).real

    def slope(where, row, step):
        return (value(where, row, step) - value(where, row, -step)) / (2 * step)

    far = (points, elements, signs, scalars)
    far = tuple(np.ascontiguousarray(each, dtype=np.float32) for each in far)
    nothing = np.zeros(3, dtype=int), np.empty(0, dtype=int), np.empty(0, dtype=int)
    parts = np.zeros((2, 2), dtype=np.float32)
    adjoint, pressure = parts[np.newaxis, np.newaxis].copy(), parts[np.newaxis].copy()
    adjoint[0, 0, :, 0] = left.real, left.imag
    pressure[0, :, 1] = right.real, right.imag
    at_point, at_element = np.zeros((1, 6, 2), np.float32), np.zeros((1, 8, 2), np.float32)
    block, order = np.array([[0, 1, 1, 2, 0]]), np.arange(2)
    add_pairs(far, block, order, order, nothing, adjoint, pressure, at_point, at_element)
    step = 1e-6
    at_point, at_element = at_point[0, :, 0], at_element[0, :, 1]
    expected = [slope("points", row, step * (1 if row > 2 else apart)) for row in range(6)]
    assert at_point == pytest.approx(expected, rel=1e-3, abs=2e-4 * np.abs(expected).max())
    expected = [slope("elements", row, step * apart) for row in range(3)]
    moved = at_element[:3] + at_element[3] * m
    assert moved == pytest.approx(expected, rel=1e-3, abs=2e-4 * np.abs(expected).max())
    expected = [slope("elements", row, step) for row in range(3, 6)]
    assert at_element[4:7] == pytest.approx(expected, rel=1e-3, abs=2e-4 * np.abs(expected).max())
    # the moment grows with the area
    grows = slope("elements", 6, step * area) * area
    grows += slope("elements", 7, step * elements[7, 1]) * elements[7, 1]
    assert at_element[4:7] @ m + at_element[7] == pytest.approx(grows, rel=1e-3)


def test_no_objective_with_a_slope():
    problem = piston_box()
    assert not slopes_of(problem, np.zeros((2, 1, len(TO)))).any()


@pytest.mark.parametrize("symmetry", [(), ("y",)])
def test_blocks_of_low_rank_change_as_all_their_pairs_do(symmetry, monkeypatch):
    """Also on flat faces, where a matrix knows of one normal alone."""
    counts = (8, 12 if symmetry else 24, 20)
    mesh = bodies.box((0.16, 0.48, 0.4), counts, symmetry)
    x, y, z = mesh.centroids.T
    velocity = ((x > 0.079) & (np.hypot(y, z) < 0.07)).astype(complex)[np.newaxis]
    problem = replace(
        piston_box(symmetry), mesh=mesh, normal_velocity=velocity, frequency_hz=1500.0
    )
    pressure = solved(problem).surface_pressure
    rng = np.random.default_rng(4)
    weights = rng.standard_normal((2, 1, len(TO))) + 1j * rng.standard_normal((2, 1, len(TO)))
    in_pairs = []
    add_pairs = far_slopes.pair_derivatives.add_pairs

    def counted(far, blocks, *others):
        in_pairs[-1] += int(((blocks[:, 1] - blocks[:, 0]) * (blocks[:, 3] - blocks[:, 2])).sum())
        add_pairs(far, blocks, *others)

    monkeypatch.setattr(far_slopes.pair_derivatives, "add_pairs", counted)
    found = []
    for storage in (Storage.PACKED, Storage.LOW_RANK):
        settings = partial(EngineSettings, storage=storage)
        monkeypatch.setattr(node_slopes, "EngineSettings", settings)
        in_pairs.append(0)
        slopes = corner_slopes(
            problem, pressure, TO, weights, discretisation=discretise(mesh, symmetry)
        )
        found.append(slopes)
    assert in_pairs[1] < 0.6 * in_pairs[0]
    # as exact as the iteration makes of it 0.012: too much where the parts of a length cancel
    assert radiating.relative_error(found[1], found[0]) < 0.005
    assert np.abs(found[1] - found[0]).max() < 0.006 * np.abs(found[0]).max()
