# SPDX-License-Identifier: GPL-3.0-or-later
"""The radiation problem at one frequency, and its solution."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.medium import Air
from bafflelens.bem import radiation
from bafflelens.bem.discretisation import mirror_signs
from bafflelens.mesh.mesh import Mesh


@dataclass(frozen=True, kw_only=True)
class HelmholtzProblem:
    """Radiation of a vibrating body into free air at one frequency.

    Attributes
    ----------
    mesh : Mesh
        Closed surface, normals into the air; the kept part where there is symmetry.
    frequency_hz : float
        Frequency in Hz.
    air : Air
        The medium.
    normal_velocity : (n_sources, n_triangles) complex array
        Velocity along the outward normal in m/s, one row a source.
    symmetry : tuple of {"x", "y", "z"}
        Coordinate planes in which body, velocity and admittance are mirrored; ``()`` for none.
        A rigid plane (an infinite baffle) is the same thing: the image of a body in front of it.
    admittance : (n_triangles,) complex array or None
        Normalised admittance rho c v / p into the surface (no unit, real part not negative)
        of locally reacting triangles, 0 on rigid ones; None where all are rigid. The surface
        takes it in addition to the prescribed velocity.
    """

    mesh: Mesh
    frequency_hz: float
    air: Air
    normal_velocity: ComplexArray
    symmetry: tuple[str, ...] = ()
    admittance: ComplexArray | None = None

    def __post_init__(self) -> None:
        faults = []
        if not self.frequency_hz > 0:
            faults.append(invalid("frequency", self.frequency_hz, "above 0 Hz"))
        velocity = np.asarray(self.normal_velocity)
        if velocity.ndim != 2 or velocity.shape[1] != self.mesh.n_triangles:
            rule = f"(n_sources, {self.mesh.n_triangles}): one column a triangle"
            faults.append(invalid("shape of normal_velocity", velocity.shape, rule))
        elif not np.all(np.isfinite(velocity)):
            faults.append(invalid("normal_velocity", "not finite", "finite everywhere"))
        faults += _admittance_faults(self.admittance, self.mesh.n_triangles)
        low = self.mesh.vertices.min(axis=0)
        faults += [
            invalid(
                f"mesh with mirror plane {axis} = 0",
                f"{axis} down to {low['xyz'.index(axis)]:.4g} m",
                f"on or in front of the plane ({axis} not below 0): an image source cannot stand "
                "for a recess behind it",
            )
            for axis in self.symmetry
            if axis in "xyz" and low["xyz".index(axis)] < -1e-6
        ]
        if len(set(self.symmetry)) != len(self.symmetry) or not set(self.symmetry) <= set("xyz"):
            faults.append(invalid("symmetry", self.symmetry, "distinct planes of x, y, z"))
        if faults:
            raise InputError(faults)

    @property
    def wavenumber(self) -> float:
        """Wavenumber k in 1/m."""
        return self.air.wavenumber(self.frequency_hz)

    @property
    def pressure_gradient(self) -> ComplexArray:
        """dp/dn = i omega rho v of the prescribed velocity, (n_sources, n_triangles), in Pa/m."""
        factor = 2j * np.pi * self.frequency_hz * self.air.density
        return np.asarray(factor * np.asarray(self.normal_velocity, dtype=complex))

    def total_gradient(self, pressure: ComplexArray) -> ComplexArray:
        """Return dp/dn with what the admittance takes: i omega rho v - ik (admittance) p."""
        if self.admittance is None:
            return self.pressure_gradient
        return np.asarray(
            self.pressure_gradient - 1j * self.wavenumber * self.admittance * pressure
        )


def _admittance_faults(admittance: ComplexArray | None, n_triangles: int) -> list[str]:
    if admittance is None:
        return []
    if np.shape(admittance) != (n_triangles,):
        rule = f"({n_triangles},): one value a triangle"
        return [invalid("shape of admittance", np.shape(admittance), rule)]
    if not np.all(np.real(admittance) >= 0):
        worst = complex(np.asarray(admittance)[np.argmin(np.real(admittance))])
        return [invalid("admittance", worst, "of real part 0 or above: a surface gives no power")]
    return []


@dataclass(frozen=True, kw_only=True)
class HelmholtzSolution:
    """Surface pressure of a `HelmholtzProblem`, and the fields that follow from it.

    Attributes
    ----------
    problem : HelmholtzProblem
        What was solved.
    surface_pressure : (n_sources, n_triangles) complex array
        Pressure at the element centroids in Pa.
    engine : str
        Which engine solved it.
    iterations : int
        Iterations of the linear solver, the largest over the sources; 0 for a direct solve.
    residual : float
        Largest relative residual of the linear system.
    remarks : tuple of str
        What the reader of the result should know, for instance that the direct solve stepped in.
    is_fallback : bool
        Whether another engine than the one that was asked for had to solve it.
    start_residual : float
        Largest relative residual of the first guess; 1 where there was none.
    system_pressure : (n_sources, n_triangles) complex array or None
        What solves the linear system, where the engine improves the pressure afterwards: the
        better guess for a system like it.
    is_combined : bool
        Whether it holds nothing but a combination of what was known.
    """

    problem: HelmholtzProblem
    surface_pressure: ComplexArray
    engine: str
    iterations: int = 0
    residual: float = 0.0
    remarks: tuple[str, ...] = field(default=())
    is_fallback: bool = False
    start_residual: float = 1.0
    system_pressure: ComplexArray | None = None
    is_combined: bool = False

    @property
    def guess(self) -> ComplexArray:
        """What helps to solve a problem like this one, (n_sources, n_triangles)."""
        return self.surface_pressure if self.system_pressure is None else self.system_pressure

    def far_field(self, directions: FloatArray) -> ComplexArray:
        """Return the far-field coefficient in Pa.m: p = value exp(ikr)/r.

        Parameters
        ----------
        directions : (n_directions, 3) array
            Unit vectors.

        Returns
        -------
        (n_sources, n_directions) complex array
            Coefficient about the origin of coordinates, in Pa.m.
        """
        return radiation.radiated_far_field(
            self.problem.mesh,
            mirror_signs(self.problem.symmetry),
            self.problem.wavenumber,
            self.surface_pressure,
            self.problem.total_gradient(self.surface_pressure),
            directions,
        )

    def pressure_at(self, points: FloatArray) -> ComplexArray:
        """Return the pressure at points outside the body, at any distance, in Pa.

        Parameters
        ----------
        points : (n_points, 3) array
            Coordinates in m; nearly singular integrals are taken exactly, so that points close
            to the surface are allowed.

        Returns
        -------
        (n_sources, n_points) complex array
            Pressure in Pa.
        """
        return radiation.pressure_at(
            self.problem.mesh,
            mirror_signs(self.problem.symmetry),
            self.problem.wavenumber,
            self.surface_pressure,
            self.problem.total_gradient(self.surface_pressure),
            points,
        )

    def force_matrix(self) -> ComplexArray:
        """Return int conj(v_i) p_j dS over the whole body, (n_sources, n_sources), in W.

        With unit velocities it is the radiation impedance of the sources in N s/m: the force on
        source i, each part weighted with its share in the motion, while source j moves and the
        others rest.
        """
        copies = len(mirror_signs(self.problem.symmetry))
        velocity = np.asarray(self.problem.normal_velocity, dtype=complex)
        weighted = self.surface_pressure * self.problem.mesh.areas
        return copies * _paired(velocity, weighted)

    def cross_power(self) -> ComplexArray:
        """Return the Hermitian power matrix of the sources, (n_sources, n_sources), in W.

        It is what the air takes from the body: the power of the moving surfaces less what
        absorbing ones swallow. The diagonal is the power each source radiates on its own;
        sources driven together with complex strengths s radiate conj(s) . cross_power . s.
        """
        copies = len(mirror_signs(self.problem.symmetry))
        weighted = self.surface_pressure * self.problem.mesh.areas
        factor = 2j * np.pi * self.problem.frequency_hz * self.problem.air.density
        velocity = self.problem.total_gradient(self.surface_pressure) / factor
        one_way = copies / 2 * _paired(velocity, weighted)
        return np.asarray((one_way + np.conj(one_way.T)) / 2)


def _paired(first: ComplexArray, second: ComplexArray) -> ComplexArray:
    """Return conj(first) @ second.T; a library for matrices starts all its threads for a row."""
    return np.asarray(np.einsum("in,jn->ij", np.conj(first), second))
