"""What the README tells a new user to type exists, and the quick commands do what it says."""

import re
import shlex
from pathlib import Path

import pytest

from bafflelens.cli import app, main

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = [ROOT / "README.md", ROOT / "jobs" / "README.md"]


def commands(page):
    """Return the lines of its shell blocks that call the program, as words."""
    blocks = re.findall(r"```sh\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL)
    lines = [line for block in blocks for line in block.replace("\\\n", " ").splitlines()]
    return [
        shlex.split(line, comments=True)[1:] for line in lines if line.startswith("bafflelens ")
    ]


def test_the_readme_shows_commands():
    assert len(commands(PAGES[0])) >= 12
    assert len(commands(PAGES[1])) >= 20


@pytest.mark.parametrize("page", PAGES, ids=["README", "jobs"])
def test_every_command_can_be_parsed(page):
    """Verbs, options and the number of arguments are those of the program."""
    for words in commands(page):
        app.parse_args(words, exit_on_error=False, print_error=False)


def test_the_first_screen_is_a_paragraph_a_picture_two_commands_and_what_comes_out():
    first = "\n".join(README.splitlines()[:36])
    assert "](jobs/first_lens.png)" in first
    assert "make run " in first
    assert "make test " in first
    assert "## What comes out" in first


def test_pictures_and_pages_that_the_readme_links_are_there():
    for target in re.findall(r"\]\(([^)#]+)", README):
        assert target.startswith("http") or (ROOT / target).exists(), target
    assert "run only jobs and scripts you trust" in README


def test_a_first_own_job_passes_its_check_by_the_readme_alone(tmp_path, monkeypatch, capsys):
    """What needs no solving of `Your first own job`; its mesh is made for real."""
    monkeypatch.chdir(tmp_path)
    part = README.split("## Your first own job")[1].split("\n## ")[0]
    lines = [shlex.split(x, comments=True)[1:] for x in re.findall(r"(?m)^bafflelens .*", part)]
    assert [line[0] for line in lines] == ["new", "check", "run"]
    for line in lines[:2]:
        assert main(line) == 0, capsys.readouterr().err
    assert "no faults found" in capsys.readouterr().out
