# SPDX-License-Identifier: GPL-3.0-or-later
"""The curves of CTA-2034-A on patterns with known answers; sources in tests/references."""

import csv
from pathlib import Path

import numpy as np
import patterns
import pytest

from bafflelens.base.errors import InputError
from bafflelens.directivity import polars
from bafflelens.directivity.standard_curves import position_weight, standard_curves

REFERENCES = Path(__file__).parents[1] / "references"
PATTERNS = {
    "omni": patterns.omni,
    "dipole": patterns.dipole,
    "cardioid": patterns.cardioid,
    "cap20_ka3": patterns.cap(3, 20),
    "cap20_ka10": patterns.cap(10, 20),
    "cap30_ka10": patterns.cap(10, 30),
    "cap20_ka30": patterns.cap(30, 20),
}


def table(name):
    with (REFERENCES / name).open(newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize("name", PATTERNS)
def test_curves_of_known_patterns(name):
    found = standard_curves(patterns.dataset(PATTERNS[name], [2000.0])).isel(frequency=0)
    for row in table("cta2034a_patterns.csv"):
        value = float(found[row["curve"]])
        if not row["curve"].endswith("_index"):
            value -= float(found["on_axis"])
        assert value == pytest.approx(float(row[name]), abs=1.1e-4), row["curve"]


def test_weights_are_the_published_ones():
    rows = table("cta2034a_weights.csv")
    for row in rows:
        found = position_weight(abs(float(row["angle_deg"])))
        assert found == pytest.approx(float(row["weight"]), abs=6e-10)
    total = sum(position_weight(abs(float(row["angle_deg"]))) for row in rows)
    assert total == pytest.approx(0.996373083, abs=1e-8)


def test_floor_is_below_and_each_wall_has_its_angles():
    def lit(*, azimuth=(0, 0), elevation=(0, 0)):
        def pattern(_, az, el):
            inside = (np.abs(az) >= azimuth[0]) & (np.abs(az) <= azimuth[1])
            inside &= (el >= elevation[0]) & (el <= elevation[1])
            return np.where(inside, 1.0, 1e-6)

        found = standard_curves(patterns.dataset(pattern, [2000.0])).isel(frequency=0)
        walls = ("floor", "ceiling", "front_wall", "side_wall", "rear_wall")
        return {name for name in walls if float(found[name]) > 60}

    assert lit(elevation=(-45, -15)) == {"floor"}
    assert lit(elevation=(35, 65)) == {"ceiling"}
    assert lit(azimuth=(5, 35)) == {"front_wall"}
    assert lit(azimuth=(35, 85)) == {"side_wall"}
    assert lit(azimuth=(90, 180)) == {"rear_wall"}


def test_the_two_readings_of_the_rear_wall_differ_only_there_and_in_what_follows():
    # |(1 + cos t)/2|^2 at 90, -90 and 180 degrees is 1/4, 1/4, 0: mean 1/6.
    data = patterns.dataset(patterns.cardioid, [2000.0])
    a, b = (standard_curves(data, reading).isel(frequency=0) for reading in "AB")
    relative = float(b["rear_wall"]) - float(b["on_axis"])
    assert relative == pytest.approx(10 * np.log10(1 / 6), abs=1e-4)
    same = {name for name in a.data_vars if float(a[name]) == float(b[name])}
    follows = {"rear_wall", "early_reflections", "early_reflections_index", "predicted_in_room"}
    assert set(a.data_vars) - same == follows
    with pytest.raises(InputError, match=r"reading of the rear wall 'C'. Must be one of A, B"):
        standard_curves(data, "C")


def test_units_levels_and_gaps():
    data = patterns.dataset(patterns.omni, [1000.0, 2000.0], failed=[1000.0])
    found = standard_curves(data)
    assert found["sound_power"].values[1] == pytest.approx(93.979, abs=1e-3)
    window = polars.listening_window_level_db(data).values
    np.testing.assert_allclose(found["listening_window"].values, window)
    for variable in found.data_vars.values():
        assert variable.attrs["units"] == "dB"
        np.testing.assert_array_equal(np.isnan(variable.values), [True, False])
