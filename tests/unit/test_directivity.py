# SPDX-License-Identifier: GPL-3.0-or-later
import analytic
import numpy as np
import patterns
import pytest
import xarray as xr

from bafflelens.base.errors import InputError, StoreError
from bafflelens.directivity import far_field_data
from bafflelens.directivity.direction_set import directions
from bafflelens.directivity.far_field_data import (
    far_field,
    impedance,
    in_directions,
    is_solved,
    load,
    save,
)
from bafflelens.directivity.source_sums import radiated_power, source_sum, summed

FREQUENCIES = np.array([1000.0, 2000.0, 4000.0])


@pytest.fixture
def cardioid():
    return patterns.dataset(patterns.cardioid, FREQUENCIES, failed=[2000.0])


def two_sources(spacing_m=0.1, frequencies=FREQUENCIES):
    """Two monopoles above each other, each 1 Pa.m."""
    height = directions().vectors[:, 2] * spacing_m / 2
    k = 2 * np.pi * frequencies[:, np.newaxis] / patterns.AIR.sound_speed
    fields = np.stack([np.exp(-1j * k * height), np.exp(1j * k * height)])
    return patterns.assembled([patterns.band(fields, frequencies)], ["upper", "lower"])


# ------------------------------------------------------------------ directions
def test_directions_are_two_orbits_and_a_sphere_without_doubles():
    found = directions()
    pairs = list(zip(found.azimuth_deg, found.elevation_deg, strict=True))
    assert len(set(pairs)) == len(pairs) == found.n_directions == 2666
    assert np.sum(found.weight > 0) == 2522  # AES: full sphere at 5 degrees
    assert np.sum(np.abs(found.elevation_deg) == 90) == 2
    assert np.sum(found.elevation_deg == 0) == 144
    behind_or_front = np.isin(found.azimuth_deg, (0.0, 180.0))
    assert np.sum(behind_or_front) == 144


def test_angles_are_exact_multiples_and_in_range():
    found = directions()
    for angle in (found.azimuth_deg, found.elevation_deg):
        np.testing.assert_array_equal(angle * 2, np.round(angle / 2.5) * 5)
    assert found.azimuth_deg.min() > -180
    assert found.azimuth_deg.max() == 180


def test_weights_integrate_the_sphere():
    found = directions()
    x, y, z = found.vectors.T
    assert found.weight.sum() == pytest.approx(4 * np.pi, rel=1e-14)
    assert found.weight.min() == 0
    for power in (2, 10, 36):  # mean of x^n over the sphere is 1/(n + 1)
        for axis in (x, y, z):
            mean = found.weight @ axis**power / (4 * np.pi)
            assert mean == pytest.approx(1 / (power + 1), rel=1e-12)
    assert found.weight @ (x * y**3 * z) == pytest.approx(0, abs=1e-14)
    # The highest degree that is exact: the mean of a Chebyshev polynomial is 1/(1 - n^2).
    ripple = np.cos(36 * np.arccos(z))
    assert found.weight @ ripple / (4 * np.pi) == pytest.approx(1 / (1 - 36**2), rel=1e-10)


def test_orbit_only_directions_carry_no_weight():
    found = directions()
    odd = (np.round(found.azimuth_deg / 2.5) % 2 == 1) | (
        np.round(found.elevation_deg / 2.5) % 2 == 1
    )
    np.testing.assert_array_equal(found.weight == 0, odd)


# ------------------------------------------------------------------ dataset
def test_bands_join_in_rising_order_whatever_their_order():
    fields = np.arange(4)[np.newaxis, :, np.newaxis] + np.zeros((1, 4, 2666))
    low = patterns.band(fields[:, :2], [1000.0, 2000.0])
    high = patterns.band(fields[:, 2:], [4000.0, 8000.0], failed=[8000.0])
    joined = patterns.assembled([high, low], ["tweeter"])
    assert list(joined["frequency"].values) == [1000, 2000, 4000, 8000]
    assert list(joined["status"].values) == ["solved"] * 3 + ["failed"]
    assert list(joined["reason"].values) == ["", "", "", "the solver diverged"]
    np.testing.assert_array_equal(far_field(joined).values[0, :, 0].real, [0, 1, 2, np.nan])
    np.testing.assert_array_equal(is_solved(joined), [True, True, True, False])


def test_everything_has_a_unit_and_a_name(cardioid):
    for name in cardioid.variables:
        assert {"units", "long_name"} <= set(cardioid[name].attrs), name
    assert cardioid["far_field_real"].attrs["units"] == "Pa.m"
    assert cardioid["frequency"].attrs["units"] == "Hz"
    assert cardioid["cross_power_real"].dims == ("source", "source_b", "frequency")


def test_attributes_say_how_it_was_made(cardioid):
    attributes = cardioid.attrs
    assert attributes["engine"] == "direct"
    assert attributes["mesh_triangles"] == 1234
    assert attributes["version_numpy"] == "2.4"
    assert attributes["time_convention"].startswith("exp(-i omega t)")
    assert attributes["air_temperature_c"] == 20
    assert impedance(cardioid) == pytest.approx(patterns.AIR.impedance)


def test_bands_that_do_not_fit_are_refused():
    band = patterns.band(np.ones((1, 1, 2666)), [1000.0])
    with pytest.raises(ValueError, match=r"Invalid band result .*\(1, 2666\).*\(2, 2666\)"):
        patterns.assembled([band], ["one", "two"])
    with pytest.raises(ValueError, match=r"frequencies of the bands '\[1000.0\]'.*one band each"):
        patterns.assembled([band, band], ["tweeter"])
    with pytest.raises(ValueError, match=r"at least one band"):
        patterns.assembled([], ["tweeter"])


# ------------------------------------------------------------------ files
def test_some_directions_are_those_that_the_general_way_selects(cardioid):
    chosen = np.array([5, 0, 17])
    xr.testing.assert_identical(in_directions(cardioid, chosen), cardioid.isel(direction=chosen))


def test_a_file_reads_back_as_it_was(cardioid, tmp_path):
    path = tmp_path / "directivity.nc"
    save(cardioid, path)
    back = load(path)
    xr.testing.assert_identical(back, cardioid)
    assert {name: back[name].dtype for name in back.variables} == {
        name: cardioid[name].dtype for name in cardioid.variables
    }
    assert [file.name for file in tmp_path.iterdir()] == ["directivity.nc"]


def test_a_result_is_never_overwritten(cardioid, tmp_path):
    path = tmp_path / "directivity.nc"
    path.write_text("earlier result")
    with pytest.raises(StoreError, match=r"directivity.nc'. Must be a new name: .*never overwr"):
        save(cardioid, path)
    assert path.read_text() == "earlier result"


def test_a_write_that_breaks_leaves_nothing(cardioid, tmp_path, monkeypatch):
    def break_off(_dataset, target, **_options):
        target.write_text("half")
        msg = "No space left on device"
        raise OSError(msg)

    monkeypatch.setattr(far_field_data, "write_dataset", break_off)
    with pytest.raises(StoreError, match=r"No space left on device"):
        save(cardioid, tmp_path / "directivity.nc")
    assert list(tmp_path.iterdir()) == []


def test_a_missing_folder_is_an_error(cardioid, tmp_path):
    with pytest.raises(StoreError, match=r"Must be in a folder that can be written"):
        save(cardioid, tmp_path / "absent" / "directivity.nc")


def test_files_that_are_no_dataset_are_refused(cardioid, tmp_path):
    with pytest.raises(StoreError, match=r"absent.nc'. Must be a directivity dataset"):
        load(tmp_path / "absent.nc")
    whole = tmp_path / "whole.nc"
    save(cardioid, whole)
    cut = tmp_path / "cut.nc"
    cut.write_bytes(whole.read_bytes()[:20_000])
    with pytest.raises(StoreError, match=r"cut.nc'. Must be a directivity dataset"):
        load(cut)
    foreign = tmp_path / "foreign.nc"
    xr.Dataset({"temperature": ("x", np.ones(3))}).to_netcdf(foreign, engine="h5netcdf")
    with pytest.raises(StoreError, match=r"it lacks source, .*far_field_real"):
        load(foreign)


# ------------------------------------------------------------------ sums of sources
def test_a_single_source_is_its_own_sum(cardioid):
    np.testing.assert_array_equal(source_sum(cardioid).values, far_field(cardioid).values[0])
    assert source_sum(cardioid).dims == ("frequency", "direction")


def test_several_sources_need_a_transfer():
    with pytest.raises(InputError, match=r"sum of sources 'upper, lower'.*transfer function"):
        source_sum(two_sources())
    with pytest.raises(InputError, match=r"transfer functions '\(2,\)'. Must be \(2, 3\)"):
        source_sum(two_sources(), np.ones(2))


def test_two_sources_sum_to_the_closed_form():
    data = two_sources(spacing_m=0.1)
    total = source_sum(data, np.ones((2, 3), dtype=complex))
    elevation = np.radians(data["elevation_deg"].values)
    k = 2 * np.pi * FREQUENCIES / patterns.AIR.sound_speed
    expected = [2 * analytic.two_source_directivity(number, 0.1, elevation) for number in k]
    np.testing.assert_allclose(np.abs(total.values), expected, atol=1e-6)
    alone = 4 * np.pi / (2 * patterns.AIR.impedance)
    gain = radiated_power(data, np.ones((2, 3), dtype=complex)).values / (2 * alone)
    np.testing.assert_allclose(gain, analytic.two_source_power_gain(k * 0.1), rtol=1e-12)


def test_power_of_a_sum_with_phases_equals_its_far_field_power():
    data = two_sources(spacing_m=0.17)
    # A source off the origin by itself makes the power matrix complex.
    lower = data["far_field_real"].values[1] + 1j * data["far_field_imag"].values[1]
    skewed = np.stack([np.conj(lower) * (1 + 0.5 * directions().vectors[:, 2]), 1j * lower])
    data = patterns.assembled([patterns.band(skewed, FREQUENCIES)], ["upper", "lower"])
    transfer = np.array([[1.0, 0.5j, 2], [0.3 - 1j, 1j, -1]])
    total = np.abs(source_sum(data, transfer).values) ** 2 @ directions().weight
    expected = total / (2 * patterns.AIR.impedance)
    np.testing.assert_allclose(radiated_power(data, transfer).values, expected, rtol=1e-6)


def test_summed_is_a_dataset_of_one_source(tmp_path):
    data = two_sources()
    transfer = np.array([[1, 1, 1j], [1, -1, 0.5]], dtype=complex)
    total = summed(data, transfer)
    assert list(total["source"].values) == ["sum"]
    np.testing.assert_allclose(
        source_sum(total).values, source_sum(data, transfer).values, rtol=1e-6, atol=1e-7
    )
    np.testing.assert_allclose(radiated_power(total), radiated_power(data, transfer))
    assert total.attrs["source_acceleration"] == "as the transfer functions say"
    assert data.attrs["source_acceleration"] == far_field_data.SOURCE_ACCELERATION
    save(total, tmp_path / "sum.nc")
    xr.testing.assert_identical(load(tmp_path / "sum.nc"), total)
