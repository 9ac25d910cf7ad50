# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the microphones of an orbit stood, seen from the loudspeaker, and how sure that is.

On the horizontal orbit the cabinet stands and turns about an axis parallel to z; on the vertical
one it lies on its right side (its left side, +y, is up) and turns about an axis parallel to y.
Either axis passes through the rotation point. The microphone stands at the distance from that axis
and as far above the tweeter's axis as the set-up says.

In the plane of the orbit e1 points forward along the reference axis and e2 to positive angles (to
the left, or up); e3 is square to both (up, or to the left). Seen from the turntable the microphone
stands at (R cos t, R sin t, h) for the angle t; the loudspeaker may be tilted on it about e2 by an
angle p, its front towards e3, and turn about a point c of its own. So the microphone is at

    c + (R cos t cos p + h sin p) e1 + R sin t e2 + (h cos p - R cos t sin p) e3.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.mockup.measurement.measured import OrbitName, Setup

PARAMETERS: Final = ("angle_deg", "forward_m", "sideways_m", "tilt_deg")
"""What of an orbit's set-up may differ from what was noted: fields of `SetUpDeviation`."""

BOUNDS: Final = {"angle_deg": 6.0, "forward_m": 0.05, "sideways_m": 0.05, "tilt_deg": 6.0}
"""How far it may, either way."""

_UNITS: Final = {"horizontal": np.eye(3)[[0, 1, 2]], "vertical": np.eye(3)[[0, 2, 1]]}


@dataclass(frozen=True, kw_only=True)
class SetUpDeviation:
    """By how much an orbit's set-up differs from what was noted.

    Attributes
    ----------
    angle_deg : float
        True angle minus that in the file, in degrees.
    forward_m, sideways_m : float
        True rotation point minus the noted one, forward and towards positive angles, in m.
    tilt_deg : float
        Tilt of the loudspeaker on the turntable, its front towards e3, in degrees.
    is_mirrored : bool
        Whether the sign of the angles is swapped.
    """

    angle_deg: float = 0.0
    forward_m: float = 0.0
    sideways_m: float = 0.0
    tilt_deg: float = 0.0
    is_mirrored: bool = False

    @property
    def values(self) -> FloatArray:
        """The parameters in their order, (4,)."""
        return np.array([getattr(self, name) for name in PARAMETERS])

    def with_values(self, values: FloatArray) -> SetUpDeviation:
        """Return the same with other parameters."""
        angle_deg, forward_m, sideways_m, tilt_deg = (float(value) for value in values)
        return SetUpDeviation(
            angle_deg=angle_deg,
            forward_m=forward_m,
            sideways_m=sideways_m,
            tilt_deg=tilt_deg,
            is_mirrored=self.is_mirrored,
        )


NOT_OFF: Final = SetUpDeviation()
"""The set-up just as it was noted."""


def microphones(
    setup: Setup, orbit: OrbitName, angles_deg: FloatArray, deviation: SetUpDeviation = NOT_OFF
) -> tuple[FloatArray, FloatArray]:
    """Return where the microphones were, and how that changes with each parameter.

    Parameters
    ----------
    setup : Setup
        The set-up as noted; of its rotation point the coordinate along the axis has no effect.
    orbit : {"horizontal", "vertical"}
        The orbit.
    angles_deg : (n_angles,) array
        Angles of the orbit as noted.
    deviation : Deviation
        How the set-up differed.

    Returns
    -------
    points : (n_angles, 3) array
        In the loudspeaker's coordinates, in m.
    slopes : (4, n_angles, 3) array
        Derivatives with each of `PARAMETERS`, in m a unit of theirs.
    """
    sign = -1.0 if deviation.is_mirrored else 1.0
    angle = np.radians(sign * np.asarray(angles_deg, dtype=float) + deviation.angle_deg)
    tilt = np.radians(deviation.tilt_deg)
    e1, e2, e3 = _UNITS[orbit]
    reach, height = setup.distance_m, setup.microphone_height_m
    radian = np.pi / 180

    def place(along: FloatArray, across: FloatArray, up: FloatArray) -> FloatArray:
        return np.outer(along, e1) + np.outer(across, e2) + np.outer(up, e3)

    cosine, sine = reach * np.cos(angle), reach * np.sin(angle)
    along = cosine * np.cos(tilt) + height * np.sin(tilt)
    up = height * np.cos(tilt) - cosine * np.sin(tilt)
    point = np.asarray(setup.rotation_point_m, dtype=float)
    centre = point - (point @ e3) * e3 + deviation.forward_m * e1 + deviation.sideways_m * e2
    ones, zeros = np.ones(angle.size), np.zeros(angle.size)
    slopes = np.stack(
        (
            radian * place(-sine * np.cos(tilt), cosine, sine * np.sin(tilt)),
            place(ones, zeros, zeros),
            place(zeros, ones, zeros),
            radian * place(up, zeros, -along),
        )
    )
    return centre + place(along, sine, up), slopes


def microphone_positions(
    setup: Setup, orbit: OrbitName, angles_deg: FloatArray, deviation: SetUpDeviation = NOT_OFF
) -> FloatArray:
    """Return where the microphones were, (n_angles, 3), in m; see `microphones`."""
    return microphones(setup, orbit, angles_deg, deviation)[0]
