# SPDX-License-Identifier: GPL-3.0-or-later
"""Sources: how the moving surfaces of a shape move."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.mesh.dome_profiles import DomeProfile, dome_shape, surround_shape
from bafflelens.mesh.mesh import Mesh

MOTIONS: Final = ("axial", "radial")


@dataclass(frozen=True, kw_only=True, eq=False)
class VelocityTable:
    """How a dome moves that no longer moves as a whole: measured, or computed elsewhere.

    Attributes
    ----------
    frequencies_hz : (n_frequencies,) array
        Rising, in Hz.
    radii_m : (n_radii,) array
        Rising distances from the axis, in m.
    ratio : (n_frequencies, n_radii) complex array
        Axial velocity over that of the rim or voice coil, for exp(-i omega t).
    """

    frequencies_hz: FloatArray
    radii_m: FloatArray
    ratio: ComplexArray

    def at(self, radius_m: FloatArray, frequency_hz: float) -> ComplexArray:
        """Return the ratio at radii and a frequency.

        Linear in radius and in log frequency, real and imaginary part each: a node, where the
        phase jumps, needs no special care. Beyond its rows the table is held.

        Parameters
        ----------
        radius_m : (n,) array
            Distances from the axis in m.
        frequency_hz : float
            Frequency in Hz.
        """
        place = np.interp(
            np.log(frequency_hz), np.log(self.frequencies_hz), np.arange(len(self.frequencies_hz))
        )
        below = int(place)
        above = min(below + 1, len(self.frequencies_hz) - 1)
        share = place - below
        row = (1 - share) * self.ratio[below] + share * self.ratio[above]
        return np.asarray(np.interp(radius_m, self.radii_m, row), dtype=complex)


@dataclass(frozen=True, kw_only=True)
class SourceMotion:
    """One driver: which surfaces move, and how.

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
    motion : {"axial", "radial"}
        Back and forth along the axis, or breathing: everywhere outwards along the normal, which
        is the motion of a cap on a pulsating sphere.
    table : VelocityTable or None
        Axial motion that changes with radius and frequency. Where it reaches beyond
        `inner_radius_m` it holds for the surround, too; else the surround tapers from its last
        value to rest.
    profile : DomeProfile or None
        A profile by itself, of which mixtures are made later; the voice coil rests. None for the
        source as such.
    """

    name: str
    axis: tuple[float, float, float]
    centre: tuple[float, float, float]
    piston_surfaces: tuple[str, ...]
    taper_surfaces: tuple[str, ...]
    inner_radius_m: float
    outer_radius_m: float
    motion: str = "axial"
    table: VelocityTable | None = None
    profile: DomeProfile | None = None

    @property
    def surfaces(self) -> tuple[str, ...]:
        """All surfaces that belong to it."""
        return *self.piston_surfaces, *self.taper_surfaces


def normal_velocity(
    mesh: Mesh, motions: Sequence[SourceMotion], frequency_hz: float
) -> ComplexArray:
    """Return the normal velocity of every triangle for unit acceleration.

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
        Velocity along the outward normal in m/s for an acceleration of 1 m/s^2: along the axis,
        along the normals of a breathing dome, or of the rim where there is a table.
    """
    unit = np.stack([motion_shape(mesh, motion, frequency_hz) for motion in motions])
    return np.asarray(unit * (1j / (2 * np.pi * frequency_hz)), dtype=complex)


def motion_shape(mesh: Mesh, motion: SourceMotion, frequency_hz: float) -> ComplexArray:
    """Return the normal velocity of every triangle over that of the source, (n_triangles,)."""
    moves = np.isin(mesh.surface, motion.surfaces)
    shape = np.zeros(mesh.n_triangles, dtype=complex)
    shape[moves] = _shape_where_it_moves(mesh, motion, frequency_hz, np.flatnonzero(moves))
    return shape


def _shape_where_it_moves(
    mesh: Mesh, motion: SourceMotion, frequency_hz: float, rows: IntArray
) -> ComplexArray:
    """Return `motion_shape` of the triangles of the source, (n_rows,)."""
    axis = np.asarray(motion.axis)
    offset = mesh.centroids[rows] - np.asarray(motion.centre)
    radius = np.linalg.norm(offset - np.outer(offset @ axis, axis), axis=1)
    width = max(motion.outer_radius_m - motion.inner_radius_m, 1e-12)
    taper = np.clip((motion.outer_radius_m - radius) / width, 0.0, 1.0)
    ratio = np.ones(len(rows), dtype=complex)
    if motion.profile is not None:
        ratio, taper = _of_profile(motion, motion.profile, radius, offset[:, 2], taper)
    if motion.table is not None:
        ratio = motion.table.at(radius, frequency_hz)
        if motion.table.radii_m[-1] > motion.inner_radius_m * (1 + 1e-6):
            taper = np.ones_like(taper)
    share = np.where(np.isin(mesh.surface[rows], motion.piston_surfaces), 1.0, taper)
    along = mesh.normals[rows] @ axis if motion.motion == "axial" else np.ones(len(rows))
    return np.asarray(share * ratio * along)


def _of_profile(
    motion: SourceMotion,
    profile: DomeProfile,
    radius: FloatArray,
    height: FloatArray,
    taper: FloatArray,
) -> tuple[ComplexArray, FloatArray]:
    """Return the ratio of a profile and the share of the surround in it, (n_triangles,) each."""
    inner, outer = motion.inner_radius_m, motion.outer_radius_m
    if profile.kind == "dome":
        return dome_shape(profile.order, radius / inner).astype(complex), np.zeros_like(taper)
    if profile.kind == "surround":
        return surround_shape(radius, inner, outer).astype(complex), np.ones_like(taper)
    return (height / inner).astype(complex), taper
