# SPDX-License-Identifier: GPL-3.0-or-later
"""Locally reacting surfaces: felt and foam as an admittance, from a model or from a table.

The model is a porous layer on a rigid backing, with the empirical constants of Y. Miki,
"Acoustical properties of porous materials - Modifications of Delany-Bazley models", J. Acoust.
Soc. Jpn. (E) 11 (1990) 19, doi:10.1250/ast.11.19 (the paper was not at hand; a separate copy
of its four constants agrees with these). Written for the time factor exp(-i omega t).

Sound travels inside such a layer, too, and a locally reacting surface leaves that out. So its
admittance holds for one direction of the sound only. Around a driver sound runs along the felt.
The admittance for sound that enters straight is nearly a spring there: it guides a wave along the
felt that does not exist, louder by 5.8 dB where the exact solution is quieter by 1.5
(`tests/physics/test_sound_along_felt.py`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.base.medium import Air
from bafflelens.mesh.mesh import Mesh

Incidence = Literal["grazing", "normal"]
INCIDENCES: Final = get_args(Incidence)


@dataclass(frozen=True, kw_only=True)
class PorousLayer:
    """Felt or foam on a rigid backing.

    Attributes
    ----------
    flow_resistivity : float
        Static air-flow resistivity in Pa s/m^2, 1,000 to 200,000.
    thickness_m : float
        Thickness in m, above 0.
    incidence : {"grazing", "normal"}
        How sound meets it: along the layer, as around a driver, or straight into it.

    Notes
    -----
    The fit holds for ``0.01 < frequency / flow_resistivity < 1`` (SI units); it is used below,
    where Miki's form stays passive.
    """

    flow_resistivity: float
    thickness_m: float
    incidence: Incidence = "grazing"

    def __post_init__(self) -> None:
        faults = []
        if not 1e3 <= self.flow_resistivity <= 2e5:
            rule = "from 1000 to 200000 Pa s/m^2"
            faults.append(invalid("flow resistivity", self.flow_resistivity, rule))
        if not self.thickness_m > 0:
            faults.append(invalid("layer thickness", self.thickness_m, "above 0 m"))
        if self.incidence not in INCIDENCES:
            rule = "one of " + ", ".join(INCIDENCES)
            faults.append(invalid("incidence on a layer", self.incidence, rule))
        if faults:
            raise InputError(faults)

    def admittance(self, frequency_hz: FloatArray | float, air: Air) -> ComplexArray:
        r"""Return the normalised admittance rho c v / p into the surface, no unit.

        Parameters
        ----------
        frequency_hz : float or array
            Frequency in Hz.
        air : Air
            The medium in front of the layer and in its pores.

        Notes
        -----
        The layer is a fluid of characteristic impedance Z and index n. With the sine s of the
        angle of incidence, 1 along the layer and 0 straight into it, the wave in it has the
        normal wavenumber :math:`k \sqrt{n^2 - s^2}` (Snell), and

        .. math:: \beta = \frac{\sqrt{n^2 - s^2}}{i n Z} \tan (k d \sqrt{n^2 - s^2}) .
        """
        ratio = np.asarray(frequency_hz, dtype=float) / self.flow_resistivity
        impedance = 1 + (0.0699 + 0.1071j) * ratio**-0.632  # eq. 30 and 31
        index = 1 + (0.1093 + 0.1597j) * ratio**-0.618  # eq. 32 and 33
        sine = 1.0 if self.incidence == "grazing" else 0.0
        across = np.sqrt(index**2 - sine**2)
        phase = 2 * np.pi * np.asarray(frequency_hz) / air.sound_speed * across * self.thickness_m
        found = np.asarray(across / (1j * index * impedance) * np.tan(phase))
        # Of a thin and very dense layer it gives some power, by 1e-6: far outside of the fit.
        return np.asarray(found + np.maximum(-found.real, 0.0))


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
