# SPDX-License-Identifier: GPL-3.0-or-later
"""Sums of the sources of a directivity dataset, each with its transfer, and their radiated power.

A sum has the same layout as what it was made of, with a single source, so that polars and criteria
never need to know of a crossover.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.directivity.far_field_data import complex_variables, described

if TYPE_CHECKING:
    import xarray as xr


def source_sum(dataset: xr.Dataset, transfer: ComplexArray | None = None) -> xr.DataArray:
    """Return the complex far field of all sources together.

    Parameters
    ----------
    dataset : xarray.Dataset
        A directivity dataset.
    transfer : (n_sources, n_frequencies) complex array, optional
        Acceleration of each source in m/s^2, for exp(-i omega t). May be left out only where
        there is one source: then it is 1 m/s^2.

    Returns
    -------
    xarray.DataArray
        (frequency, direction), complex, Pa.m; NaN where a frequency failed.

    Raises
    ------
    InputError
        If there are several sources and no transfer: they never have equal accelerations, so
        no sum of theirs can be assumed.
    """
    template = dataset["far_field_real"].isel(source=0, drop=True)
    return (
        template.copy(data=source_values(dataset, transfer))
        .rename("far_field")
        .assign_attrs(units="Pa.m", long_name="Far field of all sources together")
    )


def source_values(
    dataset: xr.Dataset,
    transfer: ComplexArray | None = None,
    directions: Sequence[int] | IntArray | slice = slice(None),
) -> ComplexArray:
    """Return what `source_sum` does as a plain array, for those that ask often.

    Parameters
    ----------
    dataset, transfer
        As in `source_sum`.
    directions : sequence of int or slice
        Numbers of the directions that are wanted.

    Returns
    -------
    (n_frequencies, n_directions) array
        Complex, Pa.m.
    """
    transfer = _checked_transfer(dataset, transfer)
    real = dataset.variables["far_field_real"].values[..., directions]
    field = np.empty(real.shape, dtype=complex)
    field.real, field.imag = real, dataset.variables["far_field_imag"].values[..., directions]
    field *= transfer[..., np.newaxis]
    return np.asarray(field[0] if len(field) == 1 else field.sum(axis=0))


def radiated_power(dataset: xr.Dataset, transfer: ComplexArray | None = None) -> xr.DataArray:
    r"""Return the sound power of all sources together.

    Parameters
    ----------
    dataset, transfer
        As in `source_sum`.

    Returns
    -------
    xarray.DataArray
        (frequency,), in W.

    Notes
    -----
    With a the accelerations and
    :math:`C_{ij} = \int F_i^* F_j \, d\Omega / (2 \rho c)` the power matrix of the sources,
    the power is :math:`\sum_{ij} a_i^* C_{ij} a_j`.
    """
    import xarray as xr

    return xr.DataArray(
        power_values(dataset, transfer),
        coords={"frequency": dataset["frequency"]},
        dims="frequency",
        name="radiated_power",
        attrs={"units": "W", "long_name": "Radiated power"},
    )


def power_values(dataset: xr.Dataset, transfer: ComplexArray | None = None) -> FloatArray:
    """Return what `radiated_power` does as a plain array, for those that ask often."""
    transfer = _checked_transfer(dataset, transfer)
    power = np.einsum("sf,fst,tf->f", transfer.conj(), power_matrix(dataset), transfer)
    return np.asarray(power.real)


def power_matrix(dataset: xr.Dataset) -> ComplexArray:
    """Return the power matrix of the sources, (n_frequencies, n_sources, n_sources), in W."""
    real, imaginary = dataset.variables["cross_power_real"], dataset.variables["cross_power_imag"]
    matrix = real.transpose("frequency", "source", "source_b").values.astype(complex)
    matrix.imag = imaginary.transpose("frequency", "source", "source_b").values
    return np.asarray(matrix)


def summed(dataset: xr.Dataset, transfer: ComplexArray, name: str = "sum") -> xr.Dataset:
    """Return a directivity dataset whose single source is the sum of all.

    Parameters
    ----------
    dataset, transfer
        As in `source_sum`.
    name : str
        Name of the source that stands for the sum.

    Returns
    -------
    xarray.Dataset
        The same layout, so that every polar and criterion applies to the sum.
    """
    field = source_sum(dataset, transfer).values[np.newaxis]
    power = power_values(dataset, transfer)[np.newaxis, np.newaxis]
    kept = dataset.drop_dims(["source", "source_b"])
    result = kept.assign_coords(
        source=("source", np.array([name])), source_b=("source_b", np.array([name]))
    ).assign(complex_variables(field, power.astype(complex)))
    return described(result.assign_attrs(source_acceleration="as the transfer functions say"))


def _checked_transfer(dataset: xr.Dataset, transfer: ComplexArray | None) -> ComplexArray:
    shape = (dataset.sizes["source"], dataset.sizes["frequency"])
    if transfer is None:
        if shape[0] > 1:
            names = ", ".join(str(name) for name in dataset["source"].values)
            msg = invalid(
                "sum of sources", names, "given a transfer function a source: none can be assumed"
            )
            raise InputError(msg)
        return np.ones(shape, dtype=complex)
    if np.shape(transfer) != shape:
        msg = invalid("shape of the transfer functions", np.shape(transfer), f"{shape}")
        raise InputError(msg)
    return np.asarray(transfer, dtype=complex)
