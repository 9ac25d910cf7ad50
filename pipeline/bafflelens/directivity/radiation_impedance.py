# SPDX-License-Identifier: GPL-3.0-or-later
"""What the air does to a source, and where its sound seems to come from.

Both move with the lens: it loads the dome with more or less air, and it moves the point from which
the waves spread.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from bafflelens.base.errors import InputError, invalid
from bafflelens.directivity.polars import orbit

if TYPE_CHECKING:
    import xarray as xr

CENTRE_WITHIN_DEG: Final = 30.0


def radiation_impedance(dataset: xr.Dataset) -> xr.DataArray:
    r"""Return the radiation impedance of the sources, own and mutual.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset as it was solved.

    Returns
    -------
    xarray.DataArray
        (source, source_b, frequency), complex, in N s/m for exp(-i omega t): a mass has a
        negative imaginary part. NaN where a frequency failed.

    Raises
    ------
    InputError
        If the dataset has none: it is a sum of sources, or was made before loads were kept.

    Notes
    -----
    :math:`Z_{ij} = \int w_i^* p_j \, dS`, with the normal velocity w of source i for 1 m/s and
    the pressure p where source j moves with 1 m/s and the others rest. So the force on each part
    of a source counts as much as it moves, and half the real part of the diagonal is the power
    that a source gives for 1 m/s: what is radiated and what felt takes.
    """
    if "load_resistance" not in dataset:
        rule = "one of a solved shape that keeps the load of its sources"
        raise InputError(invalid("dataset", "no load_resistance", rule))
    impedance = dataset["load_resistance"] - 1j * dataset["load_reactance"]
    return impedance.rename("radiation_impedance").assign_attrs(
        units="N s/m", long_name="Radiation impedance"
    )


def acoustic_centre(
    dataset: xr.Dataset, plane: str, within_deg: float = CENTRE_WITHIN_DEG
) -> xr.Dataset:
    r"""Return the point from which the far field near the axis seems to spread.

    It is the point about which the phase is as constant as possible over the angles of an orbit
    near the axis: the least squares of

    .. math:: \arg F(\theta) = \varphi - k (x \cos\theta + s \sin\theta) ,

    each angle weighted with the energy that it gets. For a point source it is the point source.
    At low frequencies it is the acoustic centre of J. Vanderkooy, "The acoustic center: a new
    concept for loudspeakers at low frequencies", 121st AES Convention (2006), and at any
    frequency what is called phase centre with antennas (citation and word from memory).

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset with one source.
    plane : {"horizontal", "vertical"}
        The orbit. A lens spreads differently in the two, so there are two centres.
    within_deg : float
        Angles up to this far from the axis count, in degrees.

    Returns
    -------
    xarray.Dataset
        Over ``frequency``: ``forward_m``, the position along the reference axis, positive in
        front of the reference point; ``aside_m``, to the loudspeaker's left or up;
        ``residual_deg``, what is left of the phase (r.m.s.): where it is large, no single point
        describes the field. NaN where a frequency failed.
    """
    import xarray as xr

    field = orbit(dataset, plane)
    near = np.abs(field["angle"].values) <= within_deg + 1e-9
    angle = np.radians(field["angle"].values[near])
    wavenumber = 2 * np.pi * dataset["frequency"].values / dataset.attrs["air_sound_speed_m_s"]
    axis = int(np.argmin(np.abs(angle)))
    # About the axis, where the phase changes least, so that the columns are well apart.
    columns = np.stack([np.ones_like(angle), 1 - np.cos(angle), -np.sin(angle)], axis=1)
    found = np.full((3, len(wavenumber)), np.nan)
    for n, values in enumerate(field.values[:, near]):
        if not np.isfinite(values).all():
            continue
        phase = np.unwrap(np.angle(values))
        phase -= phase[axis]
        weight = np.abs(values) / np.linalg.norm(values)
        solution = np.linalg.lstsq(columns * weight[:, np.newaxis], phase * weight, rcond=None)[0]
        left = np.linalg.norm((phase - columns @ solution) * weight)
        found[:, n] = *(solution[1:] / wavenumber[n]), np.degrees(left)
    what = f"of the acoustic centre, {plane} plane"
    names = {
        "forward_m": ("m", f"Position {what}, in front of the reference point"),
        "aside_m": ("m", f"Position {what}, to the left or up"),
        "residual_deg": ("degree", f"Phase that a wave from it leaves, r.m.s., {plane} plane"),
    }
    return xr.Dataset(
        {
            name: ("frequency", values, {"units": units, "long_name": text})
            for (name, (units, text)), values in zip(names.items(), found, strict=True)
        },
        coords={"frequency": dataset["frequency"]},
        attrs={"plane": plane, "within_deg": within_deg},
    )
