# SPDX-License-Identifier: GPL-3.0-or-later
"""Integrals over one triangle: closed forms and rules against brute force.

Static kernels, with r = |x - y|, r_y = (y - x) . n_y / r, r_x = (x - y) . n_x / r:

    G = 1/(4 pi r),  K = -r_y/(4 pi r^2),  K' = -r_x/(4 pi r^2),
    H = (3 r_x r_y + n_x . n_y)/(4 pi r^3)

Sources of the closed forms: A. van Oosterom and J. Strackee, IEEE Trans. Biomed. Eng. 30 (1983)
125 (solid angle); D. R. Wilton et al., IEEE Trans. Antennas Propag. 32 (1984) 276 (potential);
Gauss rules: G. R. Cowper, Int. J. Numer. Methods Eng. 7 (1973) 405. The brute force here is a
recursive subdivision towards the field point with a product rule of 64 points a piece.
"""

import math
from itertools import pairwise

import bodies
import numpy as np
import pytest
import radiating
from scipy import integrate

from bafflelens.bem import burton_miller, kernels, layers, near_field, near_layers, phases
from bafflelens.bem.discretisation import discretise
from bafflelens.bem.triangle_potentials import FOUR_PI, pair_double_layer, pair_single_layer
from bafflelens.mesh.mesh import Mesh

TRIANGLE = np.array([[0.0, 0.0, 0.0], [1.0, 0.1, 0.0], [0.3, 0.8, 0.0]])
NORMAL = np.array([0.0, 0.0, 1.0])
FIELD_NORMAL = np.array([0.48, -0.6, 0.64])
POINTS = [
    (0.4, 0.3, 0.05),  # above the middle, a twentieth of an edge away
    (0.4, 0.3, -0.05),
    (0.65, 0.45, 0.02),  # above an edge
    (0.0, 0.0, 0.03),  # above a corner
    (0.5, -0.1, 0.0),  # in the plane, outside
    (1.3, 0.7, 0.4),
    (-3.0, 2.0, 1.0),
]


def product_rule(n=8):
    """Gauss-Legendre rule on the triangle, squeezed from the square: weights sum to 1."""
    node, weight = np.polynomial.legendre.leggauss(n)
    u, v = ((a.ravel() + 1) / 2 for a in np.meshgrid(node, node, indexing="ij"))
    barycentric = np.stack([1 - u, u * (1 - v), u * v], axis=1)
    return barycentric, np.outer(weight, weight).ravel() / 2 * u


RULE = product_rule()


def brute_force(kernel, point, corners, depth=12):
    """Integral of kernel(y) over a triangle, pieces smaller than their distance to the point."""
    edges = np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).max()
    if depth and np.linalg.norm(corners.mean(axis=0) - point) < 2 * edges:
        middle = (corners + np.roll(corners, -1, axis=0)) / 2
        pieces = [np.array([corners[i], middle[i], middle[i - 1]]) for i in range(3)]
        return sum(brute_force(kernel, point, piece, depth - 1) for piece in (*pieces, middle))
    area = np.linalg.norm(np.cross(corners[1] - corners[0], corners[2] - corners[0])) / 2
    return area * (RULE[1] @ kernel(RULE[0] @ corners))


def helmholtz(point, field_normal, source_normal, k):
    """The four kernels between a point and y (n, 3), as functions of y."""

    def geometry(y):
        d = y - point
        r = np.linalg.norm(d, axis=1)
        return (
            r,
            d @ source_normal / r,
            -d @ field_normal / r,
            np.exp(1j * k * r) / (4 * np.pi * r),
        )

    def single(y):
        return geometry(y)[3]

    def double(y):
        r, r_y, _, green = geometry(y)
        return (1j * k - 1 / r) * r_y * green

    def adjoint(y):
        r, _, r_x, green = geometry(y)
        return (1j * k - 1 / r) * r_x * green

    def hypersingular(y):
        r, r_y, r_x, green = geometry(y)
        a, b = r_x * r_y, field_normal @ source_normal
        return (a * (3 / r**2 - 3j * k / r - k**2) + b * (1 / r**2 - 1j * k / r)) * green

    return single, double, adjoint, hypersingular


# ----------------------------------------------------------- static closed forms
@pytest.mark.parametrize("point", POINTS)
def test_static_closed_forms(point):
    point = np.array(point)
    expected = [
        brute_force(kernel, point, TRIANGLE).real
        for kernel in helmholtz(point, FIELD_NORMAL, NORMAL, 0.0)
    ]
    single, adjoint = pair_single_layer(point, FIELD_NORMAL, TRIANGLE)
    double, hypersingular = pair_double_layer(point, FIELD_NORMAL, TRIANGLE)
    found = [single, double, adjoint, hypersingular]
    np.testing.assert_allclose(found, expected, rtol=1e-6, atol=1e-8)


def outline(angle):
    """Distance from the centroid to the edge in a direction of the plane."""
    centre = TRIANGLE.mean(axis=0)
    direction = np.array([np.cos(angle), np.sin(angle)])
    hits = []
    for i in range(3):
        a, b = (TRIANGLE[i] - centre)[:2], (TRIANGLE[(i + 1) % 3] - centre)[:2]
        matrix = np.stack([direction, a - b], axis=1)
        distance, share = np.linalg.solve(matrix, a)
        if distance > 0 and -1e-12 <= share <= 1 + 1e-12:
            hits.append(distance)
    return min(hits)


def corner_angles():
    offset = (TRIANGLE - TRIANGLE.mean(axis=0))[:, :2]
    return np.sort(np.arctan2(offset[:, 1], offset[:, 0]))


def around(function):
    """Integral over the full turn, edge by edge."""
    limits = corner_angles()
    limits = [*limits, limits[0] + 2 * np.pi]
    return sum(
        integrate.quad(function, low, high, epsabs=1e-11)[0] for low, high in pairwise(limits)
    )


def test_own_element_takes_the_finite_part():
    """Finite part of int dS/(4 pi r^3): cut out a small disk of radius s, drop what grows as 1/s.

    Over the ring between s and the outline this leaves -1/(4 pi) oint dtheta / rho. The solid
    angle of an element from its own plane is zero.
    """
    expected = -around(lambda angle: 1 / outline(angle)) / (4 * np.pi)
    double, found = pair_double_layer(TRIANGLE.mean(axis=0), NORMAL, TRIANGLE)
    assert found == pytest.approx(expected, rel=1e-9)
    assert double == 0
    # It is also the limit from outside: the normal derivative of a double layer does not jump.
    above = TRIANGLE.mean(axis=0) + np.array([0, 0, 1e-6])
    assert pair_double_layer(above, NORMAL, TRIANGLE)[1] == pytest.approx(found)


def test_own_element_at_a_frequency():
    k = 2.5
    mesh = Mesh(TRIANGLE, np.array([[0, 1, 2]]), np.array(["dome"]))
    layer, dynamic = near_layers.own_element_dynamic(mesh, k)

    def in_polar(radial):
        """Integral over the triangle of a function of the distance times the distance."""

        def of_angle(angle, part):
            node, weight = np.polynomial.legendre.leggauss(30)
            rho = outline(angle)
            return part(rho / 2 * weight @ radial(rho / 2 * (node + 1)))

        return around(lambda t: of_angle(t, np.real)) + 1j * around(lambda t: of_angle(t, np.imag))

    single = in_polar(lambda r: np.exp(1j * k * r) / (4 * np.pi))
    rest = in_polar(lambda r: ((1 - 1j * k * r) * np.exp(1j * k * r) - 1) / (4 * np.pi * r**2))
    # Eight points an edge in the angle: 1e-4 is far below what one element contributes.
    assert layer[0] == pytest.approx(single, rel=1e-4)
    assert dynamic[0] == pytest.approx(rest, rel=1e-4)


# ------------------------------------------------------------------ Gauss rules
@pytest.mark.parametrize(("rule", "degree"), [("coarse", 2), ("fine", 5)])
def test_gauss_rules_are_exact_to_their_degree(rule, degree):
    """Over the unit right triangle int x^a y^b = a! b! / (a + b + 2)!."""
    mesh = Mesh(
        np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]), np.array([[0, 1, 2]]), np.array(["a"])
    )
    coarse_points, coarse_weights, fine_points, fine_weights = near_field.gauss_rules(mesh)
    points, weights = (
        (coarse_points, coarse_weights) if rule == "coarse" else (fine_points, fine_weights)
    )
    x, y = points[0, :, 0], points[0, :, 1]

    def error(a, b):
        exact = math.factorial(a) * math.factorial(b) / math.factorial(a + b + 2)
        return abs(weights[0] @ (x**a * y**b) - exact)

    errors = [error(a, n - a) for n in range(degree + 1) for a in range(n + 1)]
    assert max(errors) < 1e-15
    assert max(error(a, degree + 1 - a) for a in range(degree + 2)) > 1e-6


def test_second_moment():
    """Mean square distance from the centroid along one axis, h^2 / 24 for edge h."""
    corners = np.array([[0.0, 0, 0], [2, 0, 0], [1, np.sqrt(3), 0]])
    mesh = Mesh(corners, np.array([[0, 1, 2]]), np.array(["a"]))
    assert near_field.second_moments(mesh) == pytest.approx([4 / 24])


# ------------------------------------------------------------------- far kernels
def formula(points, normals, sources, source_normals, weights, moments, couplings, k):
    """The kernel K + (ie/k) H of one point an element, as written in `kernels`, in plain numpy."""
    d = sources[None] - points[:, None]
    r = np.linalg.norm(d, axis=2)
    r_y = np.einsum("ijx,jx->ij", d, source_normals) / r
    r_x = -np.einsum("ijx,ix->ij", d, normals) / r
    a, b = r_x * r_y, normals @ source_normals.T
    green = np.exp(1j * k * r) / r * weights * (1 - moments * (1 - r_y**2))
    curved = 9 * (b + 5 * a) - r_y**2 * (105 * a + 45 * b)
    # m/2 over r^2, with moments = k^2 m / 2
    spread = moments / (k * r) ** 2
    u = 3 * a + b + spread * curved
    double = (1j * k - 1 / r) * r_y * (1 + spread * (9 - 15 * r_y**2))
    hypersingular = u * (1 / r**2 - 1j * k / r) - k**2 * a
    return green * (double + 1j * couplings[:, None] / k * hypersingular)


@pytest.fixture(scope="module")
def cloud():
    random = np.random.default_rng(8)
    points, sources = random.normal(size=(2, 40, 3))
    normals, source_normals = random.normal(size=(2, 40, 3))
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    source_normals /= np.linalg.norm(source_normals, axis=1)[:, None]
    weights, moments = random.uniform(0.001, 0.01, size=(2, 40))
    return points, normals, sources, source_normals, weights, moments, random.uniform(size=40)


@pytest.mark.parametrize(("real", "tolerance"), [(np.float64, 1e-12), (np.float32, 1e-4)])
@pytest.mark.parametrize("k", [0.7, 12.0, 60.0])
def test_far_kernel_is_the_formula(cloud, k, real, tolerance):
    points, normals, sources, source_normals, weights, moments, couplings = cloud
    expected = formula(points, normals, sources, source_normals, weights, moments, couplings, k)
    complex_type = np.complex64 if real is np.float32 else np.complex128
    found = np.empty(expected.shape, dtype=complex_type)
    kernels.fill_coupled_double_layer(
        np.ascontiguousarray(points.T, dtype=real),
        np.ascontiguousarray(normals.T, dtype=real),
        np.ones((1, 3), dtype=real),
        couplings.astype(real),
        np.ascontiguousarray(sources.T, dtype=real),
        np.ascontiguousarray(source_normals.T, dtype=real),
        weights.astype(real),
        moments.astype(real),
        phases.scalars(k, real),
        found.view(real),
    )
    assert np.abs(found - expected).max() < tolerance * np.abs(expected).max()


@pytest.mark.parametrize("quantity", ["double and hypersingular", "single and adjoint"])
def test_far_rule_is_of_third_order(quantity):
    """One point with the second moment against brute force, static (k = 0.01), for an
    equilateral triangle: the error falls with the third power of edge over distance.
    """
    k, x, n_x = 0.01, np.array([0.3, 0.5, 0.9]), np.array([0.36, 0.48, 0.8])
    errors = []
    for edge in (0.4, 0.2):
        corners = edge * np.array([[1, 0, 0], [-0.5, 3**0.5 / 2, 0], [-0.5, -(3**0.5) / 2, 0]])
        mesh = Mesh(corners / 3**0.5, np.array([[0, 1, 2]]), np.array(["a"]))
        single, double, adjoint, hyper = helmholtz(x, n_x, mesh.normals[0], k)
        # Each in the precision that the program compiles it for.
        real = np.float32 if quantity == "single and adjoint" else np.float64
        arrays = (
            x[:, None], n_x[:, None], np.ones((1, 3)), np.ones(1),
            mesh.centroids.T.copy(), mesh.normals.T.copy(), mesh.areas / FOUR_PI,
            0.5 * k**2 * near_field.second_moments(mesh),
        )  # fmt: skip
        arguments = (*(array.astype(real) for array in arrays), phases.scalars(k, real))
        out = np.zeros((1, 1), dtype=complex)
        if quantity == "single and adjoint":
            kernels.add_coupled_single_layer(*arguments, np.array([[[1], [0]]], real), out)
            plain, coupled = single, adjoint
        else:
            kernels.fill_coupled_double_layer(*arguments, out.view(real))
            plain, coupled = double, hyper
        exact = brute_force(plain, x, corners / 3**0.5)
        exact += 1j / k * brute_force(coupled, x, corners / 3**0.5)
        errors.append(
            [
                abs((out[0, 0] - exact).real / exact.real),
                abs((out[0, 0] - exact).imag / exact.imag),
            ]
        )
    for coarse, fine in zip(*errors, strict=True):
        assert fine < coarse / 6.5, errors
        assert coarse < 2e-3


# ------------------------------------------------------------- the whole near rule
def matrix_and_exact_rows(mesh, k, coupling, rows):
    """Rows of the system matrix as the engine makes them, and by brute force."""
    problem = radiating.problem(mesh, np.ones(mesh.n_triangles), k)
    settings = burton_miller.EngineSettings(double_precision=True)
    at = layers.AtFrequency(discretise(mesh), problem.wavenumber)
    system = burton_miller.assemble(at, settings, burton_miller.Workspace())
    exact = np.empty((len(rows), mesh.n_triangles), dtype=complex)
    for number, i in enumerate(rows):
        x, n_x = mesh.centroids[i], mesh.normals[i]
        for j in range(mesh.n_triangles):
            if i == j:
                exact[number, j] = np.nan
                continue
            _, double, _, hyper = helmholtz(x, n_x, mesh.normals[j], k)
            exact[number, j] = brute_force(
                lambda y, double=double, hyper=hyper, i=i: (
                    double(y) + 1j * coupling[i] / k * hyper(y)
                ),
                x,
                mesh.corners[j],
            )
    return system.full_matrix()[rows], exact


@pytest.mark.parametrize(("k", "tolerance"), [(1.0, 2e-4), (6.0, 1e-2)])
def test_matrix_entries_beside_and_across_a_thin_plate(k, tolerance):
    """Plate of 20 mm with elements of 0.2 m: neighbours, opposite walls and far elements.

    Error of each entry over the largest entry of its row. At k = 6, five elements a wavelength,
    6e-3 for the element opposite, a tenth of its edge away, and 2e-3 for all others.
    """
    mesh = bodies.box((1.0, 0.6, 0.02), (5, 3, 1))
    places = np.array([(0.1, 0.05, 0.01), (0.5, 0.05, 0.0), (-0.4, 0.25, -0.01)])
    rows = np.linalg.norm(mesh.centroids - places[:, None], axis=2).argmin(axis=1)
    coupling = layers.local_coupling(mesh, k, 1)
    found, exact = matrix_and_exact_rows(mesh, k, coupling, rows)
    for number in range(len(rows)):
        others = np.isfinite(exact[number])
        error = np.abs(found[number] - exact[number])[others]
        assert error.max() < tolerance * np.abs(exact[number][others]).max()
