# SPDX-License-Identifier: GPL-3.0-or-later
"""Constraints on parameters, guesses and the best of earlier runs."""

import re

import pytest

from bafflelens.base.errors import InputError, JobError
from bafflelens.job.job_file import load_job
from bafflelens.job.sampling import draw
from bafflelens.run.pipeline import run_job
from bafflelens.run.warm_start import draw_job
from bafflelens.shapes.meshing.constraints import read_constraint

KNOWN = ["lens.opening_height_mm", "lens.depth_mm", "cabinet.width_mm"]
VALUES = {"lens.opening_height_mm": 100.0, "lens.depth_mm": 30.0, "cabinet.width_mm": 200.0}
SEARCH = "[search]\ncandidates = 3"


@pytest.mark.parametrize(
    ("text", "is_kept"),
    [
        ("lens.opening_height_mm > 2 * lens.depth_mm", True),
        ("lens.opening_height_mm > 4 * lens.depth_mm", False),
        ("10 < lens.depth_mm < 30", False),
        ("10 < lens.depth_mm <= 30", True),
        ("lens.depth_mm < 20 or cabinet.width_mm == 200", True),
        ("not (lens.depth_mm < 20) and cabinet.width_mm != 200", False),
        ("sin(lens.depth_mm) < 0.5001 and cos(2 * lens.depth_mm) > 0.4999", True),
        ("abs(tan(45) - 1) + lens.depth_mm < 30.001", True),
        ("sqrt(lens.opening_height_mm) == 10 and lens.depth_mm ** 2 == 900", True),
        ("min(lens.depth_mm, 10) == 10 and max(lens.depth_mm, 40, 50) == 50", True),
        ("atan(1) == 45 and asin(1) == 90 and acos(1) == 0 and lens.depth_mm % 7 == 2", True),
        (
            "pi * lens.depth_mm > 94.2 and -lens.depth_mm < +1 and exp(log(lens.depth_mm)) > 29",
            True,
        ),
        ("lens.depth_mm - 10 / 2 == 25", True),
    ],
)
def test_an_expression_means_what_it_says(text, is_kept):
    assert (read_constraint(text, KNOWN).fault(VALUES) == "") is is_kept


def test_a_broken_constraint_is_told_with_its_values():
    rule = read_constraint("lens.depth_mm < 20", KNOWN)
    with pytest.raises(
        InputError,
        match=r"'lens.depth_mm = 30'. Must be one that fulfils 'lens.depth_mm < 20'",
    ):
        raise InputError(rule.fault(VALUES))


@pytest.mark.parametrize(
    "text",
    ["1 / (lens.depth_mm - 30) > 0", "sqrt(-lens.depth_mm) > 0", "lens.depth_mm ** 9999 > 0"],
)
def test_what_has_no_value_is_no_candidate(text):
    assert "has a value" in read_constraint(text, KNOWN).fault(VALUES)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "lens.dept_mm < 20",
            "the nearest to 'lens.dept_mm' is 'lens.depth_mm'",
        ),
        ("qqq < lens.depth_mm", "about known parameters, such as lens.opening_height_mm, "),
        ("lens.depth_mm", "a comparison, or several joined by 'and', 'or' and 'not'; "),
        ("lens.depth_mm <", "a comparison such as 'lens.depth_mm < 20' (invalid syntax)"),
        ("__import__('os').system('true') < lens.depth_mm", "arithmetic of parameters; "),
        ("eval(1) < lens.depth_mm", "made of known functions, "),
        ("lens.__class__.__mro__ == lens.depth_mm", "arithmetic of parameters; "),
        ("lens.depth_mm < 'a'", "made of numbers; ''a'' is none"),
        ("lens.depth_mm < True", "made of numbers; 'True' is none"),
        ("lens.depth_mm in (1, 2)", "made of <, <=, >, >=, == and !="),
        ("sqrt(1, 2) < lens.depth_mm", "one that gives 'sqrt' one value, not 2"),
        ("max(1) < lens.depth_mm", "one that gives 'max' two values or more, not 1"),
        ("1 < 2", "a comparison that names a parameter"),
        ("lens.depth_mm < 1" + "0" * 300, "at most 300 characters long"),
        ("(lambda: 1)() < lens.depth_mm", "arithmetic of parameters; "),
        ("lens.depth_mm << 2 < 1", "arithmetic of parameters; "),
    ],
)
def test_what_is_no_constraint_is_refused(text, message):
    with pytest.raises(InputError, match=re.escape(message)):
        read_constraint(text, KNOWN)


def with_search(write_job, text, *others):
    return load_job(write_job((SEARCH, f"[search]\n{text}"), *others))


def test_all_samples_keep_the_constraints_of_a_job(write_job):
    text = 'candidates = 20\nconstraints = ["lens.opening_height_mm > 6 * lens.depth_mm"]'
    for plan in ("low-discrepancy", "random"):
        sampling = draw(with_search(write_job, f'{text}\nplan = "{plan}"'))
        assert sampling.skipped
        for candidate in sampling.candidates:
            values = candidate.values
            assert values["lens.opening_height_mm"] > 6 * values["lens.depth_mm"]


def test_constraints_that_exclude_everything_are_one_line(write_job):
    loaded = with_search(write_job, 'candidates = 3\nconstraints = ["lens.depth_mm < 5"]')
    with pytest.raises(
        JobError, match=r"all \d+ samples broke .* fulfils 'lens.depth_mm < 5'"
    ) as e:
        draw(loaded)
    assert len(e.value.faults) == 1


def test_faults_of_constraints_name_file_and_key(write_job):
    with pytest.raises(
        JobError, match=r"small.toml: key 'search.constraints': Invalid constraint"
    ):
        with_search(write_job, 'candidates = 3\nconstraints = ["lens.dept_mm < 5"]')


def test_random_samples_are_even_and_repeat_with_their_seed(write_job):
    many = draw(with_search(write_job, 'candidates = 160\nplan = "random"')).candidates
    assert {c.values["cabinet.width_mm"] for c in many} == {210.0}
    heights = [c.values["lens.opening_height_mm"] for c in many]
    assert sum(height < 125 for height in heights) == pytest.approx(76, abs=32)
    text = 'candidates = 10\nplan = "random"'
    few = draw(with_search(write_job, text))
    assert draw(with_search(write_job, text)) == few
    assert draw(with_search(write_job, text + "\nseed = 7")) != few


GUESSES = """candidates = 5
[[search.guesses]]
lens.depth_mm = 21
lens.opening_height_mm = 133
[[search.guesses]]
lens.opening_height_mm = 144
"""


def test_guesses_come_first(write_job):
    candidates = draw(with_search(write_job, GUESSES)).candidates
    assert len(candidates) == 5
    first, second = candidates[0].values, candidates[1].values
    assert (first["lens.depth_mm"], first["lens.opening_height_mm"]) == (21, 133)
    assert (second["lens.depth_mm"], second["lens.opening_height_mm"]) == (20, 144)


@pytest.mark.parametrize(
    ("guess", "message"),
    [
        ("lens.depth_mm = 60", "'search.guesses.lens.depth_mm' '60'. Must be from 10 to 40"),
        ("lens.dept_mm = 20", "the nearest is 'search.guesses.lens.depth_mm'"),
        ("cabinet.width_mm = 250", "left out, or be searched in [geometry]"),
        ('lens.depth_mm = "deep"', "Must be tables [[search.guesses]] of numbers"),
    ],
)
def test_wrong_guesses_are_refused(write_job, guess, message):
    with pytest.raises(JobError, match=re.escape(message)):
        with_search(write_job, f"candidates = 5\n[[search.guesses]]\n{guess}\n")


def test_a_guess_that_breaks_a_rule_is_refused(write_job):
    text = "candidates = 5\n[[search.guesses]]\nlens.depth_mm = 39\nlens.opening_height_mm = 91\n"
    with pytest.raises(JobError, match=r"\[\[search.guesses\]\] Invalid depth '39 mm'"):
        draw(with_search(write_job, text))


def test_a_search_starts_from_the_best_of_an_earlier_run(write_job, options):
    folder = run_job(write_job(), options).folder
    scores = {c.id: c.score.total_db for c in folder.candidates() if not c.is_baseline}
    best = min(scores, key=scores.get)
    values = next(c.values for c in folder.candidates() if c.id == best)
    text = f'candidates = 4\nseed = 9\nstart_best = 1\nstart_from = ["{folder.path}"]'
    candidates = draw_job(with_search(write_job, text)).candidates
    assert candidates[0].values == values
    assert len(candidates) == 4
    assert all(candidate.values != values for candidate in candidates[1:])


def test_runs_that_cannot_be_started_from_are_refused(write_job, options):
    loaded = with_search(write_job, 'candidates = 4\nstart_from = ["nowhere"]')
    with pytest.raises(
        JobError, match=r"search.start_from' 'nowhere'. Must be the folder of a run"
    ):
        draw_job(loaded)
    folder = run_job(write_job(), options).folder
    text = f'candidates = 4\nstart_from = ["{folder.path}"]'
    height = ("{ from = 90, to = 160 }", "{ from = 159.9, to = 160 }")
    with pytest.raises(JobError, match="a run with ranked candidates inside the ranges"):
        draw_job(with_search(write_job, text, height))
