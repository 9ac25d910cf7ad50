# SPDX-License-Identifier: GPL-3.0-or-later
"""Short forms for the physics tests: solve at a wavenumber, directions, levels, point sources."""

from __future__ import annotations

import numpy as np

from bafflelens.base.medium import Air
from bafflelens.bem.burton_miller import solve_burton_miller
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.problem import HelmholtzProblem

AIR = Air()
RHO_C = AIR.impedance


def frequency(wavenumber):
    """Frequency in Hz of a wavenumber in 1/m."""
    return wavenumber * AIR.sound_speed / (2 * np.pi)


def problem(mesh, velocity, wavenumber, symmetry=()):
    """Radiation problem at a wavenumber; ``velocity`` in m/s, one row a source or just one."""
    return HelmholtzProblem(
        mesh=mesh,
        frequency_hz=frequency(wavenumber),
        air=AIR,
        normal_velocity=np.atleast_2d(np.asarray(velocity, dtype=complex)),
        symmetry=symmetry,
    )


def solved(mesh, velocity, wavenumber, symmetry=(), **settings):
    """Solution of the project's own engine."""
    return solve_burton_miller(
        problem(mesh, velocity, wavenumber, symmetry), settings=EngineSettings(**settings)
    )


def around(theta):
    """Unit vectors at angles from the x axis in the x-y plane, (n, 3)."""
    theta = np.atleast_1d(theta)
    return np.stack([np.cos(theta), np.sin(theta), np.zeros_like(theta)], axis=1)


def level(field):
    """20 lg of the magnitude."""
    return 20 * np.log10(np.abs(field))


def relative_error(given, exact):
    """Root mean square error over root mean square value."""
    given, exact = np.broadcast_arrays(given, exact)
    return float(np.linalg.norm(given - exact) / np.linalg.norm(exact))


def point_source(points, origin, wavenumber):
    """Pressure exp(ikr)/(4 pi r) in Pa and its gradient in Pa/m at (n, 3) points."""
    offset = points - np.asarray(origin)
    r = np.linalg.norm(offset, axis=1)
    pressure = np.exp(1j * wavenumber * r) / (4 * np.pi * r)
    return pressure, ((1j * wavenumber - 1 / r) * pressure / r)[:, None] * offset


def point_source_far_field(directions, origin, wavenumber):
    """Far-field coefficient in Pa.m of `point_source`."""
    return np.exp(-1j * wavenumber * (directions @ np.asarray(origin))) / (4 * np.pi)


def velocity_of_gradient(gradient, wavenumber):
    """Normal velocity in m/s whose pressure gradient dp/dn is given in Pa/m."""
    return gradient / (1j * wavenumber * RHO_C)
