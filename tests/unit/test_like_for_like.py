# SPDX-License-Identifier: GPL-3.0-or-later
"""`check` says where the baseline differs in more than what is searched."""

from pathlib import Path

import pytest

from bafflelens.cli import main
from bafflelens.job.job_file import load_job
from bafflelens.job.like_for_like import baseline_differences
from bafflelens.job.sampling import draw

GEOMETRIES = Path(__file__).parents[2] / "geometries"
JOB = f"""
title = "A baseline of its own"
[geometry]
script = "{GEOMETRIES / "vertical_lens.py"}"
[geometry.lens]
opening_height_mm = {{ from = 90, to = 110 }}
CANDIDATE
[baseline]
script = "{GEOMETRIES / "plain_baffle.py"}"
BASELINE
[search]
candidates = 1
[frequencies]
from_hz = 2000
to_hz = 4000
per_octave = 3
[score]
from_hz = 2000
to_hz = 4000
"""


def differences(tmp_path, candidate="", baseline=""):
    path = tmp_path / "own.toml"
    path.write_text(JOB.replace("CANDIDATE", candidate).replace("BASELINE", baseline))
    loaded = load_job(path)
    return baseline_differences(loaded, draw(loaded))


@pytest.mark.parametrize(
    ("candidate", "baseline", "expected"),
    [
        ("", "", ()),
        (
            "[geometry.cabinet]\nwidth_mm = 190",
            "[baseline.cabinet]\nwidth_mm = 210",
            ("(cabinet.width_mm) is 190 mm in the candidates and 210 mm in the baseline",),
        ),
        (
            "[geometry.dome]\ndiameter_mm = 28",
            "[baseline.dome]\ndiameter_mm = 25",
            (
                "the tweeter's radius is",
                "(dome.diameter_mm) is 28 mm in the candidates and 25 mm in the baseline",
            ),
        ),
    ],
)
def test_what_differs_is_named(tmp_path, candidate, baseline, expected):
    found = differences(tmp_path, candidate, baseline)
    assert len(found) == len(expected)
    for line, part in zip(found, expected, strict=True):
        assert part in line


def test_a_driver_that_only_one_has_is_named_by_check(capsys):
    assert main(["check", str(GEOMETRIES.parent / "jobs" / "two_tweeters.toml")]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "not like for like: the candidates have a tweeter, the baseline has none" in printed
    assert "the baseline has a tweeter_upper, the candidates have none" in printed
