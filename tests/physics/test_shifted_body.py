# SPDX-License-Identifier: GPL-3.0-or-later
"""Derivative of the far field with the position of the body, against finite differences.

A body that is moved by d sends the same field with another phase, f(s) exp(-ik s . d), so that

    df/dd_x = -ik s_x f .

Source: the far-field integral itself (P. M. Morse and K. U. Ingard, Theoretical Acoustics (1968)
ch. 7); nothing of the mesh enters, so that only rounding and the step of the difference remain.
"""

from dataclasses import replace

import bodies
import numpy as np
import pytest
import radiating

WAVENUMBER = 9.0
STEP = 1e-3
DIRECTIONS = radiating.around(np.radians(np.arange(0, 180, 15)))


def far_field(shift):
    """Far field of a box with a piston in its front, moved by a vector in m."""
    mesh = bodies.box((0.3, 0.4, 0.4), (4, 5, 5))
    x, y, z = mesh.centroids.T
    piston = (x > 0.1499) & (np.abs(y) < 0.1) & (np.abs(z) < 0.1)
    moved = replace(mesh, vertices=mesh.vertices + np.asarray(shift))
    return radiating.solved(moved, piston, WAVENUMBER, tolerance=1e-6).far_field(DIRECTIONS)[0]


@pytest.mark.parametrize("axis", [0, 1])
def test_derivative_with_position(axis):
    step = STEP * np.eye(3)[axis]
    found = (far_field(step) - far_field(-step)) / (2 * STEP)
    expected = -1j * WAVENUMBER * DIRECTIONS[:, axis] * far_field(np.zeros(3))
    # second order in the step: (k STEP)^2 / 6 = 1e-5; single precision over the step: 1e-3
    assert np.abs(found - expected).max() < 2e-3 * np.abs(expected).max()
