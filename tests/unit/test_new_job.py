"""A job of one's own: what is asked, what is written, and that it passes `check`."""

import tomllib
from pathlib import Path

import pytest

from bafflelens.base.errors import InputError
from bafflelens.cli import main
from bafflelens.commands.beginning import gathered
from bafflelens.job.job_file import load_job
from bafflelens.job.like_for_like import baseline_differences
from bafflelens.job.new_job import QUESTIONS, job_files, proposed_answer, read_answer
from bafflelens.run.warm_start import draw_job


def defaults(**changes):
    answers = {}
    for question in QUESTIONS:
        answers[question.name] = changes.get(question.name, proposed_answer(
            question, {"midrange": 0.0, **answers}))  # fmt: skip
    return answers


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"midrange": 90},
        {"dome": 28, "cabinet_width": 190, "cabinet_height": 360, "midrange": 76},
        {"dome": 19, "cabinet_width": 120, "cabinet_depth": 150},
        {"crossover": 900, "midrange": 130, "cabinet_height": 500},
    ],
)
def test_what_is_written_can_be_run_and_is_compared_with_its_like(tmp_path, changes):
    for name, content in job_files("mine", defaults(**changes)).items():
        (tmp_path / name).write_bytes(content)
    loaded = load_job(tmp_path / "job.toml")
    sampling = draw_job(loaded)
    assert len(sampling.candidates) == 12
    differences = baseline_differences(loaded, sampling)
    assert not [line for line in differences if "midrange" in line or "radius" in line]
    band = loaded.job.score
    if changes.get("midrange"):
        handover = changes.get("crossover", 2200)
        assert band.from_hz <= handover / 2**0.5
        assert band.to_hz >= handover * 2**0.5


def test_without_a_terminal_options_and_defaults_make_the_job(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    code = main(["new", "mine", "--dome", "28", "--cabinet-width", "0.19 m", "--midrange", "76"])
    assert code == 0, capsys.readouterr().err
    job = tomllib.loads(Path("mine/job.toml").read_text())
    assert job["geometry"]["dome"]["diameter_mm"] == 28
    assert job["geometry"]["cabinet"]["width_mm"] == 190
    assert job["geometry"]["midrange"]["diameter_mm"] == 76
    assert {path.name for path in Path("mine").iterdir()} == {
        "job.toml", "lens.py", "plain_front.py", "dimensions.png",
    }  # fmt: skip
    assert "next: bafflelens check mine/job.toml" in capsys.readouterr().out


def test_an_existing_folder_is_refused_and_left_alone(tmp_path, capsys):
    (tmp_path / "notes.txt").write_text("mine")
    assert main(["new", str(tmp_path)]) == 2
    assert "Must be new or empty: nothing is overwritten" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


@pytest.mark.parametrize(
    ("option", "value", "match"),
    [
        ("--cabinet-width", "0.19", "Must be from 120 to 400 mm; is it in metres? 0.19 m are 190"),
        ("--cabinet-width", "19", "Must be from 120 to 400 mm; is it in centimetres?"),
        ("--distance", "3000", "Must be from 1 to 8 m; is it in millimetres?"),
        ("--midrange", "20", "Must be 0 for none, or from 50 to 180 mm"),
        ("--dome", "big", "Must be a number from 19 to 38 mm"),
        ("--dome", "nan", "Must be from 19 to 38 mm"),
        ("--tweeter-below-top", "60", "to leave room for a lens"),
    ],
)
def test_a_wrong_option_is_one_line_and_nothing_is_written(tmp_path, capsys, option, value, match):
    assert main(["new", str(tmp_path / "mine"), option, value]) == 2
    assert match in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_an_answer_out_of_range_is_asked_for_again():
    replies = iter(["280", "28", *[""] * 40])
    asked = []

    def ask(question):
        asked.append(question)
        return next(replies)

    answers = gathered({}, ask)
    assert answers["dome"] == 28
    assert asked[0] == asked[1]
    assert "from 19 to 38 mm [26]" in asked[0]
    assert not any("hand over" in question for question in asked)  # there is no midrange


def test_a_midrange_brings_its_own_questions():
    replies = {"midrange's cone": "90"}
    asked = []

    def ask(question):
        asked.append(question)
        return next((text for part, text in replies.items() if part in question), "")

    answers = gathered({}, ask)
    assert any("hand over" in question for question in asked)
    assert answers["midrange_below"] == proposed_answer(
        next(q for q in QUESTIONS if q.name == "midrange_below"), {"midrange": 90.0}
    )


@pytest.mark.parametrize(("error", "code"), [(KeyboardInterrupt, 130), (EOFError, 2)])
def test_whoever_stops_answering_leaves_nothing_behind(tmp_path, monkeypatch, error, code):
    def stop(question):
        raise error

    monkeypatch.setattr("builtins.input", stop)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    assert main(["new", str(tmp_path / "mine")]) == code
    assert not list(tmp_path.iterdir())


def test_lengths_are_read_in_any_unit():
    width = next(question for question in QUESTIONS if question.name == "cabinet_width")
    assert {read_answer(width, text) for text in ("190", "190mm", "19 cm", "0.19 m")} == {190.0}
    with pytest.raises(InputError, match="Outer width of the cabinet"):
        read_answer(width, "")
