# SPDX-License-Identifier: GPL-3.0-or-later
"""Quality levels: what mesh and which frequencies a stated error needs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.medium import Air

# Lets a third of an octave in base 10 (ISO 3) count as one in base 2.
_BAND_MARGIN: Final = 0.02
QUALITIES: Final = ("draft", "standard", "fine")


@dataclass(frozen=True, kw_only=True)
class MeshSize:
    """How large the triangles of a mesh may be.

    Attributes
    ----------
    source_size_m : float
        Edge length at the dome and the lens.
    growth : float
        Far away the edges are this many times longer.
    growth_distance_m : float
        Distance from the dome over which the edges grow linearly.
    largest_m : float
        No edge is longer than this.
    curvature_elements : int
        Triangles around a full circle of a curved surface.
    """

    source_size_m: float
    growth: float
    growth_distance_m: float
    largest_m: float
    curvature_elements: int


@dataclass(frozen=True, kw_only=True)
class Band:
    """Neighbouring frequencies that share one mesh.

    Attributes
    ----------
    frequencies_hz : tuple of float
        Frequencies to solve, rising, in Hz.
    mesh_frequency_hz : float
        The frequency that the mesh is made for, in Hz.
    """

    frequencies_hz: tuple[float, ...]
    mesh_frequency_hz: float


@dataclass(frozen=True, kw_only=True)
class _Rule:
    """Mesh and solver of a quality level.

    ``steps`` holds triples (up to this frequency in Hz, elements a wavelength, growth): at a low
    frequency the whole cabinet takes part in the radiation, at a high one its far parts lie in
    shadow; between 9 and 14 kHz the phase in a deep lens asks for more elements. Up to
    ``shared_up_to_hz`` the shape rules the mesh and not the wavelength: one mesh serves all.
    """

    steps: tuple[tuple[float, float, float], ...]
    growth_distance_m: float
    curvature_elements: int
    bands_per_octave: float
    shared_up_to_hz: float
    tolerance: float
    stated_error_db: float
    spacing_factor: float

    def at(self, frequency_hz: float) -> tuple[float, float]:
        """Return elements a wavelength and growth of the mesh made for a frequency."""
        return next(step[1:] for step in self.steps if frequency_hz <= step[0])


# See "Error of the mesh rules" in tests/benchmarks/RESULTS.md; convergence.py there measures them.
_RULES: Final = {
    "draft": _Rule(
        steps=((6e3, 5.0, 2.0), (math.inf, 5.0, 3.0)),
        growth_distance_m=0.2,
        curvature_elements=8,
        bands_per_octave=3,
        shared_up_to_hz=1.6e3,
        tolerance=1e-3,
        stated_error_db=1.0,
        spacing_factor=1.5,
    ),
    "standard": _Rule(
        steps=((3e3, 6.5, 1.5), (9e3, 7.5, 2.0), (14e3, 8.5, 2.5), (math.inf, 6.5, 2.5)),
        growth_distance_m=0.2,
        curvature_elements=8,
        bands_per_octave=3,
        shared_up_to_hz=1.6e3,
        tolerance=5e-4,
        stated_error_db=0.3,
        spacing_factor=1.0,
    ),
    "fine": _Rule(
        steps=((math.inf, 14.0, 1.5),),
        growth_distance_m=0.25,
        curvature_elements=12,
        bands_per_octave=3,
        shared_up_to_hz=1e3,
        tolerance=2e-4,
        stated_error_db=0.1,
        spacing_factor=0.6,
    ),
}


def mesh_size(quality: str, frequency_hz: float, air: Air) -> MeshSize:
    """Return the mesh rule of a quality level at a frequency.

    Parameters
    ----------
    quality : {"draft", "standard", "fine"}
        Quality level.
    frequency_hz : float
        Highest frequency the mesh is used at, in Hz.
    air : Air
        For the wavelength.

    Raises
    ------
    InputError
        If the quality level is unknown.
    """
    rule = _rule(quality)
    elements_per_wavelength, growth = rule.at(frequency_hz)
    return MeshSize(
        source_size_m=air.sound_speed / frequency_hz / elements_per_wavelength,
        growth=growth,
        growth_distance_m=rule.growth_distance_m,
        largest_m=0.04,
        curvature_elements=rule.curvature_elements,
    )


def tolerance(quality: str) -> float:
    """Return the relative residual at which the linear solver of a quality level stops."""
    return _rule(quality).tolerance


def stated_error_db(quality: str) -> float:
    """Return the error in dB that a quality level is made for.

    It holds for every angle within 60 degrees of the axis on both orbits, down to -20 dB re
    maximum, and is what the interpolation over frequency may add in front.
    """
    return _rule(quality).stated_error_db


def spacing_factor(quality: str) -> float:
    """Return by how much the first steps over frequency are wider than at standard quality."""
    return _rule(quality).spacing_factor


def open_bands(frequencies_hz: Sequence[float], quality: str) -> tuple[Band, ...]:
    """Split frequencies into bands to which more may be added: see `bands`.

    The mesh of each is made for the upper end of its range, whether or not it is solved there.
    """
    top = max(frequencies_hz)
    rule = _rule(quality)
    return tuple(
        replace(band, mesh_frequency_hz=_upper_end(band.mesh_frequency_hz, top, rule))
        for band in bands(frequencies_hz, quality)
    )


def band_of(frequency_hz: float, choices: Sequence[Band]) -> int:
    """Return the number of the coarsest band whose mesh is made for a frequency."""
    fitting = [
        (band.mesh_frequency_hz, number)
        for number, band in enumerate(choices)
        if band.mesh_frequency_hz >= frequency_hz * (1 - 1e-9)
    ]
    return min(fitting)[1]


def bands(frequencies_hz: Sequence[float], quality: str) -> tuple[Band, ...]:
    """Split frequencies into bands that share one mesh, made for the highest in the band.

    Parameters
    ----------
    frequencies_hz : sequence of float
        Frequencies in Hz, in any order.
    quality : str
        Quality level, which sets how many bands an octave has.
    """
    rule = _rule(quality)
    rising = np.unique(np.asarray(frequencies_hz, dtype=float))
    # Counted from the top, so that the most expensive band is used to its full width.
    number, lowest = (
        np.floor(np.log2(rising[-1] / hz) * rule.bands_per_octave + _BAND_MARGIN)
        for hz in (rising, min(rule.shared_up_to_hz, rising[-1]))
    )
    number = np.minimum(number, lowest)
    return tuple(
        Band(
            frequencies_hz=tuple(float(f) for f in rising[number == n]),
            mesh_frequency_hz=float(rising[number == n].max()),
        )
        for n in np.unique(number)[::-1]
    )


def _upper_end(frequency_hz: float, top_hz: float, rule: _Rule) -> float:
    number = math.floor(math.log2(top_hz / frequency_hz) * rule.bands_per_octave + _BAND_MARGIN)
    return float(max(top_hz * 2 ** (-number / rule.bands_per_octave), frequency_hz))


def _rule(quality: str) -> _Rule:
    if quality not in _RULES:
        raise InputError(invalid("quality", quality, "one of " + ", ".join(QUALITIES)))
    return _RULES[quality]
