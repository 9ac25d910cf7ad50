# SPDX-License-Identifier: GPL-3.0-or-later
"""Every place tells what is built: a lens with its lower wall as above, without any other part."""

from pathlib import Path
from types import SimpleNamespace

import block_lens
import pytest
from handed import write_handed

from bafflelens.base.errors import InputError
from bafflelens.base.parameter_words import called
from bafflelens.cli import main
from bafflelens.handoff import sheet as drawing_sheet
from bafflelens.handoff.calipers import form_csv
from bafflelens.handoff.inspection import inspect_readings
from bafflelens.handoff.manifest import open_archive
from bafflelens.report import drawing, pdf, summary
from bafflelens.report.dimension_lines import by_part
from bafflelens.report.dimensions import dimension_words
from bafflelens.report.summary import view_of
from bafflelens.report.tables import parameter_rows

GEOMETRIES = Path(__file__).parents[2] / "geometries"
LENS = """[geometry]
script = "arc_lens.py"
[geometry.upper]
mouth_height_mm = [52.4, 52.6]
opening_angle_deg = 40.8
[geometry.lower]
mouth_height_mm = [0, 48]
opening_angle_deg = 35
"""
ABSENT = ("plate", "felt", "head", "midrange")


@pytest.fixture(scope="module")
def folder(tmp_path_factory, run_in):
    """Return a run of lenses, solved by stubs."""
    where = tmp_path_factory.mktemp("lenses")
    (where / "arc_lens.py").write_text((GEOMETRIES / "arc_lens.py").read_text())
    old = """[geometry]
script = "lens.py"
[geometry.lens]
opening_height_mm = { from = 90, to = 160 }
depth_mm = { from = 10, to = 40 }
"""
    search = ("[search]\ncandidates = 3", '[search]\nplan = "list"')
    return run_in(where, "", (old, LENS), search)


@pytest.fixture(scope="module")
def view(folder):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(summary, "leader_pictures", lambda *_: ())
        return view_of(folder, folder.load_job(), folder.load_record())


@pytest.fixture(scope="module")
def lens(view):
    key = "upper.mouth_height_mm"
    return next(row for row in view.rows if row.candidate.values.get(key) == 52.4)


def test_a_row_keeps_what_was_given_and_tells_what_is_built(lens):
    assert lens.candidate.values["lower.mouth_height_mm"] == 0
    assert lens.dimensions["lower.mouth_height_mm"] == 52.4
    assert lens.dimensions["lower.opening_angle_deg"] == 40.8


def test_the_table_of_the_report_lists_what_is_there(view, lens):
    shown = SimpleNamespace(
        view=next(one for one in view.views if one.id == lens.candidate.id), row=lens
    )
    rows = {(row["part"], row["name"]): row["value"] for row in parameter_rows(shown, view)}
    assert rows["lower", "mouth height"] == rows["upper", "mouth height"] == "52.4"
    assert rows["lower", "opening angle"] == "40.8"
    assert not [part for part, _ in rows if part in ABSENT]


def test_the_first_screen_and_the_pdf_tell_what_is_built(view, lens):
    shown = next(one for one in view.views if one.id == lens.candidate.id)
    assert "mouth height 52 mm" in dimension_words(shown.dimensions)
    content = SimpleNamespace(
        names={row.candidate.id: row.candidate.id for row in view.rows},
        run=view,
        drawn=(SimpleNamespace(row=lens, name="the lens"),),
        changes={},
    )
    text = " ".join(pdf._leader_lines(content))
    assert "lower mouth height 52.4 mm" in text
    assert "lower opening angle 40.8°" in text
    assert not [part for part in ABSENT if f" {part} " in text]


def test_the_terminal_tells_what_is_built(folder, lens, capsys):
    assert main(["rank", str(folder.path)]) == 0
    printed = capsys.readouterr().out
    table = printed[printed.index("Parameters") :].splitlines()
    (line,) = (line for line in table if lens.candidate.id in line and "52.4" in line)
    assert line.count("52.4") == 2  # upper and lower
    lower = next(line for line in by_part(lens.dimensions) if line.startswith("lower"))
    assert "mouth height 52.4 mm" in lower
    assert "opening angle 40.8°" in lower


def test_what_is_drawn_is_told_with_what_is_built(folder, lens, monkeypatch, tmp_path, capsys):
    facts = drawing.SolidFacts(
        volume_m3=0.01, area_m2=0.4, areas_m2={"dome": 0.001}, n_triangles=900, is_half=True,
        frequency_hz=4000.0, fewest_elements=6.0, most_elements=9.0, smallest_angle_deg=30.0,
    )  # fmt: skip
    monkeypatch.setattr(drawing, "mesh_shape", lambda *_: (None, None))
    for picture in ("shape_picture", "mesh_picture"):
        monkeypatch.setattr(drawing, picture, lambda *_: b"")
    monkeypatch.setattr(drawing, "section_picture", lambda *_: "")
    monkeypatch.setattr(drawing, "solid_facts", lambda *_: facts)
    command = ["draw", str(folder.path), "--candidate", lens.candidate.id]
    assert main([*command, "--out", str(tmp_path)]) == 0
    lines = capsys.readouterr().out.splitlines()
    (lower,) = (line for line in lines if line.startswith("lower: "))
    assert "mouth height 52.4 mm" in lower
    assert "opening angle 40.8°" in lower
    assert not [line for line in lines if line.split(":")[0] in ABSENT]


def test_the_drawing_lists_what_is_there(folder, lens):
    shape = folder.load_job().shape
    sheet = SimpleNamespace(shape=shape, dimensions=lens.dimensions, robustness=None)
    listed = [name for name, *_ in drawing_sheet.rows_of_parameters(sheet)]
    assert listed == [called(key) for key in lens.dimensions]
    assert not [name for name in listed if name.split()[0] in ABSENT]


def test_a_part_is_measured_against_what_is_built(lens, folder, tmp_path):
    units = {parameter.key: parameter.unit for parameter in folder.load_job().shape.parameters}
    handed = write_handed(
        tmp_path / "handed",
        block_lens.datum(),
        dict(lens.candidate.values),
        units,
        {},
        dimensions=dict(lens.dimensions),
    )
    readings = tmp_path / "readings.csv"
    readings.write_text("parameter,reading\nlower.mouth_height_mm,52.5\n")
    (found,) = inspect_readings(handed, readings)
    assert (found.nominal, found.verdict) == (52.4, "pass")
    readings.write_text("parameter,reading\nplate.diameter_mm,110\n")
    manifest = open_archive(handed).manifest
    form = form_csv((), manifest, ["lower.mouth_height_mm"]).decode()
    assert "lower.mouth_height_mm,,mm,52.4," in form
    with pytest.raises(InputError, match=r"Invalid parameter 'plate.diameter_mm'. Must be one of"):
        inspect_readings(handed, readings)
