# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading job files: what is accepted, and what is said about what is not."""

import re
from pathlib import Path

import pytest

from bafflelens.base.errors import JobError
from bafflelens.base.medium import Air
from bafflelens.job.job_file import load_job
from bafflelens.job.key_faults import unknown_key
from bafflelens.job.keys import keys_of
from bafflelens.job.score_sections import ScoreSection
from bafflelens.job.sections import Job
from bafflelens.job.shape_sections import Choices, Fixed, Span
from bafflelens.job.solve_sections import FrequenciesSection
from bafflelens.scoring.score import ScoreSettings
from bafflelens.scoring.target import Room, ambitious_target, default_target

JOBS_README = Path(__file__).parents[2] / "jobs" / "README.md"


def faults_of(path):
    with pytest.raises(JobError) as caught:
        load_job(path)
    assert all(fault.startswith(f"{path}: ") for fault in caught.value.faults)
    return [fault.removeprefix(f"{path}: ") for fault in caught.value.faults]


def test_a_good_job_is_read(write_job):
    loaded = load_job(write_job(("opening_height_mm = {", "opening_height_mm = 120 #")))
    assert loaded.job.title == "A small job"
    assert loaded.job.geometry.parameters == {
        "lens.opening_height_mm": Fixed(120.0),
        "lens.depth_mm": Span(10.0, 40.0),
    }
    assert loaded.shape.name == "lens"
    assert loaded.baseline_shape.name == "plain"


def test_lists_and_steps_are_read(write_job):
    path = write_job(
        ("{ from = 90, to = 160 }", "[90, 120]"),
        ("to = 40 }", "to = 40, steps = 4 }"),
        ("candidates = 3", 'plan = "grid"'),
    )
    assert load_job(path).job.geometry.parameters == {
        "lens.opening_height_mm": Choices((90.0, 120.0)),
        "lens.depth_mm": Span(10.0, 40.0, 4),
    }


def test_what_is_left_out_has_the_engine_s_own_defaults(write_job):
    job = load_job(write_job()).job
    assert job.air.medium == Air()
    assert job.room.room == Room()
    assert job.target.target(Room()) == default_target(Room())
    assert ScoreSection().settings == ScoreSettings()


def test_target_sections_replace_their_part(write_job):
    extra = """
[target.floor]
frequencies_hz = [2000, 8000]
levels_db = [-3, -9]
[[target.horizontal]]
angle_deg = 45
frequencies_hz = [1000, 8000]
levels_db = [-3, -4.5]
weights = [1, 0.5]
"""
    target = load_job(write_job(("[solve]", extra + "[solve]"))).job.target.target(Room())
    assert target.floor.angle_deg == default_target(Room()).floor.angle_deg
    assert target.floor.levels_db == (-3.0, -9.0)
    assert target.ceiling == default_target(Room()).ceiling
    assert [limit.angle_deg for limit in target.horizontal] == [45.0]
    assert target.horizontal[0].weights == (1.0, 0.5)


def test_a_bounce_may_be_given_by_its_angle_alone(write_job):
    extra = (
        "[room]\nfarthest_m = 5\n[target]\nkind = 'ambitious'\n[target.ceiling]\nangle_deg = 40\n"
    )
    job = load_job(write_job(("[solve]", extra + "[solve]"))).job
    target, wanted = job.target.target(job.room.room), ambitious_target(job.room.room)
    assert target.ceiling.angles_deg == (40.0,)
    assert target.ceiling.levels_db == wanted.ceiling.levels_db
    assert target.ceiling.weights == wanted.ceiling.weights
    assert target.floor == wanted.floor
    assert len(target.floor.angles_deg) > 1


def test_frequencies_are_fractions_of_an_octave_about_1_khz():
    section = FrequenciesSection(from_hz=1000.0, to_hz=16_000.0, per_octave=6)
    frequencies = section.frequencies_hz
    assert len(frequencies) == 25
    assert frequencies[0] == pytest.approx(1000)
    assert frequencies[-1] == pytest.approx(15_849, abs=0.5)
    r80 = FrequenciesSection(from_hz=1000.0, to_hz=10_000.0, per_octave=24).frequencies_hz
    assert len(r80) == 81  # ISO 3: R80 has 80 steps in a decade


def test_all_faults_are_reported_together(write_job):
    path = write_job(
        ('title = "A small job"', "title = 3"),
        ("opening_height_mm", "opening_hight_mm"),
        ("to = 40 }", "to = 400 }"),
        ("per_octave = 3", "per_octave = 5"),
        ("[score]", "[score]\nweigth = 2"),
        ('quality = "draft"', 'quality = "high"\nmesh_time_limit_s = 0'),
        ("candidates = 3", "candidates = true\n[air]\ntemperature_c = 300"),
        ('script = "plain.py"', 'script = "plan.py"'),
    )
    found = faults_of(path)
    assert found == [
        "Invalid key 'title' '3'. Must be text that is not empty.",
        "Invalid key 'search.candidates' 'true'. Must be a whole number from 1 to 100000.",
        "Invalid key 'air.temperature_c' '300'. Must be a number from -20 to 50 degrees C.",
        "Invalid key 'frequencies.per_octave' '5'. Must be one of as needed, 3, 6, 12, 24, 48.",
        "Invalid key 'solve.quality' 'high'. Must be one of draft, standard, fine.",
        "Invalid key 'solve.mesh_time_limit_s' '0'. Must be a number from 1 to 3600 s.",
        "Invalid key 'score.weigth'. Must be a known key; "
        "the nearest is 'score.side_lobes.weight'.",
        "Invalid key 'geometry.lens.opening_hight_mm'. Must be a known key; "
        "the nearest is 'geometry.lens.opening_height_mm'.",
        "Invalid key 'geometry.lens.depth_mm' '400'. Must be from 10 to 50 mm.",
        f"key 'baseline.script': Invalid geometry script '{path.parent / 'plan.py'}'. "
        "Must be an existing Python file.",
    ]


@pytest.mark.parametrize(
    ("name", "nearest"),
    [
        ("solve.qualty", "solve.quality"),
        ("quality", "solve.quality"),
        ("serach", "search"),
        ("frequencies.quality", "solve.quality"),
    ],
)
def test_unknown_keys_get_the_nearest_one(name, nearest):
    message = unknown_key(name, [key.name for key in keys_of()])
    assert message == f"Invalid key '{name}'. Must be a known key; the nearest is '{nearest}'."


def test_a_key_like_no_other_gets_the_list_of_its_section():
    message = unknown_key("report.xyzzy", [key.name for key in keys_of()])
    assert message == "Invalid key 'report.xyzzy'. Must be one of report.detailed."


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "[robustness]",
            "[carve]\nleaders = 1\nquieter_than_baseline = true\n"
            "quieter_to_hz = 9000\n[robustness]",
            "Invalid key 'carve.quieter_to_hz' '9000'. Must be from 2000 to 4000 Hz, where this",
        ),
        ('title = "A small job"', "", "Missing key 'title'. Must be text that is not empty."),
        ('script = "lens.py"', "", r"Missing key 'geometry.script'. Must be the path of a geo"),
        ("[search]\ncandidates = 3", "", r"Missing key 'search'. Must be a section \[search\]."),
        ("[search]\ncandidates = 3", "[air]\n", r"Missing key 'search'."),
        ("candidates = 3", "", "Missing key 'search.candidates'. Must be given with plan"),
        ("candidates = 3", "candidates = 3.5", "'search.candidates' '3.5'. Must be a whole num"),
        ("{ from = 90, to = 160 }", '"high"', "opening_height_mm' 'high'. Must be a number, a l"),
        ("{ from = 90, to = 160 }", "nan", "opening_height_mm' 'nan'. Must be a number"),
        ("{ from = 90, to = 160 }", "[]", r"opening_height_mm' '\[\]'. Must be a number"),
        ("{ from = 90, to = 160 }", "{ from = 90 }", "Must be a number, a list of numbers, or"),
        ("from = 90, to = 160", "from = 160, to = 90", "range whose 'from' is below its 'to'"),
        ("to = 160 }", "to = 160, steps = 1 }", "range whose 'steps' is a whole number from 2"),
        ("to = 160 }", "to = 160, steps = 4 }", "opening_height_mm.steps' '4'. Must be left out"),
        ("from = 90, to", "from = 9, to", "'geometry.lens.opening_height_mm' '9'. Must be from"),
        ("[geometry.lens]\n", "opening_height_mm = 3\n[geometry.lens]\n", "the nearest is 'geo"),
        (
            "from_hz = 2000\nto_hz = 4000\nper",
            "from_hz = 2100\nto_hz = 2200\nper",
            "holds at least",
        ),
        ("from_hz = 2000\nto_hz = 4000\nper", "from_hz = 4000\nto_hz = 2000\nper", r"\[frequ"),
        ("to_hz = 4000\n[solve]", "to_hz = 9000\n[solve]", "'score.to_hz' '9000'. Must be at mo"),
        (
            "from_hz = 2000\nto_hz = 4000\n[solve]",
            "from_hz = 2400\nto_hz = 3000\n[solve]",
            r"section \[score\] 'from_hz = 2400, to_hz = 3000'. Must be a band in which 2 freq",
        ),
        ("[solve]", "[room]\near_height_m = 3\n[solve]", r"\[room\] Invalid room ceiling height"),
        ("[solve]", "[target]\nfloor = 3\n[solve]", r"'target.floor' '3'. Must be a section"),
        (
            "[solve]",
            "[target.floor]\nfrequencies_hz = [1000, 2000]\nlevels_db = [1]\n[solve]",
            r"\[target\] Invalid number of levels of a limit",
        ),
        (
            "[solve]",
            "[[target.seat]]\nangle_deg = 500\nfrequencies_hz = [1, 2]\nlevels_db = [1, 2]\n"
            "[solve]",
            "'target.seat.angle_deg' '500'. Must be a number from 1 to 175 degrees",
        ),
        ("second_opinion = false", 'second_opinion = "no"', "'no'. Must be true or false."),
    ],
)
def test_one_fault(write_job, old, new, message):
    found = faults_of(write_job((old, new)))
    assert any(re.search(message, fault) for fault in found), found


@pytest.mark.parametrize(
    ("plan", "height", "message"),
    [
        ("grid", "{ from = 90, to = 160 }", "steps = ... } or a list with plan 'grid'"),
        ("grid", "[90, 100, 90]", "'1 repeated'. Must be a list without repeats"),
        ("list", "{ from = 90, to = 160 }", "Must be a number or a list with plan 'list'"),
        ("list", "[90, 100, 110]", "Must be as long as the other lists with plan 'list'"),
    ],
)
def test_settings_must_fit_the_plan(write_job, plan, height, message):
    path = write_job(
        ("{ from = 90, to = 160 }", height),
        ("{ from = 10, to = 40 }", "[10, 15]"),
        ("candidates = 3", f'plan = "{plan}"'),
    )
    assert any(message in fault for fault in faults_of(path))


def test_a_grid_counts_its_own_candidates(write_job):
    path = write_job(
        ("{ from = 90, to = 160 }", "[90, 100]"),
        ("{ from = 10, to = 40 }", "20"),
        ("candidates = 3", 'plan = "grid"\ncandidates = 3\nseed = 1'),
    )
    assert faults_of(path) == [
        "Invalid key 'search.candidates' '3'. Must be left out with plan 'grid'.",
        "Invalid key 'search.seed' '1'. Must be left out with plan 'grid'.",
    ]


def test_nothing_to_search_is_no_candidates(write_job):
    path = write_job(("{ from = 90, to = 160 }", "120"), ("{ from = 10, to = 40 }", "20"))
    assert any("there are no candidates" in fault for fault in faults_of(path))


def test_a_searched_parameter_of_the_baseline_must_be_given(write_job):
    searched = (
        "[baseline]",
        "[geometry.cabinet]\nwidth_mm = { from = 180, to = 220 }\n[baseline]",
    )
    (fault,) = faults_of(write_job(searched))
    assert fault.startswith("Missing key 'baseline.cabinet.width_mm'. Must be given as one number")
    given = ('script = "plain.py"', 'script = "plain.py"\ncabinet.width_mm = 200')
    assert load_job(write_job(searched, given)).job.baseline.parameters == {
        "cabinet.width_mm": Fixed(200.0)
    }


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"title = \n", r"Must be valid TOML: .*line 1"),
        (b"title = 'a'\ntitle = 'b'\n", r"Must be valid TOML: .*line 2"),
        (b"title = '\xff'", r"Must be text in UTF-8 \(byte 9 is not\)"),
    ],
)
def test_what_is_no_toml_is_one_line(tmp_path, content, message):
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    with pytest.raises(JobError, match=message) as caught:
        load_job(path)
    assert len(caught.value.faults) == 1


@pytest.mark.parametrize("name", ["missing.toml", "."])
def test_what_is_no_file_is_one_line(tmp_path, name):
    with pytest.raises(JobError, match=r"Invalid job file .* Must be a readable TOML file \("):
        load_job(tmp_path / name)


def test_an_empty_job_lists_what_is_missing(tmp_path):
    path = tmp_path / "empty.toml"
    path.write_text("")
    with pytest.raises(JobError) as caught:
        load_job(path)
    assert [fault.partition(": ")[2] for fault in caught.value.faults] == [
        "Missing key 'title'. Must be text that is not empty.",
        "Missing key 'geometry'. Must be a section [geometry].",
        "Missing key 'baseline'. Must be a section [baseline].",
        "Missing key 'search'. Must be a section [search].",
    ]


def test_a_broken_script_is_named_with_its_line(write_job):
    path = write_job()
    (path.parent / "lens.py").write_text("def build(:\n")
    (fault,) = faults_of(path)
    assert re.search(r"key 'geometry.script': .*lens.py, line 1: .*SyntaxError", fault)


def test_jobs_cannot_be_changed(write_job):
    with pytest.raises(ValueError, match="frozen"):
        load_job(write_job()).job.title = "another"


def test_the_readme_explains_every_key():
    rows = {}
    for line in JOBS_README.read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if line.startswith("| `") and len(cells) == 5:
            rows[cells[0].strip("`")] = cells[1:]
    assert set(rows) == {key.name for key in keys_of(Job)}
    for key in keys_of(Job):
        unit, default, rule, meaning = rows[key.name]
        assert unit == key.unit, key.name
        assert rule == key.rule, key.name
        assert meaning, key.name
        if key.required:
            assert default == "required", key.name
        elif key.default not in (None, "", ()):
            shown = str(key.default).lower() if isinstance(key.default, bool) else key.default
            if isinstance(shown, tuple) and isinstance(shown[0], str):
                shown = ", ".join(shown)
            assert default == (f"{shown:g}" if isinstance(shown, float) else str(shown)), key.name
