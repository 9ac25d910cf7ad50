# SPDX-License-Identifier: GPL-3.0-or-later
"""Locally reacting surfaces: felt and foam as an admittance, from a model or from a table.

The model is a porous layer on a rigid backing, with the empirical constants of Y. Miki,
"Acoustical properties of porous materials - Modifications of Delany-Bazley models", J. Acoust.
Soc. Jpn. (E) 11 (1990) 19, doi:10.1250/ast.11.19 (the paper was not at hand; a separate copy
of its four constants agrees with these). Written for the time factor exp(-i omega t).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from bafflelens.conventions import ComplexArray, FloatArray
from bafflelens.errors import InputError, invalid
from bafflelens.medium import Air
from bafflelens.mesh import Mesh


@dataclass(frozen=True, kw_only=True)
class PorousLayer:
    """Felt or foam on a rigid backing.

    Attributes
    ----------
    flow_resistivity : float
        Static air-flow resistivity in Pa s/m^2, 1,000 to 200,000.
    thickness_m : float
        Thickness in m, above 0.

    Notes
    -----
    The fit holds for ``0.01 < frequency / flow_resistivity < 1`` (SI units); it is used below,
    where Miki's form stays passive. Sound is taken to travel straight into the layer, which is
    right for resistive felts and optimistic at grazing incidence.
    """

    flow_resistivity: float
    thickness_m: float

    def __post_init__(self) -> None:
        faults = []
        if not 1e3 <= self.flow_resistivity <= 2e5:
            rule = "from 1000 to 200000 Pa s/m^2"
            faults.append(invalid("flow resistivity", self.flow_resistivity, rule))
        if not self.thickness_m > 0:
            faults.append(invalid("layer thickness", self.thickness_m, "above 0 m"))
        if faults:
            raise InputError(faults)

    def admittance(self, frequency_hz: FloatArray | float, air: Air) -> ComplexArray:
        """Return the normalised admittance rho c v / p into the surface, no unit.

        Parameters
        ----------
        frequency_hz : float or array
            Frequency in Hz.
        air : Air
            The medium in front of the layer and in its pores.
        """
        ratio = np.asarray(frequency_hz, dtype=float) / self.flow_resistivity
        impedance = 1 + (0.0699 + 0.1071j) * ratio**-0.632  # eq. 30 and 31
        index = 1 + (0.1093 + 0.1597j) * ratio**-0.618  # eq. 32 and 33
        wavenumber = 2 * np.pi * np.asarray(frequency_hz) / air.sound_speed * index
        return np.asarray(1 / (1j * impedance / np.tan(wavenumber * self.thickness_m)))


@dataclass(frozen=True, kw_only=True, eq=False)
class AdmittanceTable:
    """An admittance that was measured, or computed elsewhere.

    Attributes
    ----------
    frequencies_hz : (n,) array
        Rising, in Hz.
    values : (n,) complex array
        Normalised admittance for exp(-i omega t), real part not negative.
    """

    frequencies_hz: FloatArray
    values: ComplexArray

    def admittance(self, frequency_hz: FloatArray | float, air: Air) -> ComplexArray:
        """Return the admittance, linear between the rows over log frequency, held beyond them.

        Parameters
        ----------
        frequency_hz : float or array
            Frequency in Hz.
        air : Air
            Not needed; an absorber of any kind is asked alike.
        """
        at = np.log(np.asarray(frequency_hz, dtype=float))
        return np.asarray(np.interp(at, np.log(self.frequencies_hz), self.values), dtype=complex)


Absorber = PorousLayer | AdmittanceTable


def surface_admittance(
    mesh: Mesh, absorbers: Mapping[str, Absorber], frequency_hz: float, air: Air
) -> ComplexArray | None:
    """Return the admittance of every triangle, (n_triangles,), None where all are rigid.

    Parameters
    ----------
    mesh : Mesh
        The surface.
    absorbers : mapping of str to Absorber
        By surface; a surface that the mesh has not is passed over.
    frequency_hz : float
        Frequency in Hz.
    air : Air
        The medium.
    """
    admittance = np.zeros(mesh.n_triangles, dtype=complex)
    for name, absorber in absorbers.items():
        admittance[mesh.surface == name] = absorber.admittance(frequency_hz, air)
    return admittance if admittance.any() else None
