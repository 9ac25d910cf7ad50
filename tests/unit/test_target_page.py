# SPDX-License-Identifier: GPL-3.0-or-later
"""The page that explains a target: what stands on it."""

import re

import pytest

from bafflelens.base.errors import InputError
from bafflelens.job.job_file import load_job
from bafflelens.report.target_file import target_file


def texts(loaded):
    markup = target_file(loaded, "svg").decode()
    return re.findall(r">([^<>]+)</text>", markup)


ROOM = """
[room]
distance_m = 3
nearest_m = 2.2
farthest_m = 4.5
side_wall_m = 0.7
seat_aside_m = 1.2
toe_in_deg = 12
[target]
kind = "ambitious"
[solve]
"""


def test_the_page_names_angles_delays_and_levels(write_job):
    found = texts(load_job(write_job(("[solve]\n", ROOM))))
    together = " ".join(found)
    assert "What the target asks: A small job" in together
    assert "ceiling bounce +45°" in together
    assert "3.6 ms later, 4.24 m long: −3.0 dB by distance" in together
    assert "side-wall bounce −55°, inside the window" in together  # -43 from straight ahead, -12
    assert "toe-in 12°" in together
    assert "±60° to the sides" in together
    assert "an opening of 160 mm, estimate" in together
    # 10 dB down for the farthest seat, where distance helps least: floor -0.77 dB.
    assert "Floor bounce at 4.5 kHz: −9.2 dB leaving, −10.8 dB at the ear" in together


def test_an_angle_of_its_own_is_told_from_the_room_s(write_job):
    own = "[target.ceiling]\nangle_deg = 40\n[solve]\n"
    together = " ".join(texts(load_job(write_job(("[solve]\n", own)))))
    assert "ceiling bounce +40° asked for; this room's is +45°" in together


def test_what_is_out_of_reach_stands_on_the_page(write_job):
    low = ("{ from = 90, to = 160 }", "80")
    together = " ".join(texts(load_job(write_job(low))))
    assert "The target is out of reach below 4.6 kHz for the floor bounce" in together


def test_the_same_target_gives_the_same_file(write_job):
    loaded = load_job(write_job())
    for file_format in ("pdf", "svg"):  # those that would carry the date
        assert target_file(loaded, file_format) == target_file(loaded, file_format)


def test_an_unknown_format_is_refused(write_job):
    with pytest.raises(InputError, match=r"ending of the picture's name '.txt'. Must be one of"):
        target_file(load_job(write_job()), "txt")
