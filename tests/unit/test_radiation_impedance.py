# SPDX-License-Identifier: GPL-3.0-or-later
"""Acoustic centre of known fields, and loads that a dataset has or has not."""

import analytic
import numpy as np
import patterns
import pytest

from bafflelens.base.conventions import direction_vectors
from bafflelens.base.errors import InputError
from bafflelens.directivity import direction_set, far_field_data
from bafflelens.directivity.radiation_impedance import acoustic_centre, radiation_impedance

FREQUENCIES = np.array([200.0, 2000.0, 16000.0])


def point_source(place_m):
    def pattern(frequency_hz, azimuth_deg, elevation_deg):
        k = 2 * np.pi * frequency_hz / patterns.AIR.sound_speed
        return np.exp(-1j * k * direction_vectors(azimuth_deg, elevation_deg) @ place_m)

    return pattern


@pytest.mark.parametrize("place_mm", [(0, 0, 0), (-30, 0, 0), (20, 8, -5)])
def test_centre_of_a_shifted_point_source(place_mm):
    place = np.array(place_mm) / 1e3
    dataset = patterns.dataset(point_source(place), FREQUENCIES, failed=[2000.0])
    for plane, aside in (("horizontal", place[1]), ("vertical", place[2])):
        found = acoustic_centre(dataset, plane)
        # The file keeps single precision: a phase of 1e-7, over k and 1 - cos 30 degrees.
        assert found["forward_m"].values[[0, 2]] == pytest.approx(place[0], abs=1e-6)
        assert found["aside_m"].values[[0, 2]] == pytest.approx(aside, abs=1e-6)
        assert found["residual_deg"].values[[0, 2]] == pytest.approx(0, abs=1e-3)
        assert np.isnan(found["forward_m"].values[1])


def test_small_source_on_a_sphere_is_heard_half_a_radius_in_front_of_it():
    """From the series for ka to 0: monopole and dipole part are 1 and -i 3/2 ka cos(theta).

    A wave from x has 1 - ikx cos(theta), so x = 1.5 a (own derivation from references, section
    1; the figure is also Vanderkooy's, from memory).
    """
    radius, hz = 0.1, 20.0

    def pattern(frequency_hz, azimuth_deg, elevation_deg):
        ka = 2 * np.pi * frequency_hz / patterns.AIR.sound_speed * radius
        cosine = direction_vectors(azimuth_deg, elevation_deg)[:, 0]
        u = analytic.point_coefficients(analytic.n_terms(ka))
        return analytic.sphere_farfield(ka, np.arccos(np.clip(cosine, -1, 1)), u)

    dataset = patterns.dataset(pattern, np.array([hz]))
    for plane in ("horizontal", "vertical"):
        found = acoustic_centre(dataset, plane)["forward_m"].values[0]
        assert found == pytest.approx(1.5 * radius, rel=0.01)


def test_a_dataset_without_loads_is_told_so():
    dataset = patterns.dataset(patterns.omni, FREQUENCIES)
    with pytest.raises(InputError, match=r"Invalid dataset 'no load_resistance'. Must be one of"):
        radiation_impedance(dataset)


def test_loads_are_kept_and_described(tmp_path):
    fields = np.ones((2, 3, direction_set.directions().n_directions))
    band = patterns.band(fields, FREQUENCIES)
    load = np.arange(12).reshape(3, 2, 2) * (1 - 2j)
    object.__setattr__(band, "load", load)
    dataset = patterns.assembled([band], ["upper", "lower"])
    far_field_data.save(dataset, tmp_path / "directivity.nc")
    again = far_field_data.load(tmp_path / "directivity.nc")
    np.testing.assert_array_equal(radiation_impedance(again), load.transpose(1, 2, 0))
    assert again["load_reactance"].values.min() == 0  # a mass is positive
    for name in ("load_resistance", "load_reactance"):
        assert again[name].attrs["units"] == "N s/m"
        assert again[name].attrs["long_name"]
