# SPDX-License-Identifier: GPL-3.0-or-later
"""A body at rest, plane waves that arrive at it, and what it scatters of them."""

from dataclasses import replace

import numpy as np
import radiating

from bafflelens.bem import radiation
from bafflelens.bem.discretisation import mirror_signs
from bafflelens.bem.plane_waves import plane_wave_fields

FROM = np.array([[0.6, 0.0, 0.8]])
TOWARDS = np.array([[0.6, 0, 0.8], [-0.6, 0, -0.8], [1, 0, 0], [0, 0.6, 0.8], [0, 0, -1.0]])
TOLERANCE = 1e-5


def scattering(mesh, wavenumber, admittance=0.0):
    """A body at rest, and what arrives on its surface from `FROM` and from `TOWARDS`."""
    velocity = np.zeros(mesh.n_triangles)
    problem = radiating.problem(mesh, velocity, wavenumber)
    if admittance:
        problem = replace(problem, admittance=np.full(mesh.n_triangles, admittance, complex))
    directions = np.concatenate((FROM, TOWARDS))
    fields = plane_wave_fields(
        problem, directions, np.eye(len(directions), dtype=complex), tolerance=TOLERANCE
    )
    return problem, fields[:1], fields[1:]


def scattered(problem, pressure):
    """Far field of what a body at rest scatters into `TOWARDS`."""
    signs = mirror_signs(problem.symmetry)
    gradient = problem.total_gradient(pressure)
    found = radiation.radiated_far_field(
        problem.mesh, signs, problem.wavenumber, pressure, gradient, TOWARDS
    )
    return found[0]
