"""Small things that a job's check, its hints and its verbs must not leave to be guessed."""

import re
from types import SimpleNamespace

import pytest

from bafflelens.cli import main
from bafflelens.commands.plan_table import _closing
from bafflelens.job.feasibility import band_remarks, default_remarks
from bafflelens.job.job_file import load_job
from bafflelens.job.key_faults import unknown_key
from bafflelens.job.solve_sections import FrequenciesSection
from bafflelens.job.units import other_unit
from bafflelens.run.pipeline import run_job

LENS_KEYS = ["plate.height_mm", "lens.depth_mm", "lens.passage_width_mm", "upper.blend_mm"]


def remarks(**frequencies):
    section = FrequenciesSection(**frequencies)
    return band_remarks(SimpleNamespace(job=SimpleNamespace(frequencies=section)))


def test_results_that_end_below_what_was_asked_are_said():
    (text,) = remarks(to_hz=12_000, per_octave=3)
    assert "results end at 10000 Hz, not at frequencies.to_hz = 12000" in text
    assert remarks(to_hz=16_000, per_octave=6) == ()  # 15,849 Hz by name
    assert remarks(to_hz=10_000, per_octave=3) == ()


def test_an_unknown_key_is_told_no_unrelated_one():
    text = unknown_key("lens.opening_height_mm", LENS_KEYS)
    assert "plate.height_mm" not in text
    assert "one of lens.depth_mm, lens.passage_width_mm" in text
    assert "nearest is 'lens.depth_mm'" in unknown_key("lens.dept_mm", LENS_KEYS)
    assert "nearest is 'upper.blend_mm'" in unknown_key("lens.blend_mm", LENS_KEYS)


@pytest.mark.parametrize(
    ("value", "unit", "low", "high", "hint"),
    [
        (0.19, "mm", 120, 400, "; is it in metres? 0.19 m are 190 mm"),
        (19, "mm", 120, 400, "; is it in centimetres? 19 cm are 190 mm"),
        (3000, "m", 1, 8, "; is it in millimetres? 3000 mm are 3 m"),
        (5000, "mm", 120, 400, ""),
        (0.5, "deg", 10, 80, ""),
    ],
)
def test_a_length_in_another_unit_is_recognised(value, unit, low, high, hint):
    assert other_unit(value, unit, low, high) == hint


def test_a_job_in_metres_is_told_so(write_job, capsys):
    path = write_job()
    text = re.sub(r"opening_height_mm = .*", "opening_height_mm = 0.12", path.read_text())
    path.write_text(text)
    assert main(["check", str(path)]) == 2
    assert "is it in metres? 0.12 m are 120 mm" in capsys.readouterr().err


def test_a_second_opinion_is_planned_only_where_it_is_asked_for():
    assert _closing(SimpleNamespace(opinion_seconds=0.0)) == "report"
    assert _closing(SimpleNamespace(opinion_seconds=30.0)) == "second opinion and report"


def test_status_takes_the_folder_of_results_as_other_verbs_do(tmp_path, capsys):
    assert main(["status", "--results", str(tmp_path)]) == 0
    assert "nothing runs" in capsys.readouterr().out
    assert main(["status", "--results", str(tmp_path / "none")]) == 2
    assert "Must be a folder of runs, or of one run" in capsys.readouterr().err


def test_a_candidate_of_a_run_is_drawn(write_job, stub, options, monkeypatch, tmp_path):
    folder = run_job(write_job(), options).folder
    seen = {}

    def drawn(loaded, candidate, progress, known):
        seen.update(loaded=loaded, ids=[one.id for one in known])
        raise KeyboardInterrupt  # what follows is drawing, which is tested elsewhere

    monkeypatch.setattr("bafflelens.report.drawing.draw_candidate", drawn)
    assert main(["draw", str(folder.path), "--candidate", "c001"]) == 130
    assert "c001" in seen["ids"]
    assert seen["loaded"].path.parent == folder.path


def test_a_size_that_is_left_to_the_script_is_told_from_one_that_is_given(write_job):
    (text,) = default_remarks(load_job(write_job()))
    assert "not given by the job, so the script's defaults hold: cabinet.width_mm = 210" in text
    given = ("[baseline]", "[geometry.cabinet]\nwidth_mm = 210\n[baseline]")
    assert default_remarks(load_job(write_job(given))) == ()
