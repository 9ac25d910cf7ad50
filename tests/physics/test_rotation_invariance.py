# SPDX-License-Identifier: GPL-3.0-or-later
"""A body that is turned and shifted radiates the same, turned and shifted.

Turned by R and moved by t: pressure p unchanged, far field f'(Rs) = f(s) exp(-ik Rs . t), power
unchanged. What breaks it: anything that knows the coordinate axes or the origin. The tolerance of
1e-4 is that of single-precision far elements; the linear solver is set far below.
"""

import bodies
import numpy as np
import pytest
import radiating

K = 12.0
DIRECTIONS = radiating.around(np.linspace(0, 2 * np.pi, 40))


def body():
    mesh = bodies.box((0.3, 0.5, 0.4), (4, 6, 4))
    x, y, z = mesh.centroids.T
    piston = (x > 0.149) & (np.hypot(y - 0.08, z) < 0.13)
    return bodies.renamed(mesh, "piston", piston)


def solve(mesh):
    return radiating.solved(mesh, mesh.surface == "piston", K, tolerance=1e-7)


@pytest.mark.parametrize(
    ("axis", "angle", "shift"),
    [
        ((1, 2, 3), 0.7, (0.0, 0.0, 0.0)),
        ((0, 0, 1), np.pi / 2, (0.0, 0.0, 0.0)),
        ((0, 1, 0), 0.0, (0.4, -1.3, 2.0)),
        ((-2, 1, 0.5), 2.4, (0.1, 0.2, -0.3)),
    ],
)
def test_turned_and_shifted(axis, angle, shift):
    still = solve(body())
    matrix = bodies.rotation(axis, angle)
    moved = solve(bodies.moved(body(), matrix, shift))
    error = radiating.relative_error(moved.surface_pressure, still.surface_pressure)
    assert error < 1e-4
    directions = DIRECTIONS @ matrix.T
    phase = np.exp(-1j * K * directions @ np.array(shift))
    far = still.far_field(DIRECTIONS)
    assert np.abs(moved.far_field(directions) - far * phase).max() < 1e-4 * np.abs(far).max()
    power = still.cross_power()[0, 0].real
    assert moved.cross_power()[0, 0].real == pytest.approx(power, rel=1e-4)


def test_scaled_body_at_scaled_frequency():
    """Twice the size at half the wavenumber: the same pressure, twice the far field."""
    small, large = body(), body()
    large = bodies.Mesh(2 * large.vertices, large.triangles, large.surface)
    one = solve(small)
    other = radiating.solved(large, large.surface == "piston", K / 2, tolerance=1e-7)
    assert radiating.relative_error(other.surface_pressure, one.surface_pressure) < 1e-4
    assert (
        radiating.relative_error(other.far_field(DIRECTIONS), 2 * one.far_field(DIRECTIONS)) < 1e-4
    )
