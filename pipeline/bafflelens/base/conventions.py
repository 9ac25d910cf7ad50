# SPDX-License-Identifier: GPL-3.0-or-later
"""Conventions that hold everywhere in bafflelens.

Units
    SI inside. Keys of job files carry their unit (``depth_mm``, ``from_hz``).
Axes
    x forward along the reference axis, y to the loudspeaker's own left, z up. The origin is
    where the tweeter's axis meets the undisturbed front plane of the baffle.
Angles
    ``azimuth_deg``: 0 on axis, positive to the loudspeaker's left, -180 < azimuth <= 180.
    ``elevation_deg``: positive up, -90 to 90. The horizontal orbit has elevation 0; the
    vertical orbit passes over the top (azimuth 0 in front, azimuth 180 behind).
Time
    Factor exp(-i omega t): an outgoing wave is exp(+ikr)/r.
    Filters, networks and measurements come from the electrical world, whose factor is
    exp(+j omega t): `from_electrical` conjugates them, once, where they meet a far field.
Normals
    Point out of the body into the air.
Levels
    dB re 20 uPa only where the source strength is known, otherwise relative.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

TIME_CONVENTION: Final = "exp(-i omega t); outgoing wave exp(+ikr)/r"
REFERENCE_AXIS: Final = "x: forward along the tweeter's axis; y: loudspeaker's own left; z: up"
REFERENCE_POINT: Final = "tweeter axis at the undisturbed front plane of the baffle"
REFERENCE_PRESSURE_PA: Final = 20e-6


def direction_vectors(azimuth_deg: FloatArray, elevation_deg: FloatArray) -> FloatArray:
    """Return unit vectors for azimuth and elevation.

    Parameters
    ----------
    azimuth_deg, elevation_deg : (n_directions,) array
        Angles in degrees, in the sense of this module's docstring.

    Returns
    -------
    (n_directions, 3) array
        Unit vectors (x, y, z).

    Examples
    --------
    >>> direction_vectors(np.array([90.0]), np.array([0.0])).round(9)
    array([[0., 1., 0.]])
    """
    azimuth = np.radians(np.asarray(azimuth_deg, dtype=float))
    elevation = np.radians(np.asarray(elevation_deg, dtype=float))
    return np.stack(
        (
            np.cos(elevation) * np.cos(azimuth),
            np.cos(elevation) * np.sin(azimuth),
            np.sin(elevation),
        ),
        axis=-1,
    )


def from_electrical(transfer: ComplexArray) -> ComplexArray:
    """Return a transfer function for exp(+j omega t) as one for exp(-i omega t).

    Parameters
    ----------
    transfer : array
        As filters and measurements have it: a delay t is exp(-j omega t).

    Returns
    -------
    array
        Its conjugate: a delay is exp(+i omega t), like the way of an outgoing wave.
    """
    return np.conj(transfer)
