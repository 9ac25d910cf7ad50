# SPDX-License-Identifier: GPL-3.0-or-later
import analytic
import numpy as np
import pyroomacoustics
import pytest

from bafflelens.base.errors import InputError
from bafflelens.scoring.reach import (
    flared_level_db,
    flared_opening,
    out_of_reach,
    path_difference_m,
    reached_from_hz,
)
from bafflelens.scoring.target import (
    Limit,
    Room,
    Target,
    ambitious_target,
    arrivals,
    bounce_angles,
    default_target,
)

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
    assert list(found) == ["direct", "floor", "ceiling", "side wall"]
    for name, (delay_ms, spreading_db, elevation_deg, length_m) in expected.items():
        assert found[name].delay_s * 1e3 == pytest.approx(delay_ms, abs=6e-5)
        assert found[name].spreading_db == pytest.approx(spreading_db, abs=6e-5)
        assert found[name].elevation_deg == pytest.approx(elevation_deg, abs=6e-5)
        assert found[name].length_m == pytest.approx(length_m, abs=6e-5)


TURNED = [
    Room(distance_m=3, side_wall_m=0.8, seat_aside_m=1.2, toe_in_deg=15),
    Room(distance_m=2.4, side_wall_m=0.3, seat_aside_m=0.9, toe_in_deg=0, ear_height_m=1.15),
    Room(distance_m=4, side_wall_m=1.5, tweeter_height_m=0.85, ceiling_height_m=3.1),
]


@pytest.mark.parametrize("room", TURNED)
def test_every_image_agrees_with_a_room_acoustics_library(room):
    """pyroomacoustics 0.10.1 mirrors the source in the walls of a box; here the ear is mirrored.

    The box is large enough that only floor, ceiling and one side wall are at finite distance;
    the two ways have the same length, and the departure follows from the last leg reversed.
    """
    ahead = np.sqrt(room.distance_m**2 - room.seat_aside_m**2)
    tweeter = np.array([50.0, room.side_wall_m, room.tweeter_height_m])
    ear = np.array([50.0 + ahead, room.side_wall_m + room.seat_aside_m, room.ear_height_m])
    box = pyroomacoustics.ShoeBox([100.0, 100.0, room.ceiling_height_m], max_order=1)
    box.add_source(tweeter)
    box.add_microphone(ear)
    box.image_source_model()
    images = box.sources[0].images.T
    surfaces = {  # how each surface changes the image's place
        "direct": (1.0, 1.0, 1.0),
        "floor": (1.0, 1.0, -1.0),
        "ceiling": (1.0, 1.0, (2 * room.ceiling_height_m - tweeter[2]) / tweeter[2]),
        "side wall": (1.0, -1.0, 1.0),
    }
    sound_speed = 343.2
    for name, arrival in arrivals(room).items():
        place = tweeter * surfaces[name]
        image = images[np.argmin(np.linalg.norm(images - place, axis=1))]
        np.testing.assert_allclose(image, place, atol=1e-5)
        way = ear - image
        length = np.linalg.norm(way)
        assert arrival.length_m == pytest.approx(length, rel=1e-6)
        direct = np.linalg.norm(ear - tweeter)
        assert arrival.delay_s == pytest.approx((length - direct) / sound_speed, abs=2e-6)
        assert arrival.spreading_db == pytest.approx(20 * np.log10(direct / length), abs=1e-5)
        leaving = way * np.sign(surfaces[name]) * (1, 1, -1 if name == "ceiling" else 1)
        azimuth = np.degrees(np.arctan2(leaving[1], leaving[0])) - room.toe_in_deg
        elevation = np.degrees(np.arctan2(leaving[2], np.hypot(leaving[0], leaving[1])))
        assert arrival.azimuth_deg == pytest.approx(azimuth, abs=1e-3)
        assert arrival.elevation_deg == pytest.approx(elevation, abs=1e-3)


def test_a_toe_in_at_the_seat_puts_it_on_the_axis():
    room = Room(distance_m=3, seat_aside_m=1.5, toe_in_deg=30)
    found = arrivals(room)
    assert found["direct"].azimuth_deg == pytest.approx(0)
    assert found["floor"].azimuth_deg == pytest.approx(0)
    assert found["side wall"].azimuth_deg < -60  # at its right, and farther off by the toe-in
    assert default_target(room).seat_azimuth_deg == pytest.approx(0)
    straight = default_target(Room(distance_m=3, seat_aside_m=1.5))
    assert straight.seat_azimuth_deg == pytest.approx(30)


def test_a_range_of_seats_is_covered_without_gaps():
    room = Room(distance_m=3, nearest_m=2, farthest_m=5)
    floor = default_target(room).floor
    assert floor.angle_deg == pytest.approx(-33.690, abs=1e-3)
    assert min(floor.angles_deg) == pytest.approx(-45)
    assert max(floor.angles_deg) == pytest.approx(np.degrees(np.arctan2(-2, 5)))
    assert np.diff(sorted(floor.angles_deg)).max() <= 10
    assert default_target(Room()).floor.angles_deg == (floor.angle_deg,)


def test_the_ambitious_target_is_10_db_down_at_the_ear():
    room = Room()
    found = arrivals(room)
    target = ambitious_target(room)
    for name, limit in (("floor", target.floor), ("ceiling", target.ceiling)):
        at_ear = np.array(limit.levels_db) + found[name].spreading_db
        np.testing.assert_allclose(at_ear, -10)
    assert target.horizontal == default_target(room).horizontal
    # With several seats the longest way of each bounce differs least: there it is hardest.
    seats = Room(nearest_m=2, farthest_m=4)
    least = arrivals(seats, distance_m=4)["floor"].spreading_db
    assert ambitious_target(seats).floor.levels_db[0] == pytest.approx(-10 - least)


# ------------------------------------------------------------------ what can be reached
def test_6_db_down_is_the_rule_of_thumb():
    # 0.6 c / (H sin t): common practice, no source.
    found = reached_from_hz(0.12, -34, -6.0, 343.2)
    assert found == pytest.approx(0.6 * 343.2 / (0.12 * np.sin(np.radians(34))), rel=0.01)
    assert reached_from_hz(0.12, 34, -12.0, 343.2) > found


def test_what_is_reached_is_what_an_even_line_sends_there():
    """Against the integral over the opening, not the closed form that the code inverts."""
    z = (np.arange(2000) + 0.5) / 2000 * 0.1 - 0.05
    frequency = reached_from_hz(0.1, 40.0, -8.0, 343.2)
    k = 2 * np.pi * frequency / 343.2
    level = 20 * np.log10(abs(np.exp(1j * k * z * np.sin(np.radians(40))).mean()))
    assert level == pytest.approx(-8, abs=1e-3)


def test_an_opening_that_is_too_low_is_told_for_each_bounce():
    target = default_target()
    assert out_of_reach(target, 0.2, 343.2) == ()
    floor, ceiling = out_of_reach(target, 0.09, 343.2)
    assert (floor.name, ceiling.name) == ("floor", "ceiling")
    six_db_hz = reached_from_hz(0.09, floor.angle_deg, -6, 343.2)
    assert floor.six_db_down_hz == pytest.approx(six_db_hz)
    assert floor.below_hz == pytest.approx(six_db_hz, rel=0.02)  # it asks -6 dB from 4 kHz on
    # Of several seats the farthest has the flattest angle, and is the hardest.
    far = out_of_reach(default_target(Room(farthest_m=6)), 0.09, 343.2)[0]
    assert far.angle_deg == pytest.approx(np.degrees(np.arctan2(-2, 6)))
    assert far.below_hz > floor.below_hz


@pytest.mark.parametrize("angle_deg", [15.0, 34.0])
def test_walls_at_an_angle_send_within_them_what_rays_do(angle_deg):
    """High up, by stationary phase: each direction hears its own place of the opening.

    That place is d tan t off the middle, and the level re the axis is the root of the ratio of
    the curvatures of the way there, cos^-3 t.
    """
    frequency = np.linspace(200e3, 690e3, 600)  # three ripples of the nearer edge at 34 degrees
    level = flared_level_db(frequency, 0.16, 45.0, angle_deg, 343.2)
    # What the edges add turns around each: the mean of its logarithm is 0 (Jensen's formula).
    assert level.mean() == pytest.approx(-30 * np.log10(np.cos(np.radians(angle_deg))), abs=0.05)
    beyond = flared_level_db(frequency, 0.16, 45.0, 70.0, 343.2)
    assert beyond.max() < -10


def test_straight_walls_leave_the_even_opening():
    frequency = np.array([reached_from_hz(0.12, 34, -6.0, 343.2)])
    assert flared_level_db(frequency, 0.12, 0.0, 34.0, 343.2) == pytest.approx(-6, abs=0.01)
    # The way along the wall less the depth: (H/2) (1/sin w - 1/tan w) = (H/2) tan (w/2).
    longer = 0.06 * np.tan(np.radians(45 / 2))
    assert path_difference_m(0.12, 45.0, 0.12) == pytest.approx(longer)


def test_a_flared_opening_is_down_in_a_band_only():
    found = flared_opening(0.12, 45.0, -34.0, (1500, 10000), 343.2)
    assert -7.5 < found.lowest_db < -6
    assert 3500 < found.at_hz < 4500 < found.less_from_hz < 5500
    wide = flared_opening(0.12, 55.0, -34.0, (1500, 10000), 343.2)
    assert wide.lowest_db > -6
    assert wide.less_from_hz is None


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


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"nearest_m": 4}, "nearest distance in m '4'. Must be at most the distance of the main"),
        ({"farthest_m": 2}, "farthest distance in m '2'. Must be at least the distance of the m"),
        ({"seat_aside_m": 3}, "seat aside in m '3'. Must be from 0 to below the distance of the"),
        ({"side_wall_m": 0}, "side wall distance in m '0'. Must be greater than 0"),
        ({"toe_in_deg": 90}, "toe-in in degrees '90'. Must be between -90 and 90 degrees"),
    ],
)
def test_rooms_that_cannot_be_are_refused(changes, message):
    with pytest.raises(InputError, match=message):
        Room(**changes)


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
    with pytest.raises(InputError, match=r"azimuth of the seat '90'. Must be between -90 and 90"):
        Target(floor=limit(-34), ceiling=limit(45), horizontal=(), seat_azimuth_deg=90)
