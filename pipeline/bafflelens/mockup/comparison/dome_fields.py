# SPDX-License-Identifier: GPL-3.0-or-later
"""What motions the dome of a candidate may have, and their fields on the measured orbits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import xarray as xr

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.directivity.dome_mixtures import as_sources
from bafflelens.directivity.far_field_data import far_field
from bafflelens.directivity.interpolated import shown
from bafflelens.directivity.polars import orbit_directions
from bafflelens.mesh.dome_motions import DomeMember, DomeRanges
from bafflelens.mesh.dome_profiles import DomeProfile

STRENGTHS: Final[Mapping[str, tuple[float, float]]] = {
    "lag": (0.0, 2.0),
    "fade": (0.0, 2.0),
    "modes": (0.0, 1.5),
    "surround": (-2.0, 2.0),
    "rocking": (-2.0, 2.0),
}
"""Between what the strength of each effect is fitted; 0 is rigid, 1 the strong end of a range."""


@dataclass(frozen=True, kw_only=True, eq=False)
class OrbitFields:
    """The far fields of a dome's profiles on one orbit.

    Attributes
    ----------
    frequency_hz : (n_frequencies,) array
        Rising.
    angle_deg : (n_angles,) array
        Rising, -180 to 180.
    rigid : (n_frequencies, n_angles) complex array
        Of the rigid dome.
    ratios : (n_profiles, n_frequencies, n_angles) complex array
        Of each profile, over it.
    """

    frequency_hz: FloatArray
    angle_deg: FloatArray
    rigid: ComplexArray
    ratios: ComplexArray


@dataclass(frozen=True, kw_only=True, eq=False)
class DomeMotions:
    """What motions of a dome there may be: its profiles, their fields, and ranges.

    Attributes
    ----------
    source : str
        Name of the source.
    radius_m : float
        Radius of the dome.
    effects : tuple of str
        What a motion may hold, of `bafflelens.mesh.dome_motions.EFFECTS`.
    ranges : DomeRanges
        Between what its numbers are expected.
    profiles : tuple of DomeProfile
        Of what it is mixed.
    orbits : mapping of str to OrbitFields
        By plane.
    """

    source: str
    radius_m: float
    effects: tuple[str, ...]
    ranges: DomeRanges
    profiles: tuple[DomeProfile, ...]
    orbits: Mapping[str, OrbitFields]

    def member(self, strengths: FloatArray) -> DomeMember:
        """Return the motion with these strengths, one an effect."""
        ranges, numbers = self.ranges, dict[str, Any]()
        for effect, strength in zip(self.effects, strengths, strict=True):
            divisor = max(float(strength), 1e-6)
            if effect == "lag":
                numbers["lag_speed_m_s"] = ranges.lag_speed_m_s[0] / divisor
            elif effect == "fade":
                numbers["fade_hz"] = ranges.fade_hz[0] / divisor
            elif effect == "modes":
                numbers["mode_hz"] = ranges.mode_hz[0] / divisor
                numbers["mode_quality"] = float(np.sqrt(np.prod(ranges.mode_quality)))
                numbers["plate_share"] = float(np.sqrt(np.prod(ranges.plate_share)))
            else:
                limits = getattr(ranges, f"{effect}_share")
                numbers[f"{effect}_share"] = float(strength) * float(np.abs(limits).max())
        return DomeMember(**numbers)


def orbit_fields(dataset: xr.Dataset, source: str, plane: str) -> OrbitFields:
    """Return the fields of a source's profiles on an orbit of a dataset that holds some."""
    everything = shown(as_sources(dataset))
    names = [str(name) for name in everything["source"].values]
    own = [n for n, name in enumerate(names) if name.startswith(f"{source}/")]
    chosen, angle = orbit_directions(everything, plane)
    field = far_field(everything).values[:, :, chosen]
    known = np.isfinite(field).all(axis=(0, 2))
    rigid = field[names.index(source)][known]
    return OrbitFields(
        frequency_hz=everything["frequency"].values[known],
        angle_deg=angle,
        rigid=rigid,
        ratios=field[own][:, known] / rigid,
    )
