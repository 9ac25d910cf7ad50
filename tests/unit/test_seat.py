# SPDX-License-Identifier: GPL-3.0-or-later
"""Bounces at the seat, on patterns whose levels are known."""

import numpy as np
import patterns
import pytest
from patterns import shaped

from bafflelens.base.medium import Air
from bafflelens.scoring.seat import bounces_at_seat
from bafflelens.scoring.target import Room, arrivals

BAND = (2000.0, 12000.0)


def test_an_even_loudspeaker_s_bounces_are_down_by_their_ways():
    room = Room(distance_m=3, seat_aside_m=1.0, toe_in_deg=10, side_wall_m=0.6)
    found = bounces_at_seat(patterns.dataset(patterns.omni), room, BAND)
    assert [bounce.name for bounce in found] == ["floor", "ceiling", "side wall"]
    for bounce in found:
        expected = arrivals(room)[bounce.name]
        assert bounce.arrival == expected
        np.testing.assert_allclose(bounce.level_db, expected.spreading_db, atol=1e-5)
        assert [o.level_db for o in bounce.octaves] == pytest.approx([expected.spreading_db] * 3)
        assert (bounce.octaves[0].from_hz, bounce.octaves[-1].to_hz) == BAND


@pytest.mark.parametrize(
    ("name", "lit"),
    [
        ("floor", lambda az, el: (el < -20) & (np.abs(az) < 35)),
        ("ceiling", lambda az, el: (el > 30) & (np.abs(az) < 35)),
        ("side wall", lambda az, el: (np.abs(el) < 15) & (np.abs(az + 34) < 16)),
    ],
)
def test_each_bounce_has_its_direction(name, lit):
    # The default room: 34 degrees down, 45 up, 34 to the loudspeaker's own right.
    data = patterns.dataset(shaped(lambda f, az, el: np.where(lit(az, el), 0.0, -40.0)), [4000.0])
    heard = {b.name: b.level_db[0] for b in bounces_at_seat(data, Room(), BAND)}
    assert max(heard, key=heard.get) == name
    # The axis itself is dark, so what is lit is loud re the window; the others are not.
    assert sorted(heard.values())[-2] < heard[name] - 8


def test_octaves_are_means_over_what_was_solved():
    falling = shaped(lambda f, az, el: np.where(el < -20, -6 * np.log2(f / 2000), 0.0))
    fine = patterns.dataset(falling, patterns.sixth_octaves(1000, 16000, 24), failed=[3000.0])
    floor = bounces_at_seat(fine, Room(), BAND)[0]
    spreading = floor.arrival.spreading_db
    levels = [octave.level_db - spreading for octave in floor.octaves]
    expected = [-3, -9, -12 - 3 * np.log2(1.5)]
    assert levels == pytest.approx(expected, abs=0.1)
    gap = patterns.dataset(patterns.omni, [4000.0, 5000.0], failed=[4000.0])
    assert np.isnan(bounces_at_seat(gap, Room(), BAND)[0].level_db).tolist() == [True, False]


def test_delays_follow_the_air():
    data = patterns.dataset(patterns.omni, [4000.0])
    cold, warm = (
        bounces_at_seat(data, Room(), BAND, Air(temperature_c=t))[0].arrival.delay_s
        for t in (0.0, 35.0)
    )
    assert cold / warm == pytest.approx(np.sqrt(308.15 / 273.15), rel=0.002)
