# SPDX-License-Identifier: GPL-3.0-or-later
"""A clay map from a run folder to its files, on a cap in a sphere that is really solved.

What the slopes say of a small step is held to what solving it finds.
"""

import base64
import csv
import functools
import re
import shutil
from dataclasses import replace

import meshio
import numpy as np
import pytest
import small_job
from sphere_run import RADIUS_M, run_of_sphere, sphere

from bafflelens.base.errors import InputError, StoreError
from bafflelens.base.progress import Silent
from bafflelens.commands import results
from bafflelens.handoff import acoustic_tolerance
from bafflelens.handoff.acoustic_tolerance import NOT_ASKED, front_tolerance
from bafflelens.mockup.clay_map import make, places, slopes
from bafflelens.mockup.clay_map.make import ClayMapRequest, make_clay_map
from bafflelens.mockup.clay_map.places import ClayPlace, best_places, bump_height, clay_map
from bafflelens.mockup.clay_map.second_step import SecondStep, solve_second_step
from bafflelens.mockup.clay_map.slopes import candidate_slopes, candidate_with_slopes
from bafflelens.mockup.clay_map.words import place_text, trust_lines
from bafflelens.report.page import render
from bafflelens.report.summary import view_of
from bafflelens.scoring.score_slope import OBJECTIVES
from bafflelens.store import open_run

ACROSS_MM = 60.0


@pytest.fixture(scope="module")
def solved(tmp_path_factory, stub_methods, open_pool):
    at = tmp_path_factory.mktemp("solved")
    with pytest.MonkeyPatch.context() as patch:
        write = functools.partial(small_job.write, at)
        return run_of_sphere(write, at / "results", stub_methods, open_pool, patch).path


@pytest.fixture
def folder(solved, tmp_path, options):
    """A copy of that run; its reports are written without pictures, as `options` has it."""
    return open_run(shutil.copytree(solved, tmp_path / "results" / solved.name))


def request_of(folder, out, **changes):
    settings = {"amount_mm": 0.5, "across_mm": ACROSS_MM, **changes}
    return ClayMapRequest(folder=folder, candidate="c001", out=out, **settings)


def test_from_a_run_to_files(folder, tmp_path):
    out = tmp_path / "map"
    text = make_clay_map(request_of(folder, out), Silent())
    names = {"clay_map.png", "parts.png", "places.txt", "places.csv", "frequencies.csv"}
    assert {path.name for path in out.iterdir()} == names | {"slopes.vtu"}
    assert (out / "places.txt").read_text() == text
    assert "Caution: clay" in text
    assert re.search(r"1\. (add|take) 0.5 mm at .* over 60 mm: about -\d", text)
    with (out / "places.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert rows
    assert all(float(row["score_db"]) < 0 for row in rows)
    whole = sphere()[0].mirrored("y")
    field = meshio.read(out / "slopes.vtu")
    assert len(field.cells_dict["triangle"]) == whole.n_triangles
    np.testing.assert_allclose(np.abs(field.points).max(), 1e3 * np.abs(whole.vertices).max())
    assert {f"{name}_db_per_mm" for name in OBJECTIVES} <= set(field.cell_data)
    assert (out / "clay_map.png").read_bytes().startswith(b"\x89PNG")


def test_a_small_step_does_what_the_slopes_say(folder):
    solved = candidate_with_slopes(folder, "c001")
    found = clay_map(candidate_slopes(solved, Silent()), 1e-3 * ACROSS_MM)
    places = best_places(found, 0.3)
    step = solve_second_step(solved, found.slopes, places, found.across_m, Silent())
    assert step.predicted_db["score"] < 0
    # 7 triangles a wavelength at 4 kHz, and kinks of the score
    assert step.found_db["score"] == pytest.approx(step.predicted_db["score"], rel=0.15)
    assert step.believed_mm > 0.3
    # a place is clear of the dome, and none on the foot of another
    for n, place in enumerate(places):
        assert np.linalg.norm(place.centre) > RADIUS_M * np.radians(20)
        for other in places[:n]:
            assert np.linalg.norm(place.centre - other.centre) >= found.across_m * 0.9


def test_slopes_of_parts_add_up(folder):
    found = candidate_slopes(candidate_with_slopes(folder, "c001"), Silent())
    total = sum(share * found.density[name] for name, share in found.shares.items())
    size = np.abs(found.density["score"]).max()
    np.testing.assert_allclose(found.density["score"], total, atol=0.02 * size)
    assert np.all(found.density["score"][:, ~found.is_clay] == 0)
    assert set(found.mesh.surface[~found.is_clay]) == {"dome"}


def test_a_part_falls_no_lower_than_it_can(folder):
    found = candidate_slopes(candidate_with_slopes(folder, "c001"), Silent())
    values = {"score": 2.0, "vertical_control": 1.5, "horizontal_width": 0.5, "side_effects": 0.0}
    found = replace(found, values_db=values)
    given = {
        "score": -3.0,
        "vertical_control": -1.0,
        "horizontal_width": -1.5,
        "side_effects": -0.5,
    }
    kept = found.limited({name: np.array(change) for name, change in given.items()})
    assert kept["vertical_control"] == -1.0
    assert kept["horizontal_width"] == -0.5
    assert kept["side_effects"] == 0.0
    assert kept["score"] == pytest.approx(-1.5)


def test_slopes_that_a_report_keeps_say_what_each_place_may_be_off(folder, monkeypatch):
    monkeypatch.setattr(acoustic_tolerance, "ACROSS_MM", ACROSS_MM)  # the sphere is coarse
    computed = front_tolerance(folder, "c001", Silent(), compute=True)
    assert front_tolerance(folder, "c001", Silent(), compute=False) == NOT_ASKED
    monkeypatch.setattr(make, "score_picture", lambda *_: b"")
    make.keep_clay_map(folder, "c001", Silent())
    shutil.rmtree(folder.path / "candidates" / "c001" / "surface")
    kept = front_tolerance(folder, "c001", Silent(), compute=False)
    np.testing.assert_allclose(kept.slope_db, computed.slope_db, rtol=1e-6)
    assert np.isfinite(kept.slope_db).any()
    folder.slope_path("c001").unlink()
    text = front_tolerance(folder, "c001", Silent(), compute=True)
    assert "is not known: Invalid candidate 'c001 of" in text
    assert "solve.keep_surface = true" in text


def test_bump():
    np.testing.assert_allclose(
        bump_height(np.array([0, 7.5, 15, 40]), 30.0), [1, 0.5, 0, 0], atol=1e-12
    )


PLACE = ClayPlace(
    triangle=0,
    centre=np.array([0.0, 0.001, 0.045]),
    surface="lens",
    amount_mm=3.0,
    change_db={
        "score": -0.5, "vertical_control": -0.6, "horizontal_width": 0.1, "side_effects": 0.0
    },
    from_hz=8000.0,
    to_hz=12000.0,
    is_mirrored=False,
)  # fmt: skip


def test_places_in_words():
    assert place_text(PLACE, 30.0) == (
        "add 3 mm at 45 mm above the axis (lens), over 30 mm: about -0.50 dB; most of it at 8 to "
        "12 kHz (vertical -0.60, horizontal +0.10, side effects +0.00)"
    )
    sides = replace(PLACE, centre=np.array([0.0, 0.02, 0.001]), amount_mm=-2.0, is_mirrored=True)
    assert place_text(sides, 30.0).startswith(
        "take 2 mm at 20 mm to both sides of the axis (lens)"
    )
    left = replace(PLACE, centre=np.array([0.0, -0.02, -0.01]))
    assert "at 10 mm below the axis and 20 mm to its right" in place_text(left, 30.0)


@pytest.mark.parametrize(
    ("found_db", "words"),
    [(-0.45, "90% of it: the slopes hold"), (-0.2, "less than the slopes"), (0.1, "too large")],
)
def test_trust_in_words(found_db, words):
    parts = dict.fromkeys(OBJECTIVES, 0.0)
    step = SecondStep(
        predicted_db={**parts, "score": -0.5},
        found_db={**parts, "score": found_db},
        reason="",
        believed_mm=2.0,
    )
    assert words in trust_lines([PLACE], step)[0]
    crossed = replace(step, reason="the moved surface would cross itself")
    assert "not known" in trust_lines([PLACE], crossed)[0]
    assert "not solved" in trust_lines([PLACE], None)[0]


def test_candidate_that_is_not_there(folder, tmp_path):
    request = replace(request_of(folder, tmp_path / "map"), candidate="c099")
    with pytest.raises(
        InputError, match=r"Invalid candidate 'c099'. Must be one that the run has"
    ):
        make_clay_map(request, Silent())
    assert not (tmp_path / "map").exists()


def test_nothing_kept_of_the_surface(folder, tmp_path):
    folder.drop_surface("c001")
    with pytest.raises(InputError, match="Must be one whose surface pressure was kept"):
        make_clay_map(request_of(folder, tmp_path / "map"), Silent())


def test_engine_without_slopes(write_job, tmp_path, stub, open_pool, monkeypatch):
    engine = ("[solve]", '[solve]\nengine = "bempp"')
    results = tmp_path / "results"
    folder = run_of_sphere(write_job, results, stub.methods, open_pool, monkeypatch, engine)
    with pytest.raises(InputError, match=r"Invalid engine of the run 'bempp'. Must be one with"):
        make_clay_map(request_of(folder, tmp_path / "map"), Silent())


def test_no_slope_left(folder, tmp_path, monkeypatch):
    def flat(solved, dataset, real=slopes.score_slope_of):
        found = real(solved, dataset)
        return replace(found, weights={name: 0 * g for name, g in found.weights.items()})

    monkeypatch.setattr(slopes, "score_slope_of", flat)
    with pytest.raises(InputError, match="Must be one whose score has a slope left"):
        make_clay_map(request_of(folder, tmp_path / "map"), Silent())


@pytest.fixture
def without_pictures(monkeypatch):
    monkeypatch.setattr(make, "score_picture", lambda *_: b"")
    monkeypatch.setattr(make, "parts_picture", lambda *_: b"")


@pytest.mark.usefixtures("without_pictures")
def test_no_place_is_worth_it(folder, tmp_path, monkeypatch):
    monkeypatch.setattr(places, "best_places", lambda found, amount_mm: ())
    text = make_clay_map(request_of(folder, tmp_path / "map"), Silent())
    assert "no place where a bump of 60 mm does more than 0.02 dB per mm" in text


def test_options_out_of_range(folder, tmp_path):
    with pytest.raises(InputError, match=r"Invalid option '--amount-mm' '30'. Must be above 0"):
        request_of(folder, tmp_path, amount_mm=30.0)
    with pytest.raises(
        InputError, match=r"Invalid option '--across-mm' '5'. Must be 10 to 150 mm"
    ):
        request_of(folder, tmp_path, across_mm=5.0)


def test_folder_that_holds_something(folder, tmp_path):
    (tmp_path / "map").mkdir()
    (tmp_path / "map" / "notes.txt").write_text("mine")
    with pytest.raises(StoreError, match="new or empty"):
        make_clay_map(request_of(folder, tmp_path / "map"), Silent())


@pytest.mark.usefixtures("without_pictures")
def test_the_verb_says_what_it_wrote(folder, tmp_path, capsys):
    from bafflelens.cli import main

    arguments = ["clay-map", str(folder.path), "c001", "--out", str(tmp_path / "map")]
    assert main([*arguments, "--across-mm", "60", "--no-second-step"]) == 0
    assert "pictures, table and field" in capsys.readouterr().out
    assert open_run(folder.path).name in (tmp_path / "map" / "places.txt").read_text()


@pytest.mark.usefixtures("without_figures")
def test_a_report_shows_the_map_that_was_asked_for_and_says_where_there_is_none(folder, capsys):
    def page():
        return render(view_of(folder, folder.load_job(), folder.load_record()))

    assert "No clay map was drawn of c001" in page()
    with pytest.raises(InputError, match=r"Invalid option '--clay-maps' '-1'\. Must be a whole"):
        results.report(folder.path, clay_maps=-1)
    results.report(folder.path, clay_maps=1)
    picture, text = folder.load_clay_map("c001")
    assert picture.startswith(b"\x89PNG")
    assert text.startswith("Clay map of c001")
    shown = page()
    assert "No clay map was drawn of c001" not in shown
    assert "Where to add or take clay" in shown
    assert base64.b64encode(picture).decode() in shown
    capsys.readouterr()
    results.report(folder.path, clay_maps=1)
    assert "slopes" not in capsys.readouterr().err  # it was kept, and is not drawn again
