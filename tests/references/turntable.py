# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a microphone stands around a loudspeaker on a turntable, worked out by rotations.

The program has a closed form for the same (`bafflelens.mockup.measurement.microphones`); synthetic
measurements are made with this, so that a slip in one of the two shows as a planted fault that is
not found.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation


def microphone_places(
    setup,
    orbit,
    angles_deg,
    *,
    angle_offset_deg=0.0,
    rotation_offset_m=(0.0, 0.0, 0.0),
    tilt_deg=0.0,
    mirrored=False,
):
    """Return where the microphone really was, in the loudspeaker's frame, (n_angles, 3) in m.

    ``angle_offset_deg`` is the true minus the nominal angle, ``rotation_offset_m`` the true minus
    the declared rotation point, ``tilt_deg`` how far the front was turned out of the orbit's plane
    (up, or on the vertical orbit to the left); ``mirrored`` says that the turntable counts the
    other way than declared.
    """
    # The room's frame: x from the axis of the turntable to the microphone, z up. The cabinet
    # stands in it, or lies with its left side up; then it is tilted, then the turntable turns.
    left_up = [[1, 0, 0], [0, 0, -1], [0, 1, 0]]  # its y to the room's z, its z to the room's -y
    lies = Rotation.identity() if orbit == "horizontal" else Rotation.from_matrix(left_up)
    tilted = Rotation.from_euler("y", -tilt_deg, degrees=True)  # x towards z
    point = np.asarray(setup.rotation_point_m, dtype=float) + np.asarray(rotation_offset_m)
    places = []
    for nominal in angles_deg:
        seen_at = angle_offset_deg + (-nominal if mirrored else nominal)
        # Turning the cabinet's left side away from the microphone moves the microphone to its
        # right: a positive angle is seen after a turn the other way. Lying down, up is right.
        sense = -1 if orbit == "horizontal" else 1
        turned = Rotation.from_euler("z", sense * seen_at, degrees=True)
        placed = turned * tilted * lies
        microphone = np.array([setup.distance_m, 0.0, setup.microphone_height_m])
        # The table's axis meets the cabinet at the rotation point, at the height of its own axis.
        along = lies.apply([0.0, 0.0, 1.0], inverse=True)
        places.append(point - (point @ along) * along + placed.inv().apply(microphone))
    return np.array(places)
