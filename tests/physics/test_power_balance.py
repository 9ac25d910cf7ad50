# SPDX-License-Identifier: GPL-3.0-or-later
"""Energy: the power through the surface arrives in the far field.

    1/2 int Re(conj(v) p) dS  =  1/(2 rho c) int |f|^2 d Omega

Source: conservation of energy in lossless air (P. M. Morse and K. U. Ingard, Theoretical
Acoustics (1968) 7.1). The left side rests on the real part of the pressure at the source, which
near a small source is a fraction (ka)^2 of the imaginary part: it is the first to show a wrong
coupling. 2 % is the figure that the project asks for.
"""

import bodies
import numpy as np
import pytest
import radiating

from bafflelens.bem import sweep
from bafflelens.bem.sweep import power_balance

MIRRORS = ("y", "z")


def balance(n, k):
    """Box of 0.3 x 0.4 x 0.4 m with a square piston of 0.1 m in front, elements of 50/n mm."""
    mesh = bodies.box((0.3, 0.4, 0.4), (6 * n, 8 * n, 8 * n), MIRRORS)
    x, y, z = mesh.centroids.T
    piston = (x > 0.1499) & (y < 0.05) & (z < 0.05)
    return power_balance(radiating.solved(mesh, piston, k, MIRRORS, tolerance=1e-5))


# k = 2: 31 m^-1 of body size 0.6, the piston is 1/30 of a wavelength; k = 15: 8 elements a
# wavelength on the coarse mesh.
@pytest.mark.parametrize("k", [2.0, 5.0, 10.0, 15.0])
def test_piston_on_a_box(k):
    coarse, fine = (abs(balance(n, k) - 1) for n in (1, 2))
    assert fine < 0.02
    assert fine < max(coarse, 0.003)  # below, errors of both signs cancel by chance


def test_two_sources_driven_together():
    """The whole power matrix: conj(s) . P . s against the far field of the sum."""
    mesh = bodies.box((0.3, 0.4, 0.4), (6, 8, 8))
    x, y, z = mesh.centroids.T
    front = (x > 0.1499) & (np.abs(y) < 0.1) & (np.abs(z) < 0.1)
    side = (y > 0.1999) & (np.abs(x) < 0.1) & (np.abs(z) < 0.1)
    solution = radiating.solved(mesh, np.stack([front, side]), 12.0, tolerance=1e-5)
    matrix = solution.cross_power()
    np.testing.assert_allclose(matrix, matrix.conj().T)
    height, weight = np.polynomial.legendre.leggauss(20)
    azimuth = np.arange(40) * 2 * np.pi / 40
    z, phi = (a.ravel() for a in np.meshgrid(height, azimuth, indexing="ij"))
    ring = np.sqrt(1 - z**2)
    directions = np.stack([ring * np.cos(phi), ring * np.sin(phi), z], axis=1)
    solid_angle = np.repeat(weight, 40) * 2 * np.pi / 40
    far = solution.far_field(directions)
    for strength in ([1, 0], [1, 1], [1, -1], [1, 1j], [1, -0.5j]):
        strength = np.array(strength)
        expected = solid_angle @ np.abs(strength @ far) ** 2 / (2 * radiating.RHO_C)
        assert np.real(strength.conj() @ matrix @ strength) == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize("k", [5.0, 15.0, 40.0])
def test_directions_half_as_fine_as_what_resolves_the_body_are_enough(k, monkeypatch):
    mesh = bodies.box((0.3, 0.4, 0.6), (12, 16, 24), ("y",))
    x, y, z = mesh.centroids.T
    piston = (x > 0.1499) & (y < 0.026) & (z > 0.15) & (z < 0.2)  # far from the middle
    solution = radiating.solved(mesh, piston, k, ("y",), tolerance=1e-3)
    half = power_balance(solution)
    monkeypatch.setattr(sweep, "_BALANCE_SHARE", 1.5)
    assert half == pytest.approx(power_balance(solution), abs=1e-3)
