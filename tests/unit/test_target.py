# SPDX-License-Identifier: GPL-3.0-or-later
import analytic
import numpy as np
import pytest

from bafflelens.errors import InputError
from bafflelens.target import Limit, Room, Target, arrivals, bounce_angles, default_target

# First-order images, c = 343.2: delay in ms, 1/r level in dB, departure in degrees, length in m.
# Lengths of the first two rooms were confirmed with pyroomacoustics 0.10.1.
ROOMS = [
    (Room(distance_m=3, tweeter_height_m=0.95, ear_height_m=1.0, ceiling_height_m=2.4), {
        "direct": (0.0, 0.0, 0.9548, 3.0004),
        "floor": (1.6831, -1.5293, -33.0239, 3.5781),
        "ceiling": (3.3144, -2.792, 43.5312, 4.1379),
    }),
    (Room(distance_m=2.5, tweeter_height_m=0.9, ear_height_m=1.1, ceiling_height_m=2.5), {
        "direct": (0.0, 0.0, 4.5739, 2.508),
        "floor": (2.0209, -2.1207, -38.6598, 3.2016),
        "ceiling": (4.0709, -3.8462, 50.1944, 3.9051),
    }),
    (Room(distance_m=4, tweeter_height_m=1.0, ear_height_m=1.0, ceiling_height_m=2.7), {
        "direct": (0.0, 0.0, 0.0, 4.0),
        "floor": (1.3757, -0.9691, -26.5651, 4.4721),
        "ceiling": (3.6415, -2.3616, 40.3645, 5.2498),
    }),
]  # fmt: skip


@pytest.mark.parametrize(("room", "expected"), ROOMS)
def test_first_order_images(room, expected):
    found = arrivals(room)
    assert list(found) == list(expected)
    for name, (delay_ms, spreading_db, elevation_deg, length_m) in expected.items():
        assert found[name].delay_s * 1e3 == pytest.approx(delay_ms, abs=6e-5)
        assert found[name].spreading_db == pytest.approx(spreading_db, abs=6e-5)
        assert found[name].elevation_deg == pytest.approx(elevation_deg, abs=6e-5)
        assert found[name].length_m == pytest.approx(length_m, abs=6e-5)


def test_default_room_has_the_angles_of_the_scenario():
    angles = bounce_angles(Room())
    assert angles["floor"] == pytest.approx(-33.690, abs=1e-3)
    assert angles["ceiling"] == pytest.approx(45.0)
    reference = analytic.floor_ceiling_reflections(3.0, 1.0, 1.0, 2.5)
    assert angles["floor"] == pytest.approx(reference["floor"][2])


def test_wrong_rooms_are_refused_with_every_fault():
    with pytest.raises(
        InputError, match=r"room distance in m '0'. Must be greater than 0"
    ) as error:
        Room(distance_m=0, ear_height_m=-1)
    assert len(error.value.faults) == 2
    assert "room ear height in m '-1'" in error.value.faults[1]
    with pytest.raises(InputError, match=r"ceiling height in m '1.2'. Must be above .* 1.5 m"):
        Room(ceiling_height_m=1.2, ear_height_m=1.5)
    with pytest.raises(InputError, match=r"greater than 0"):
        Room(distance_m=float("nan"))


def test_default_target_has_the_levels_of_common_practice():
    target = default_target(Room())
    points = np.array([2000.0, 3000, 4000, 6000, 8000, 10000])
    np.testing.assert_allclose(target.floor.level_at(points), [-2, -4, -6, -6, -6, -6])
    np.testing.assert_allclose(target.ceiling.level_at(points), [-3, -5, -8, -8, -8, -8])
    np.testing.assert_allclose(target.ceiling.weight_at(points), [1, 1, 1, 1, 1, 0.5])
    wide, near = target.horizontal
    assert (wide.angle_deg, near.angle_deg) == (60, 30)
    np.testing.assert_allclose(
        wide.level_at(points), [-3, -3, -3, -3.0 - 1.164, -6, -9], atol=1e-3
    )
    assert wide.weight_at(np.array([12000.0, 12001.0])) == pytest.approx([0, 0])
    np.testing.assert_allclose(near.level_at(points), -2)
    assert target.floor.angle_deg == pytest.approx(-33.690, abs=1e-3)


def test_nothing_is_asked_for_outside_the_points():
    limit = Limit(angle_deg=30, frequencies_hz=(1000, 4000), levels_db=(-2, -6))
    frequency = np.array([999.0, 1000.0, 2000.0, 4000.0 * (1 + 1e-12), 4001.0])
    np.testing.assert_allclose(limit.level_at(frequency), [np.nan, -2, -4, -6, np.nan])
    np.testing.assert_allclose(limit.weight_at(frequency), [0, 1, 1, 1, 0])


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"frequencies_hz": (2000, 1000)}, "Must be at least two rising values in Hz"),
        ({"frequencies_hz": (0, 1000)}, "frequency of a limit '0'. Must be above 0 Hz"),
        ({"levels_db": (-2,)}, "number of levels of a limit '1'. Must be one a frequency, here 2"),
        ({"weights": (1, 1, 1)}, "number of weights of a limit '3'. Must be one a frequency"),
        ({"weights": (1, 2)}, "weight of a limit '2'. Must be from 0 to 1"),
        ({"angle_deg": 200}, "angle of a limit '200'. Must be from -180 to 180"),
    ],
)
def test_wrong_limits_are_refused(changes, message):
    right = {"angle_deg": 30, "frequencies_hz": (1000, 4000), "levels_db": (-2, -6)}
    with pytest.raises(InputError, match=message):
        Limit(**right | changes)


def test_wrong_angles_of_a_target_are_refused():
    def limit(angle_deg):
        return Limit(angle_deg=angle_deg, frequencies_hz=(1000, 4000), levels_db=(-2, -6))

    with pytest.raises(InputError, match=r"angle of the floor bounce '34'. Must be from -90"):
        Target(floor=limit(34), ceiling=limit(45), horizontal=())
    with pytest.raises(InputError, match=r"angle of the ceiling bounce '-45'. Must be from above"):
        Target(floor=limit(-34), ceiling=limit(-45), horizontal=())
    with pytest.raises(InputError, match=r"angle to the sides '-60'. Must be from above 0"):
        Target(floor=limit(-34), ceiling=limit(45), horizontal=(limit(-60),))
