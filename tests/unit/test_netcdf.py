# SPDX-License-Identifier: GPL-3.0-or-later
"""Our own writer of netCDF files against the general reader, and the other way round."""

import numpy as np
import pytest
import xarray as xr

from bafflelens.base.errors import StoreError
from bafflelens.base.netcdf import is_whole, read_dataset, write_dataset


@pytest.fixture
def dataset():
    names = np.array(["tweeter", "woofer links"])
    return xr.Dataset(
        {
            "field": (
                ("source", "frequency", "direction"),
                np.arange(24.0, dtype=np.float32).reshape(2, 3, 4),
                {"units": "Pa.m", "long_name": "Far field, größer"},
            ),
            "power": (("source", "source_b"), np.array([[1.0, np.nan], [3.0, 4.0]])),
            "reason": ("frequency", np.array(["", "too hot", ""])),
            "iterations": ("frequency", np.array([1, 2, 3])),
        },
        coords={
            "source": names,
            "source_b": names,
            "frequency": ("frequency", np.array([1.0, 2.0, 3.0]), {"units": "Hz"}),
            "azimuth_deg": ("direction", np.arange(4.0)),
            "shown": ("shown", np.arange(5.0)),
            "centre_m": (("source", "axis"), np.zeros((2, 3))),
        },
        attrs={"engine": "direct", "speed": 343.5, "count": 3, "list": np.array([1.0, 2.0])},
    )


def as_read(dataset):
    """Return a dataset without the encodings, and with text of fixed width."""
    texts = {
        name: variable.astype(str)
        for name, variable in dataset.variables.items()
        if variable.dtype.kind in ("O", "T")
    }
    return dataset.assign(
        {n: v for n, v in texts.items() if n in dataset.data_vars}
    ).assign_coords({n: v for n, v in texts.items() if n in dataset.coords})


def assert_alike(one, other):
    xr.testing.assert_identical(as_read(one), as_read(other))
    for name in one.variables:
        assert one[name].dtype.kind == as_read(other)[name].dtype.kind, name


def test_what_is_written_comes_back(dataset, tmp_path):
    write_dataset(dataset, tmp_path / "a.nc")
    found = read_dataset(tmp_path / "a.nc")
    assert_alike(found, dataset)
    assert set(found.coords) == set(dataset.coords)
    assert found["reason"].dtype == dataset["reason"].dtype
    assert found.attrs["speed"] == 343.5


@pytest.mark.filterwarnings("ignore:numpy.ndarray size changed")
@pytest.mark.parametrize("engine", ["h5netcdf", "netcdf4"])
def test_general_readers_find_the_same(dataset, engine, tmp_path):
    """The second one is the netCDF project's own library."""
    write_dataset(dataset, tmp_path / "a.nc")
    with xr.open_dataset(tmp_path / "a.nc", engine=engine, decode_times=False) as stored:
        found = stored.load()
    assert_alike(found, dataset)
    assert set(found.coords) == set(dataset.coords)


def test_files_of_the_general_writer_are_read(dataset, tmp_path):
    dataset.to_netcdf(tmp_path / "a.nc", engine="h5netcdf")
    found = read_dataset(tmp_path / "a.nc")
    assert_alike(found, dataset)
    assert set(found.coords) == set(dataset.coords)


def test_a_file_that_is_cut_short_is_told_from_a_whole_one(dataset, tmp_path):
    path = tmp_path / "a.nc"
    assert not is_whole(path)
    write_dataset(dataset, path)
    assert is_whole(path)
    content = path.read_bytes()
    for share in (0.0, 0.3, 0.99):
        path.write_bytes(content[: int(share * len(content))])
        assert not is_whole(path)
        with pytest.raises(StoreError, match=r"Invalid result file"):
            read_dataset(path)
