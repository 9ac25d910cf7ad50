# SPDX-License-Identifier: GPL-3.0-or-later
"""Datasets in netCDF-4 files, written and read in milliseconds.

The general writer and reader of xarray take a tenth of a second for a file of this size, most of
it to look every dimension up again for every variable; a run of thousands of candidates would
spend its time there. A netCDF-4 file is an HDF5 file whose dimensions are dimension scales; any
program that reads netCDF reads these files, xarray with any of its engines among them.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import h5py
import numpy as np
from h5py import h5a, h5d, h5ds, h5i, h5p, h5s, h5t

from bafflelens.base.archives import hdf5
from bafflelens.base.errors import StoreError

if TYPE_CHECKING:
    import xarray as xr

_TEXT: Final = h5t.py_create(h5py.string_dtype("utf-8"), logical=True)
_RULE: Final = "a directivity dataset saved by bafflelens"
_SCALAR: Final = h5s.create(h5s.SCALAR)
_NOT_A_VARIABLE: Final = "This is a netCDF dimension but not a netCDF variable."
_OF_THE_FORMAT: Final = frozenset(
    {
        *("CLASS", "NAME", "REFERENCE_LIST", "DIMENSION_LIST", "_FillValue", "coordinates"),
        *("_Netcdf4Coordinates", "_Netcdf4Dimid", "_NCProperties"),
    }
)


def write_dataset(dataset: xr.Dataset, path: Path) -> None:
    """Write a dataset and wait until it is on the disk.

    Nothing is compressed: that makes what comes from a solver a seventh smaller, and takes longer
    than all the rest (`tests/benchmarks/result_files.py`).

    Parameters
    ----------
    dataset : xarray.Dataset
        Real numbers, integers and text.
    path : Path
        The file; replaced if it exists.

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
        for number, (key, size) in enumerate(dataset.sizes.items()):
            name = str(key)
            if name in dataset.coords:
                scale = _written(file.id, name, dataset.variables[name])
                h5ds.set_scale(scale, name.encode())
            else:
                scale = _created(file.id, name, np.dtype(">f4"), (size,))
                h5ds.set_scale(scale, f"{_NOT_A_VARIABLE}{size:10d}".encode())
            _set_attribute(scale, "_Netcdf4Dimid", np.int32(number))
            scales[name] = scale
        for key, variable in dataset.variables.items():
            name = str(key)
            if name in scales:
                continue
            written = _written(file.id, name, variable)
            for axis, dimension in enumerate(variable.dims):
                h5ds.attach_scale(written, scales[str(dimension)], axis)
            beside = [other for other, dims in beside_others.items() if dims <= set(variable.dims)]
            if beside and name not in dataset.coords:
                _set_attribute(written, "coordinates", " ".join(beside))
        for key, value in dataset.attrs.items():
            _set_attribute(file.id, str(key), _attribute(value))
        lonely = [
            name
            for name, dims in beside_others.items()
            if not any(dims <= set(variable.dims) for variable in dataset.data_vars.values())
        ]
        if lonely:
            _set_attribute(file.id, "coordinates", " ".join(lonely))
    with path.open("rb") as stream:
        os.fsync(stream.fileno())


def read_dataset(path: Path) -> xr.Dataset:
    """Read a file that `write_dataset`, or another writer of netCDF-4, has written.

    Text comes back as fixed-width text.

    Raises
    ------
    StoreError
        If it is missing, cut short or of another format.
    """
    with hdf5(path, "result file", _RULE, StoreError) as file:
        return _read(file)


def _read(file: h5py.File) -> xr.Dataset:
    import pandas as pd
    import xarray as xr
    from xarray.indexes import PandasIndex

    variables: dict[str, Any] = {}
    coordinates = _words(file, "coordinates")
    for name in file:
        stored = h5py.Dataset(h5d.open(file.id, name.encode()))
        is_scale = h5ds.is_scale(stored.id)
        if is_scale and _is_no_variable(stored):
            continue
        dims = (name,) if is_scale else _dimensions(stored.id)
        values = stored.asstr()[()] if h5py.check_string_dtype(stored.dtype) else stored[()]
        if values.dtype == object:
            values = np.asarray(values, dtype=str)
        # What comes from a file needs no conversion, for which xarray would load dask.
        variables[name] = xr.Variable(dims, values, _attributes(stored), fastpath=True)
        coordinates |= _words(stored, "coordinates")
        if dims == (name,):
            coordinates.add(name)
    # With indexes made here xarray need not ask whether an array is one of dask's, and load that.
    indexes = {
        name: PandasIndex(pd.Index(variable.values), name)
        for name, variable in variables.items()
        if variable.dims == (name,)
    }
    beside = {name: variables.pop(name) for name in list(variables) if name in coordinates}
    return xr.Dataset(variables, xr.Coordinates(beside, indexes=indexes), _attributes(file))


def is_whole(path: Path) -> bool:
    """Tell whether a file is there and not cut short; its content is not looked at."""
    try:
        with h5py.File(path, "r"):
            return True
    except OSError:
        return False


def _written(file: Any, name: str, variable: Any) -> Any:
    """Write a variable with its attributes; return its identifier."""
    values = variable.values
    if values.dtype.kind in "UO":
        values = values.astype(object)
    written = _created(file, name, values.dtype, values.shape)
    written.write(h5s.ALL, h5s.ALL, np.ascontiguousarray(values))
    for key, value in variable.attrs.items():
        _set_attribute(written, str(key), _attribute(value))
    return written


# What follows speaks to the library below h5py's own objects: they look every name up again.


def _created(file: Any, name: str, dtype: np.dtype[Any], shape: tuple[int, ...]) -> Any:
    """Make a variable, which keeps the order of its attributes; return its identifier.

    It keeps no time, so that the same dataset is the same file.
    """
    properties = h5p.create(h5p.DATASET_CREATE)
    properties.set_attr_creation_order(h5p.CRT_ORDER_TRACKED | h5p.CRT_ORDER_INDEXED)
    properties.set_obj_track_times(False)
    return h5d.create(file, name.encode(), _type(dtype), h5s.create_simple(shape), properties)


def _type(dtype: np.dtype[Any]) -> Any:
    return _TEXT if dtype.kind == "O" else h5t.py_create(dtype, logical=True)


def _set_attribute(owner: Any, name: str, value: Any) -> None:
    values = np.asarray(value, dtype=object) if isinstance(value, str) else np.asarray(value)
    space = h5s.create_simple(values.shape) if values.ndim else _SCALAR
    h5a.create(owner, name.encode(), _type(values.dtype), space).write(values)


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


def _attributes(owner: Any) -> dict[str, Any]:
    """Return the attributes of a file or variable that are not the format's own."""
    return {key: _plain(owner.attrs[key]) for key in owner.attrs if key not in _OF_THE_FORMAT}


def _words(owner: Any, key: str) -> set[str]:
    """Return the words of an attribute; none where there is no such."""
    if not h5a.exists(owner.id, key.encode()):
        return set()
    return set(_text(owner.attrs[key]).split())


def _text(value: Any) -> str:
    return value.decode() if isinstance(value, bytes) else str(value)


def _is_no_variable(stored: h5py.Dataset) -> bool:
    return _text(stored.attrs.get("NAME", "")).startswith(_NOT_A_VARIABLE)


def _dimensions(stored: Any) -> tuple[str, ...]:
    """Return the names of the scales of a variable, which is none itself."""
    scales: list[Any] = []
    for axis in range(stored.rank):
        found: list[Any] = []
        h5ds.iterate(stored, axis, found.append)
        scales.append(found[0])
    return tuple(h5i.get_name(scale).decode().rpartition("/")[2] for scale in scales)
