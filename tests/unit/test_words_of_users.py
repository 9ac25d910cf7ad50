# SPDX-License-Identifier: GPL-3.0-or-later
"""What users write is shown as they wrote it: no formulas, no colours, no escapes; and errors
that nobody foresaw are one line, with their details in a file."""

import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import patterns
import pytest
from matplotlib.figure import Figure
from small_view import small_view

from bafflelens import cli
from bafflelens.base.errors import InputError
from bafflelens.commands import console
from bafflelens.report import figures, style, summary
from bafflelens.report.page import filed, render
from bafflelens.report.style import drawn, plain_words, svg_or_reason

INK = "no <ink>"
ESCAPE = "division\x1b by zero"
ODD = r"A $\foo$ of [red]10 $ & $5 <b>"


def figure_with(text):
    figure = Figure()
    figure.suptitle(text)
    axes = figure.add_subplot()
    axes.set_title(text)
    axes.plot([1, 2], label=text)
    axes.legend()
    return figure


@pytest.fixture(scope="module")
def run():
    dataset = patterns.dataset(lambda f, a, e: 1e-4 + 0 * a, [1000.0, 2000.0, 4000.0, 8000.0])
    return small_view(
        {ODD if name == "c001" else name: dataset for name in ("baseline", "c001")},
        name="odd_20260131T204500Z",
        title=ODD,
    )


@pytest.mark.parametrize("file_format", ["png", "svg", "pdf"])
def test_a_dollar_begins_no_formula_in_a_picture(file_format):
    content = drawn(lambda: figure_with(ODD), file_format)
    assert content
    if file_format == "svg":
        assert b"$\\foo$ of [red]10" in content
        assert b"mathdefault" not in content


def test_no_text_of_pictures_beside_the_report_is_a_formula(tmp_path):
    with plain_words():
        figure = figure_with(ODD)
    figure.savefig(tmp_path / "a.png")
    with pytest.raises(ValueError, match="Unknown symbol"):
        figure_with(ODD).savefig(tmp_path / "b.png")


def test_a_report_with_odd_names_is_written(run):
    page = render(replace(run, detailed=0))
    assert "A $\\foo$ of [red]10 $ &amp; $5 &lt;b&gt;" in page
    assert "Not drawn" not in page
    assert "mathdefault" not in page


def test_a_picture_that_fails_does_not_cost_the_report(run, monkeypatch):
    def broken(*things, **more):
        raise RuntimeError(INK)

    for name in (
        *("polars", "responses", "level_maps", "bounce_levels", "centre_and_load"),
        *("comparison_maps", "thumbnail_maps", "trade_off"),
    ):
        monkeypatch.setattr(figures, name, broken)
    page = render(run)
    assert len(re.findall(r"<p>Not drawn, no &lt;ink&gt;: Polar plots", page)) == 2
    assert filed(run).startswith(b"%PDF")
    assert svg_or_reason(broken, "a", "A map").startswith("<p>Not drawn, no &lt;ink&gt;: A map")


def test_a_view_that_fails_does_not_cost_the_report(monkeypatch):
    from bafflelens.mesh.mesh import Mesh
    from bafflelens.report import section_picture, shape_picture
    from bafflelens.report.leader_pictures import leader_pictures

    def broken(mesh, symmetry):
        raise RuntimeError(INK.replace("<ink>", "ink"))

    monkeypatch.setattr(shape_picture, "shape_views", broken)
    monkeypatch.setattr(section_picture, "section_picture", lambda mesh, symmetry: "<svg/>")
    mesh = Mesh(np.eye(3), np.array([[0, 1, 2]]), np.array(["lens"]))
    with ThreadPoolExecutor(1) as apart:
        found = leader_pictures(mesh, (), apart)
    assert [picture.title for picture in found] == [
        "Not drawn, no ink: in space",
        "Sections through the axis, mm",
    ]


def test_brackets_and_escapes_stay_what_they_are_on_the_terminal(capsys):
    table = console.new_table(ODD, "shape", "[b]head")
    table.add_row("[red]X", "a\x1b[31mb")
    console.show_table(table)
    console.say("[bold]\x1b]0;owned\x07 text")
    console.complain(["\x1b[2J gone"])
    said = capsys.readouterr()
    for text in ("[red]X", "[b]head", "a\\x1b[31mb", "[bold]\\x1b]0;owned\\x07 text", "[red]10"):
        assert text in said.out
    assert said.err == "\\x1b[2J gone\n"
    assert "\x1b" not in said.out


@pytest.mark.parametrize("text", ["x" * 5000, "a\x1b[31m", "bell \x07"])
def test_notes_are_short_and_plain(tmp_path, text, monkeypatch):
    monkeypatch.setattr(summary, "candidates_of", lambda folder: [SimpleNamespace(id="c001")])
    with pytest.raises(InputError, match=r"Invalid note .* at most 4000 characters without con"):
        summary.note_on(None, "c001", text, sense="heard", verdict="kept")


def test_an_unexpected_error_is_exit_code_70(monkeypatch, capsys, tmp_path):
    def broken(*words, **more):
        raise ZeroDivisionError(ESCAPE)

    monkeypatch.setattr(cli, "app", broken)
    monkeypatch.setattr(cli.tempfile, "tempdir", str(tmp_path))
    assert cli.main([]) == 70
    said = capsys.readouterr().err
    assert len(said.splitlines()) == 1
    assert said.startswith("Unexpected error: ZeroDivisionError: division\\x1b by zero. What was")
    path = Path(said.split()[-1])
    assert "Traceback" in path.read_text()
    monkeypatch.setattr(cli.tempfile, "tempdir", str(tmp_path / "none"))
    assert cli.main([]) == 70
    assert "Traceback" in capsys.readouterr().err  # nowhere to write: not lost


def test_the_style_is_that_of_every_figure():
    with style.drawing_style():
        assert not figure_with(ODD)._suptitle.get_parse_math()
