# SPDX-License-Identifier: GPL-3.0-or-later
"""Piston of radius a in the front of a thin rigid disk of radius b: edge diffraction, exactly.

    p = (p of the piston in an infinite baffle and its mirror image + p of the antisymmetric
    problem) / 2; at 90 degrees the second part vanishes, so that the level sideways is that of a
    free monopole of the same volume velocity times 2 J1(ka)/(ka) at every frequency.

Source: L. L. Beranek and T. J. Mellow, Acoustics: Sound Fields, Transducers and Vibration, 2nd
ed. (2019) 13.11 (superposition); the antisymmetric part by the Galerkin solution of
`analytic.DiskInFreeSpace`; references/README.md, section 3 and finite_round_baffle.csv.

The exact disk has no thickness. A real rim of thickness t acts like a larger disk, an effect of
first order in t (but for a logarithm): it is shown to fall with t, and what is left after
extrapolation to t = 0 from two thicknesses is compared. Levels are at equal volume velocity (the
polygon of the piston is smaller than the circle).
"""

from functools import cache

import analytic
import bodies
import numpy as np
import pytest
import radiating

PISTON = 0.25  # a / b
EDGE = 0.06  # elements of the flat faces; kb = 10 has 10 a wavelength
THICKNESSES = (0.04, 0.02, 0.01)
MIRRORS = ("y", "z")
ANGLES = np.radians(np.arange(0, 181, 5))
KB = (1.0, 3.0, 5.0, 8.0, 10.0)


@cache
def exact_field(kb):
    return analytic.DiskInFreeSpace(kb, PISTON).farfield_front_only(ANGLES) * radiating.RHO_C


@cache
def field(kb, thickness, edge=EDGE):
    """Far field of the disk of b = 1 m at the volume velocity of the round piston."""
    mesh = bodies.round_baffle(1.0, PISTON, thickness, edge, thickness / 2)
    piston = mesh.surface == "piston"
    flow = 4 * mesh.areas[piston].sum()
    solution = radiating.solved(mesh, piston, kb, MIRRORS)
    return solution.far_field(radiating.around(ANGLES))[0] * np.pi * PISTON**2 / flow


@pytest.mark.parametrize("kb", KB)
def test_error_falls_with_the_thickness(kb):
    errors = [radiating.relative_error(field(kb, t), exact_field(kb)) for t in THICKNESSES]
    assert errors[0] > errors[1] > errors[2], errors
    assert errors[2] < 0.06  # a hundredth of the radius thick


@pytest.mark.parametrize("kb", KB)
def test_thickness_taken_out(kb):
    thick, thin = (field(kb, t) for t in THICKNESSES[:2])
    found, exact = 2 * thin - thick, exact_field(kb)
    assert radiating.relative_error(found, exact) < 0.03
    assert abs(radiating.level(found[0] / exact[0])) < 0.35  # the logarithm stays behind
    # The polar where the level is above -10 dB: the shadow lies 15 to 25 dB down, where 3 % of
    # the maximum already are 1 to 3 dB.
    loud = radiating.level(exact / exact[0]) > -10
    polar = radiating.level(found / found[0]) - radiating.level(exact / exact[0])
    assert np.abs(polar[loud]).max() < 0.5


@pytest.mark.parametrize("kb", KB)
def test_sideways_it_is_a_free_monopole(kb):
    sideways = field(kb, THICKNESSES[-1])[ANGLES.size // 2]
    monopole = radiating.RHO_C * kb * np.pi * PISTON**2 / (4 * np.pi)
    expected = radiating.level(monopole * analytic.piston_directivity(kb * PISTON))
    assert radiating.level(sideways) == pytest.approx(expected, abs=0.15)


def test_error_falls_with_the_mesh():
    """At one thickness, against the finest mesh: the extrapolation above rests on this."""
    kb, thickness = 3.0, THICKNESSES[1]
    finest = field(kb, thickness, 0.04)
    errors = [
        radiating.relative_error(field(kb, thickness, edge), finest) for edge in (0.15, 0.08)
    ]
    assert errors[1] < errors[0] / 1.5
