# SPDX-License-Identifier: GPL-3.0-or-later
"""Hemispherical dome in an infinite rigid baffle, the plane x = 0: exact by images.

Radial motion makes, with the image, a pulsating sphere: no directivity in the half space and a
directivity index of 3.01 dB at every frequency (re the full sphere). A rigid dome, which moves
along the axis, has the image velocity |cos(theta)| and the even terms of the Legendre series.
Source: method of images; L. L. Beranek and T. J. Mellow, Acoustics: Sound Fields, Transducers
and Vibration, 2nd ed. (2019) ch. 12; references/README.md, section 1 (`hemisphere_in_baffle`).
Tests the code of the mirror planes: wrong image normals or a missing image break it.
"""

from functools import cache

import analytic
import bodies
import numpy as np
import pytest
import radiating

ANGLES = np.radians(np.arange(0, 91, 5))
DIVISIONS = (6, 12)


@cache
def solution(ka, divisions):
    mesh = bodies.octasphere(divisions, ("x",))
    velocity = np.stack([np.ones(mesh.n_triangles), mesh.normals[:, 0]])
    return radiating.solved(mesh, velocity, ka, ("x",))


@pytest.mark.parametrize("kind", ["radial", "axial"])
@pytest.mark.parametrize("ka", [1.0, 2.0, 5.0])
def test_far_field(ka, kind):
    exact = analytic.hemisphere_in_baffle(ka, ANGLES, kind) * radiating.RHO_C / ka
    directions = radiating.around(ANGLES)
    number = ["radial", "axial"].index(kind)
    errors = [
        radiating.relative_error(solution(ka, n).far_field(directions)[number], exact)
        for n in DIVISIONS
    ]
    # 2 % is 0.17 dB, at ka = 5 and 8 elements a wavelength; the error falls with the mesh.
    assert errors[1] < 0.02
    assert errors[1] < 0.7 * errors[0], errors


def test_index_of_the_radial_dome_is_that_of_a_half_space():
    found = solution(2.0, DIVISIONS[-1])
    directions = radiating.around(ANGLES)
    levels = radiating.level(found.far_field(directions)[0])
    assert np.ptp(levels) < 0.05
    # Power into both half spaces; half of it goes into the real one.
    power = found.cross_power()[0, 0].real / 2
    on_axis = abs(found.far_field(directions)[0, 0]) ** 2
    index = 10 * np.log10(2 * np.pi * on_axis / (radiating.RHO_C * power))
    assert index == pytest.approx(3.01, abs=0.05)


def test_the_plane_is_rigid():
    """No velocity through the plane: the pressure is even in x, by points on both sides."""
    found = solution(2.0, DIVISIONS[-1])
    points = np.array([[0.3, 1.5, 0.2], [0.05, -1.2, 0.9]])
    mirrored = points * np.array([-1, 1, 1])
    np.testing.assert_allclose(found.pressure_at(points), found.pressure_at(mirrored))
