# SPDX-License-Identifier: GPL-3.0-or-later
"""Slope of far fields with a displacement of the surface.

Sources:

- sphere that grows: derivative with the radius a of the series for a plane wave on a sphere with
  dp/dr = -ik b p (P. M. Morse and K. U. Ingard, Theoretical Acoustics (1968) ch. 8),
  T_n = -(j_n' + i b j_n) / (h_n' + i b h_n) at ka; references/README.md, section 1;
- body that is moved by d: what it scatters of a wave from e to s keeps its size and turns by
  exp(-ik (e + s) . d), which needs no series and holds for bodies with edges;
- all else are properties: the remainder of Taylor's series, superposition, reciprocity, mirror
  symmetry, differences of moved meshes.
"""

from functools import cache

import analytic
import bodies
import numpy as np
import pytest
import radiating
from arriving_waves import FROM, TOLERANCE, TOWARDS, scattered, scattering
from piston_boxes import bump, displacement, piston_box, solved
from scipy import special

from bafflelens.bem.plane_waves import independent_rows, plane_wave_fields
from bafflelens.bem.surface_gradient import WholeSurface, gradient_and_curvature
from bafflelens.bem.surface_slope import (
    at_vertices,
    moving_triangles,
    prepare_slopes,
    slope_of_fields,
    surface_slope,
    vertex_normals,
)


def series(wavenumber, radius, admittance):
    """The same in closed form."""
    n = np.arange(analytic.n_terms(wavenumber * radius))
    ka = wavenumber * radius
    arriving = special.spherical_jn(n, ka, True) + 1j * admittance * special.spherical_jn(n, ka)
    leaving = analytic.sph_hp(n, ka) + 1j * admittance * analytic.sph_h(n, ka)
    terms = -1j / wavenumber * (2 * n + 1) * -arriving / leaving
    return terms @ analytic.legendre_table(len(n) - 1, -(TOWARDS @ FROM[0]))


@pytest.mark.parametrize(
    ("wavenumber", "admittance"), [(1.0, 0.0), (3.0, 0.0), (1.0, 0.3), (2.0, 0.5 - 1.0j)]
)
def test_sphere_that_grows(wavenumber, admittance):
    problem, pressure, fields = scattering(
        bodies.icosphere(10 if admittance == 0 else 7), wavenumber, admittance
    )
    slope = slope_of_fields(problem, pressure, fields, prepare_slopes(problem.mesh))
    step = 1e-4
    expected = series(wavenumber, 1 + step, admittance) - series(wavenumber, 1 - step, admittance)
    expected /= 2 * step
    # at least 13 triangles a wavelength: the scattered field itself is off by 0.5 to 1.5 %
    error = np.abs(slope @ problem.mesh.areas - expected)
    assert error.max() < 0.02 * np.abs(expected).max()


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("shape", ["sphere", "box", "inner edge"])
def test_moved_as_a_whole_only_the_phase_turns(shape, axis):
    wavenumber = 3.0 if shape == "sphere" else 10.0
    problem, pressure, _, slope = moved_body(shape, wavenumber)
    found = slope @ (problem.mesh.areas * problem.mesh.normals[:, axis])
    turn = -1j * wavenumber * (FROM[0, axis] + TOWARDS[:, axis])
    expected = turn * scattered(problem, pressure)
    # edges count here: a gradient by averages to the vertices is off by 10 to 30 % (edges)
    limit = 0.01 if shape == "sphere" else 0.05
    assert radiating.relative_error(found, expected) < limit


@cache
def moved_body(shape, wavenumber):
    filled = np.ones((9, 9, 9), dtype=bool)
    filled[5:, :, 5:] = False
    line = np.linspace(-0.2, 0.2, 10)
    mesh = {
        "sphere": lambda: bodies.icosphere(10),
        "box": lambda: bodies.box((0.3, 0.4, 0.5), (7, 9, 11)),
        "inner edge": lambda: bodies.blocks(line, line, line, filled),
    }[shape]()
    problem, pressure, fields = scattering(mesh, wavenumber)
    return (
        problem,
        pressure,
        fields,
        slope_of_fields(problem, pressure, fields, prepare_slopes(mesh)),
    )


# ------------------------------------------------------------ a piston in a box


@pytest.mark.parametrize("felt", [False, True])
def test_differences_of_moved_meshes(felt):
    # felt takes much longer: a coarse mesh, and longer waves
    coarse = {"felt": True, "wavenumber": 7.0}
    problem = piston_box(("y",), **(coarse if felt else {"fine": 2}))
    along_x = bump(problem.mesh)
    step = 5e-4
    ahead, back = (solved(problem, s * along_x).far_field(TOWARDS)[0] for s in (step, -step))
    expected = (ahead - back) / (2 * step)
    pressure = solved(problem).surface_pressure
    fields = plane_wave_fields(problem, TOWARDS, np.eye(len(TOWARDS)), tolerance=TOLERANCE)
    slope = slope_of_fields(problem, pressure, fields, prepare_slopes(problem.mesh))
    found = slope @ (problem.mesh.areas * displacement(problem.mesh, along_x))
    # 18 triangles a wavelength; with felt the bump is three triangles wide
    assert radiating.relative_error(found, expected) < (0.1 if felt else 0.05)


def test_remainder_of_taylors_series():
    problem = piston_box(("y",), fine=2)
    along_x = bump(problem.mesh)
    at_rest = solved(problem)
    weights = at_rest.far_field(TOWARDS)[np.newaxis]  # J is the energy in these directions, twice
    slope = surface_slope(problem, at_rest.surface_pressure, TOWARDS, weights, tolerance=TOLERANCE)
    slope = 2 * slope[0] @ (problem.mesh.areas * displacement(problem.mesh, along_x))

    def energy(step):
        return float((np.abs(solved(problem, step * along_x).far_field(TOWARDS)) ** 2).sum())

    steps = 0.01, 0.02
    left = [abs(energy(s) + energy(0) * -1 - s * slope) for s in steps]
    assert np.log2(left[1] / left[0]) == pytest.approx(2, abs=0.25), left


def test_combined_direction_is_the_sum_of_single_ones():
    problem = piston_box()
    pressure = solved(problem).surface_pressure
    rng = np.random.default_rng(1)
    single = rng.standard_normal((len(TOWARDS), 2)) @ np.array([1, 1j])
    each = np.diag(single)[:, np.newaxis]
    weights = np.concatenate((each, single[np.newaxis, np.newaxis]))
    slope = surface_slope(problem, pressure, TOWARDS, weights, tolerance=TOLERANCE)
    np.testing.assert_allclose(slope[-1], slope[:-1].sum(axis=0), atol=1e-4 * slope.max())


def test_mirrored_half_is_the_whole():
    weights = np.array([[[1.0, 0.5j, -1.0 + 1j, 0.3, 2.0]]])
    found = []
    for symmetry in ((), ("y",), ("y", "z")):
        problem = piston_box(symmetry)
        pressure = solved(problem).surface_pressure
        slope = surface_slope(problem, pressure, TOWARDS, weights, tolerance=TOLERANCE)
        moved = displacement(problem.mesh, bump(problem.mesh, z=0.0, y=0.12))
        found.append(float(slope[0] @ (problem.mesh.areas * moved)))
    # triangles on both sides of the planes are other ones in the whole
    assert found[1] == pytest.approx(found[0], rel=0.02)
    assert found[2] == pytest.approx(found[0], rel=0.02)


def test_reciprocity():
    problem = piston_box(("y",), fine=2)
    found = solved(problem).far_field(TOWARDS)[0]
    fields = plane_wave_fields(problem, TOWARDS, np.eye(len(TOWARDS)), tolerance=TOLERANCE)
    expected = -(fields @ (problem.pressure_gradient[0] * problem.mesh.areas)) / (4 * np.pi)
    assert np.abs(radiating.level(found / expected)).max() < 0.1


def test_what_moves_stays():
    problem = piston_box()
    pressure = solved(problem).surface_pressure
    slope = surface_slope(problem, pressure, TOWARDS, np.ones((1, 1, len(TOWARDS))))
    piston = moving_triangles(problem)
    assert np.all(slope[:, piston] == 0)
    at = at_vertices(problem.mesh, (), slope, piston)
    assert np.all(at[:, problem.mesh.triangles[piston]] == 0)
    # a displacement of the vertices in the front alone, all along its normal
    along_x = bump(problem.mesh)
    along_x[np.unique(problem.mesh.triangles[piston])] = 0
    expected = slope @ (problem.mesh.areas * displacement(problem.mesh, along_x))
    assert (at @ along_x)[0] == pytest.approx(expected[0])


def test_normals_at_the_mirror_plane_lie_in_it():
    mesh = bodies.octasphere(4, ("y",))
    normals = vertex_normals(mesh, ("y",))
    np.testing.assert_allclose(np.linalg.norm(normals, axis=1), 1)
    assert np.all(normals[np.abs(mesh.vertices[:, 1]) < 1e-9, 1] == 0)
    outwards = mesh.vertices / np.linalg.norm(mesh.vertices, axis=1, keepdims=True)
    assert np.einsum("ij,ij->i", normals, outwards).min() > 0.98


def test_gradient_and_curvature_on_a_mirrored_sphere():
    mesh = bodies.octasphere(12, ("y", "z"))
    (along_x, *_), curvature = gradient_and_curvature(WholeSurface.of(mesh, ("y", "z")))
    # of x itself along the surface: the part of the x axis at right angles to the normal
    np.testing.assert_allclose(
        along_x @ mesh.centroids[:, 0], 1 - mesh.normals[:, 0] ** 2, atol=0.02
    )
    # worst where four triangles meet instead of six
    assert radiating.relative_error(curvature, 2.0) < 0.05


def test_rows_that_depend_on_others_are_found():
    rows = np.array([[1.0, 2j, 0], [0, 1, 1j], [0, 0, 0], [1, 1 + 2j, 1j]])
    shares, basis = independent_rows(rows)
    assert len(basis) == 2
    np.testing.assert_allclose(shares @ basis, rows, atol=1e-12)
    assert len(independent_rows(np.zeros((3, 4)))[1]) == 0
