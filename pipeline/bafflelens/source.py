# SPDX-License-Identifier: GPL-3.0-or-later
"""Sources: how the moving surfaces of a shape move."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bafflelens.conventions import ComplexArray, FloatArray
from bafflelens.mesh import Mesh


@dataclass(frozen=True, kw_only=True)
class SourceMotion:
    """One driver whose moving surfaces go back and forth along its axis.

    Attributes
    ----------
    name : str
        Name of the source, for instance ``tweeter``.
    axis : tuple of 3 floats
        Unit vector of the motion.
    centre : tuple of 3 floats
        Point on the axis in the plane of the rim, in m.
    piston_surfaces : tuple of str
        Surfaces that move as one rigid body.
    taper_surfaces : tuple of str
        Surfaces whose motion falls linearly from 1 at `inner_radius_m` to 0 at
        `outer_radius_m`, measured from the axis.
    inner_radius_m, outer_radius_m : float
        Radii of the taper in m.
    """

    name: str
    axis: tuple[float, float, float]
    centre: tuple[float, float, float]
    piston_surfaces: tuple[str, ...]
    taper_surfaces: tuple[str, ...]
    inner_radius_m: float
    outer_radius_m: float


def normal_velocity(
    mesh: Mesh, motions: Sequence[SourceMotion], frequency_hz: float
) -> ComplexArray:
    """Return the normal velocity of every triangle for unit axial acceleration.

    With the time factor exp(-i omega t), an acceleration of 1 m/s^2 is a velocity of
    i / omega: constant acceleration keeps the band flat.

    Parameters
    ----------
    mesh : Mesh
        The surface.
    motions : sequence of SourceMotion
        One entry a source.
    frequency_hz : float
        Frequency in Hz.

    Returns
    -------
    (n_sources, n_triangles) complex array
        Velocity along the outward normal in m/s for an acceleration of 1 m/s^2.
    """
    unit = np.stack([_axial_shape(mesh, motion) for motion in motions])
    return np.asarray(unit * (1j / (2 * np.pi * frequency_hz)), dtype=complex)


def _axial_shape(mesh: Mesh, motion: SourceMotion) -> FloatArray:
    """Return axis . normal times the taper, (n_triangles,)."""
    axis = np.asarray(motion.axis)
    along_normal = mesh.normals @ axis
    piston = np.isin(mesh.surface, motion.piston_surfaces)
    offset = mesh.centroids - np.asarray(motion.centre)
    radius = np.linalg.norm(offset - np.outer(offset @ axis, axis), axis=1)
    width = max(motion.outer_radius_m - motion.inner_radius_m, 1e-12)
    taper = np.clip((motion.outer_radius_m - radius) / width, 0.0, 1.0)
    share = np.where(piston, 1.0, np.isin(mesh.surface, motion.taper_surfaces) * taper)
    return np.asarray(share * along_normal)
