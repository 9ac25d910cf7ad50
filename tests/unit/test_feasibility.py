# SPDX-License-Identifier: GPL-3.0-or-later
"""What is said of a target before anything is solved."""

from pathlib import Path

import pytest

from bafflelens.job.feasibility import tallest_opening_m, target_remarks
from bafflelens.job.job_file import load_job

LOW = ("{ from = 90, to = 160 }", "{ from = 60, to = 80 }")


def test_a_target_out_of_reach_is_allowed_with_a_line_for_each_bounce(write_job):
    floor, ceiling = target_remarks(load_job(write_job(LOW)))
    # 0.6 c / (H sin t): 343.2 m/s, 80 mm, 33.7 and 45 degrees.
    assert floor.startswith(
        "the target is out of reach below 4.6 kHz for the floor bounce at -34 degrees: at best, "
        "if all of the opening of 80 mm, the tallest searched, moved evenly and in phase, it "
        "would be 6 dB down there from 4.7 kHz on"
    )
    assert "Walls at an angle" in floor  # an estimate of the best case, not a fact
    assert "ceiling bounce at +45 degrees" in ceiling
    assert ceiling.endswith("What is missing costs every candidate alike.")


def test_nothing_is_said_of_a_target_in_reach(write_job):
    assert target_remarks(load_job(write_job())) == ()


@pytest.mark.parametrize(
    ("setting", "height_mm"),
    [("{ from = 90, to = 160 }", 160), ("[90, 130]", 130), ("100", 100), ("", 120)],
)
def test_the_tallest_opening_counts(write_job, setting, height_mm):
    line = "opening_height_mm = { from = 90, to = 160 }"
    job = write_job((line, line.replace("{ from = 90, to = 160 }", setting) if setting else ""))
    assert tallest_opening_m(load_job(job)) == pytest.approx(height_mm * 1e-3)


@pytest.mark.parametrize(
    ("script", "settings", "height_mm"),
    [
        ("arc_lens.py", "[geometry.upper]\nmouth_height_mm = { from = 40, to = 60 }", 120),
        (
            "spline_lens.py",
            "[geometry.upper]\nmouth_height_mm = 50\n[geometry.lower]\nmouth_height_mm = 65",
            115,
        ),
        ("waveguide.py", "", 120),
    ],
)
def test_the_mouths_of_shipped_shapes_are_known(write_job, script, settings, height_mm):
    path = (Path(__file__).parents[2] / "geometries" / script).as_posix()
    lens = (
        "[geometry.lens]\nopening_height_mm = { from = 90, to = 160 }\n"
        "depth_mm = { from = 10, to = 40 }\n"
    )
    job = write_job(
        ('script = "lens.py"', f'script = "{path}"'),
        (lens, f"{settings}\n[geometry.dome]\ndiameter_mm = [25, 26]\n"),
        ('script = "plain.py"', 'script = "plain.py"\n'),
    )
    assert tallest_opening_m(load_job(job)) == pytest.approx(height_mm * 1e-3)


def test_a_shape_without_an_opening_has_no_reach(write_job):
    path = write_job(("opening_height_mm = { from = 90, to = 160 }", ""), ("lens.py", "plain.py"),
                     ("[geometry.lens]", "[geometry.cabinet]"),
                     ("depth_mm = { from = 10, to = 40 }", "width_mm = { from = 180, to = 220 }"),
                     ('[baseline]\nscript = "plain.py"',
                      '[baseline]\nscript = "plain.py"\n[baseline.cabinet]\nwidth_mm = 200'),
                     )  # fmt: skip
    assert tallest_opening_m(load_job(path)) is None
    assert target_remarks(load_job(path)) == ()
