# SPDX-License-Identifier: GPL-3.0-or-later
"""No breakdown where the plain boundary integral equation has no unique solution.

The plain exterior equation fails at the interior Dirichlet frequencies of the body: for the
sphere ka = zeros of the spherical Bessel function j_n, 3.1416 (n = 0), 4.4934 (1), 5.7635 (2).
Source: A. J. Burton and G. F. Miller, Proc. R. Soc. Lond. A 323 (1971) 201 (the remedy);
references/README.md, section 1 (`irregular_frequencies_sphere`).

Shown three ways: error against the series at the irregular frequencies and beside them, the
condition number against that of the plain equation, and the plain equation's own breakdown, so
that the test is known to be able to fail. A box, whose irregular frequencies are
(k/pi)^2 = (l/x)^2 + (m/y)^2 + (n/z)^2, is the body that is nearest to a cabinet.
"""

import analytic
import bodies
import numpy as np
import pytest
import radiating

from bafflelens.bem import burton_miller, layers
from bafflelens.bem.discretisation import discretise

IRREGULAR = [float(analytic.irregular_frequencies_sphere(n, 1)[0]) for n in (0, 1, 2)]
MIRRORS = ("y", "z")
ANGLES = np.radians(np.arange(0, 181, 10))


def plainly(monkeypatch):
    """Switch the coupling off, all but."""

    def coupling(mesh, wavenumber, copies):
        return np.full(mesh.n_triangles, 1e-9)

    monkeypatch.setattr(layers, "local_coupling", coupling)


def cap_error(ka, edge=0.14):
    """Relative far-field error of a radial cap of 30 degrees, which excites every mode."""
    mesh = bodies.capped_sphere(edge, np.radians(30), MIRRORS)
    solution = radiating.solved(mesh, mesh.surface == "cap", ka, MIRRORS)
    found = solution.far_field(radiating.around(ANGLES))[0]
    exact = analytic.cap_on_sphere(ka, np.radians(30), ANGLES) * radiating.RHO_C / ka
    return radiating.relative_error(found, exact)


def condition(ka):
    """Condition number on an eighth of a sphere; the first irregular field has its symmetry."""
    planes = ("x", "y", "z")
    mesh = bodies.octasphere(7, planes)
    case = radiating.problem(mesh, np.ones(mesh.n_triangles), ka, planes)
    settings = burton_miller.EngineSettings(double_precision=True)
    workspace = burton_miller.Workspace()
    at = layers.AtFrequency(discretise(mesh, planes), case.wavenumber)
    system = burton_miller.assemble(at, settings, workspace)
    return float(np.linalg.cond(system.full_matrix()))


@pytest.mark.parametrize("ka", IRREGULAR)
def test_no_breakdown(ka):
    """Below 0.06 dB, falling with the mesh, if slowly: the plain part's error, between first and
    second order in the edge h, is divided by a coupling that shrinks as h. Beside the frequency
    it falls as fast as everywhere.
    """
    coarse, fine = 0.14, 0.07
    assert cap_error(ka, coarse) < 2 * max(cap_error(f * ka, coarse) for f in (0.93, 1.07))
    assert cap_error(ka, fine) < 0.9 * cap_error(ka, coarse)
    assert cap_error(ka, fine) < 0.007
    for beside in (0.93 * ka, 1.07 * ka):
        assert cap_error(beside, fine) < 0.5 * cap_error(beside, coarse)


# The facets shift the frequency a little: the neighbourhood is searched.
NEAR_PI = np.pi * np.linspace(0.98, 1.02, 9)


def test_condition_number_stays_where_the_plain_equation_has_a_spike(monkeypatch):
    ours = [condition(ka) for ka in (2.6, *NEAR_PI)]
    plainly(monkeypatch)
    plain = [condition(ka) for ka in (2.6, *NEAR_PI)]
    assert max(plain) > 10 * plain[0], "the plain equation should break down"
    assert max(ours) < 3 * ours[0]


def test_the_plain_equation_is_seen_to_fail(monkeypatch):
    mesh = bodies.icosphere(5)
    velocity = np.ones(mesh.n_triangles)

    def worst():
        errors = []
        for ka in NEAR_PI:
            exact = analytic.pulsating_sphere(ka, 1, 1, rho_c=radiating.RHO_C)
            solution = radiating.solved(mesh, velocity, ka)
            errors.append(radiating.relative_error(solution.surface_pressure[0], exact))
        return max(errors)

    ours = worst()
    plainly(monkeypatch)
    assert worst() > 5 * ours
    assert ours < 0.06


def test_box_at_its_irregular_frequencies():
    """Sweep across the first two irregular frequencies of a box with a point source inside."""
    size = np.array([1.0, 0.8, 0.6])
    mesh = bodies.box(size, (10, 8, 6), ("y",))
    origin = (0.1, 0.0, -0.05)
    first, second = (np.pi * np.linalg.norm(np.array(n) / size) for n in ((1, 1, 1), (2, 1, 1)))
    errors = []
    for k in (0.94 * first, first, second, 1.06 * second):
        _, gradient = radiating.point_source(mesh.centroids, origin, k)
        velocity = radiating.velocity_of_gradient((gradient * mesh.normals).sum(axis=1), k)
        found = radiating.solved(mesh, velocity, k, ("y",)).far_field(radiating.around(ANGLES))
        exact = radiating.point_source_far_field(radiating.around(ANGLES), origin, k)
        errors.append(radiating.relative_error(found[0], exact))
    assert max(errors) < 0.015
    assert max(errors[1:3]) < 2 * max(errors[0], errors[3]), errors
