# SPDX-License-Identifier: GPL-3.0-or-later
"""What is said of a target before anything is solved."""

from dataclasses import replace
from pathlib import Path

import patterns
import pytest

from bafflelens.job.feasibility import (
    bounces_out_of_reach,
    line_on_reach,
    narrowest_wall_deg,
    tallest_opening_m,
    target_remarks,
)
from bafflelens.job.job_file import load_job
from bafflelens.report.summary import view_of
from bafflelens.run.pipeline import run_job
from bafflelens.scoring.criteria import bounce_level_db
from bafflelens.scoring.reach import OutOfReach

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


def lens_job(tmp_path, opening, walls):
    """Load a job of the shipped lens with straight walls."""
    tests = Path(__file__).parents[1]
    text = (tests / "jobs" / "tiny_lens.toml").read_text(encoding="utf-8")
    for old, new in (
        ("../../geometries", (tests.parent / "geometries").as_posix()),
        ("opening_height_mm = [95, 120]", f"opening_height_mm = {opening}"),
        ("wall_half_angle_deg = 45", f"wall_half_angle_deg = {walls}"),
    ):
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "lens.toml").write_text(text, encoding="utf-8")
    return load_job(tmp_path / "lens.toml")


def test_walls_at_an_angle_bound_what_is_reached(tmp_path):
    """95 mm between walls at 45 degrees: (H/2) tan (45/2 deg) is 19.7 mm."""
    floor = target_remarks(lens_job(tmp_path, "[90, 95]", "[50, 45]"))[0]
    assert (
        "But between walls at 45 degrees, the narrowest searched, sound comes 20 mm later to the "
        "edge of that opening than to its middle, half a wavelength at 8.7 kHz: so it is "
    ) in floor
    assert " dB down there at most, at " in floor
    assert ", and less than 6 dB again from " in floor
    wide = target_remarks(lens_job(tmp_path, "[90, 95]", "60"))[0]
    assert ", nowhere 6 dB (estimate; what was solved tells)" in wide


def test_the_narrowest_walls_count(write_job, tmp_path):
    assert narrowest_wall_deg(lens_job(tmp_path, "[90, 95]", "[60, 55]")) == 55
    assert narrowest_wall_deg(load_job(write_job())) is None


def test_the_estimate_is_compared_with_what_was_solved(write_job, options):
    """The best candidate at 4 kHz; an even opening of 95 mm would be 6 dB down from 3.9 kHz on."""
    folder = run_job(write_job((LOW[0], "{ from = 90, to = 95 }")), options).folder
    loaded = folder.load_job()
    view = view_of(folder, loaded, folder.load_record())
    best = next(row.candidate.id for row in view.rows if not row.candidate.is_baseline)
    floor = next(text for text in view.remarks if text.startswith("solved: towards the floor"))
    dataset = next(one.dataset for one in view.views if one.id == best)
    level = bounce_level_db(dataset, bounces_out_of_reach(loaded)[0].angle_deg)[-1]
    assert f"at -34 degrees {best}, the best, has {level:+.1f} dB at 4 kHz at the lowest" in floor
    assert f"and {level:+.1f} dB at 4 kHz at the highest, re the listening window" in floor


def test_nothing_is_said_where_nothing_was_solved():
    bounce = OutOfReach(
        name="floor", angle_deg=-34.0, below_hz=2e4, six_db_down_hz=2.5e4, to_hz=3e4
    )
    assert line_on_reach("c1", patterns.dataset(patterns.omni), bounce, 0.0) == ""
    reached = replace(bounce, six_db_down_hz=500.0)
    assert "c1, the best, has +0.0 dB at " in line_on_reach(
        "c1", patterns.dataset(patterns.omni), reached, 0.0
    )


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
