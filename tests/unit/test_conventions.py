# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the angles point: left and right, up and down, as every file and figure has them."""

import numpy as np
import pytest

from bafflelens.base.conventions import direction_vectors
from bafflelens.directivity.direction_set import directions


@pytest.mark.parametrize(
    ("azimuth_deg", "elevation_deg", "vector"),
    [
        (0.0, 0.0, (1, 0, 0)),  # ahead
        (90.0, 0.0, (0, 1, 0)),  # to the loudspeaker's own left
        (-90.0, 0.0, (0, -1, 0)),
        (180.0, 0.0, (-1, 0, 0)),
        (0.0, 90.0, (0, 0, 1)),  # up
        (0.0, -90.0, (0, 0, -1)),
        (30.0, 0.0, (np.sqrt(0.75), 0.5, 0)),
        (180.0, 30.0, (-np.sqrt(0.75), 0, 0.5)),
    ],
)
def test_angles_point_where_the_conventions_say(azimuth_deg, elevation_deg, vector):
    (found,) = direction_vectors(np.array([azimuth_deg]), np.array([elevation_deg]))
    np.testing.assert_allclose(found, vector, atol=1e-15)


def test_the_directions_of_result_files_have_their_left_on_the_left():
    found = directions()
    aside = np.abs(found.vectors[:, 1]) > 1e-9
    assert np.array_equal(found.azimuth_deg[aside] > 0, found.vectors[aside, 1] > 0)
