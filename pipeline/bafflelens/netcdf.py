# SPDX-License-Identifier: GPL-3.0-or-later
"""Datasets in netCDF-4 files, written and read in milliseconds.

Depends on: nothing.

The general writer and reader of xarray take a tenth of a second for a file of this size, most of
it to look every dimension up again for every variable; a run of thousands of candidates would
spend its time there. A netCDF-4 file is an HDF5 file whose dimensions are dimension scales; any
program that reads netCDF reads these files, xarray with any of its engines among them.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np
import xarray as xr

_NOT_A_VARIABLE: Final = "This is a netCDF dimension but not a netCDF variable."
_OF_THE_FORMAT: Final = frozenset(
    {
        *("CLASS", "NAME", "REFERENCE_LIST", "DIMENSION_LIST", "_FillValue", "coordinates"),
        *("_Netcdf4Coordinates", "_Netcdf4Dimid", "_NCProperties"),
    }
)


def write_dataset(dataset: xr.Dataset, path: Path, packed: tuple[str, ...] = ()) -> None:
    """Write a dataset and wait until it is on the disk.

    Parameters
    ----------
    dataset : xarray.Dataset
        Real numbers, integers and text.
    path : Path
        The file; replaced if it exists.
    packed : tuple of str
        Variables that are compressed.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    beside_others = {
        str(name): set(coordinate.dims)
        for name, coordinate in dataset.coords.items()
        if str(name) not in dataset.sizes
    }
    with h5py.File(path, "w", track_order=True) as file:
        scales = {}
        for number, (name, size) in enumerate(dataset.sizes.items()):
            name = str(name)
            if name in dataset.coords:
                scales[name] = _written(file, name, dataset[name], {})
                scales[name].make_scale(name)
            else:
                scales[name] = file.create_dataset(name, (size,), dtype=">f4")
                scales[name].make_scale(f"{_NOT_A_VARIABLE}{size:10d}")
            scales[name].attrs["_Netcdf4Dimid"] = np.int32(number)
        for key, variable in dataset.variables.items():
            name = str(key)
            if name in scales:
                continue
            options = {"compression": 4, "shuffle": True} if name in packed else {}
            written = _written(file, name, variable, options)
            for axis, dimension in enumerate(variable.dims):
                written.dims[axis].attach_scale(scales[str(dimension)])
            beside = [other for other, dims in beside_others.items() if dims <= set(variable.dims)]
            if beside and name not in dataset.coords:
                written.attrs["coordinates"] = " ".join(beside)
        for name, value in dataset.attrs.items():
            file.attrs[str(name)] = _attribute(value)
        lonely = [
            name
            for name, dims in beside_others.items()
            if not any(dims <= set(variable.dims) for variable in dataset.data_vars.values())
        ]
        if lonely:
            file.attrs["coordinates"] = " ".join(lonely)
    with path.open("rb") as stream:
        os.fsync(stream.fileno())


def read_dataset(path: Path) -> xr.Dataset:
    """Read a file that `write_dataset`, or another writer of netCDF-4, has written.

    Text comes back as fixed-width text.

    Raises
    ------
    OSError, ValueError, KeyError
        If it is missing, cut short or of another format.
    """
    variables: dict[str, Any] = {}
    with h5py.File(path, "r") as file:
        coordinates = set(_text(file.attrs.get("coordinates", "")).split())
        for name, stored in file.items():
            if stored.is_scale and _is_no_variable(stored):
                continue
            dims = _dimensions(name, stored)
            values = stored.asstr()[()] if h5py.check_string_dtype(stored.dtype) else stored[()]
            if values.dtype == object:
                values = np.asarray(values, dtype=str)
            attributes = {
                key: _plain(value)
                for key, value in stored.attrs.items()
                if key not in _OF_THE_FORMAT
            }
            # What comes from a file needs no conversion, for which xarray would load dask.
            variables[name] = xr.Variable(dims, values, attributes, fastpath=True)
            coordinates |= set(_text(stored.attrs.get("coordinates", "")).split())
            if dims == (name,):
                coordinates.add(name)
        attributes = {
            key: _plain(value) for key, value in file.attrs.items() if key not in _OF_THE_FORMAT
        }
    dataset = xr.Dataset(variables, attrs=attributes)
    return dataset.set_coords([name for name in variables if name in coordinates])


def is_whole(path: Path) -> bool:
    """Tell whether a file is there and not cut short; its content is not looked at."""
    try:
        with h5py.File(path, "r"):
            return True
    except OSError:
        return False


def _written(file: h5py.File, name: str, variable: Any, options: dict[str, Any]) -> h5py.Dataset:
    values = variable.values
    if values.dtype.kind in "UO":
        text = h5py.string_dtype("utf-8")
        written = file.create_dataset(name, data=values.astype(object), dtype=text)
    else:
        written = file.create_dataset(name, data=values, **(options if values.ndim else {}))
    for key, value in variable.attrs.items():
        written.attrs[str(key)] = _attribute(value)
    return written


def _attribute(value: Any) -> Any:
    """Return an attribute as netCDF keeps it: text, or numbers in one dimension."""
    return value if isinstance(value, str) else np.atleast_1d(value)


def _plain(value: Any) -> Any:
    """Return an attribute as it was given."""
    if isinstance(value, bytes):
        return value.decode()
    if isinstance(value, np.ndarray) and value.shape == (1,):
        return value[0]
    return value


def _text(value: Any) -> str:
    return value.decode() if isinstance(value, bytes) else str(value)


def _is_no_variable(stored: h5py.Dataset) -> bool:
    return _text(stored.attrs.get("NAME", "")).startswith(_NOT_A_VARIABLE)


def _dimensions(name: str, stored: h5py.Dataset) -> tuple[str, ...]:
    if stored.is_scale:
        return (name,)
    return tuple(axis[0].name.rpartition("/")[2] for axis in stored.dims)
