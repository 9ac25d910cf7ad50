# SPDX-License-Identifier: GPL-3.0-or-later
"""From a run folder and a measurement to a page: surfaces, library, files, messages.

The run is one of the stubs, its surface pressure that of a small cap on a sphere, really solved.
The measurement is synthetic: the same surface at microphones that stood a little aside.
"""

import json
import re
import shutil
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import bodies
import numpy as np
import pytest
import radiating
from turntable import microphone_places

from bafflelens import store
from bafflelens.base.errors import InputError, StoreError
from bafflelens.base.progress import Silent
from bafflelens.bem.surface_pressure import SurfacePressure
from bafflelens.directivity.responses import read_response
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.mockup.comparison import compare as compare_module
from bafflelens.mockup.comparison import solved_again
from bafflelens.mockup.comparison.clay import deviation_between
from bafflelens.mockup.comparison.clay_error_shown import ShownClayError
from bafflelens.mockup.comparison.compare import PAGE, ComparisonRequest, compare
from bafflelens.mockup.comparison.data_files import CORRECTION
from bafflelens.mockup.comparison.simulation import radiator_of
from bafflelens.mockup.measurement.measured import Measured, Orbit, Setup
from bafflelens.report import style, summary
from bafflelens.scoring.model_error import MockUp, mock_ups_line, typical_error

SETUP = Setup(distance_m=1.5, remarks="synthetic: nothing was measured")
ANGLES = np.arange(-90.0, 91.0, 10.0)
MEASURED_HZ = np.geomspace(2000, 4000, 25)
FREQUENCIES = ("to_hz = 4000\nper_octave = 3", "to_hz = 4000\nper_octave = 12")


@cache
def surface_at(frequencies, radius_m=0.05):
    """A cap on a sphere with its axis forward and up a little, solved."""
    mesh = bodies.capped_sphere(0.16, np.radians(30), ("y",))
    turn = np.radians(12)
    rotation = np.array(
        [[np.cos(turn), 0, -np.sin(turn)], [0, 1, 0], [np.sin(turn), 0, np.cos(turn)]]
    )
    vertices = radius_m * mesh.vertices @ rotation.T - [radius_m, 0, 0]
    mesh = Mesh(vertices, mesh.triangles, mesh.surface)
    found = []
    for frequency in frequencies:
        k = 2 * np.pi * frequency / radiating.AIR.sound_speed
        found.append(radiating.solved(mesh, mesh.surface == "cap", k, ("y",)))
    return SurfacePressure(
        mesh=mesh,
        symmetry=("y",),
        sound_speed=radiating.AIR.sound_speed,
        frequencies_hz=np.array(frequencies),
        pressure=np.stack([one.surface_pressure for one in found], axis=1).astype(np.complex64),
        gradient=np.stack([one.problem.pressure_gradient for one in found], axis=1).astype(
            np.complex64
        ),
    )


@pytest.fixture(scope="module")
def finished(tmp_path_factory, run_in):
    """A finished run whose c001 has a surface; tests take copies of it."""
    run = run_in(tmp_path_factory.mktemp("finished"), "", FREQUENCIES)
    frequencies = tuple(run.load_directivity("c001")["frequency"].values.tolist())
    run.save_surface("c001", 0, surface_at(frequencies))
    return run


@pytest.fixture
def folder(finished, tmp_path, monkeypatch):
    monkeypatch.setattr(summary, "leader_pictures", lambda *_: ())
    monkeypatch.setattr(summary, "_target_picture", lambda loaded: b"")
    results = shutil.copytree(finished.path.parent, tmp_path / "results")
    return store.open_run(results / finished.path.name)


@pytest.fixture
def request_of(folder, tmp_path):
    def make(**changes):
        settings = {
            "run": folder.path,
            "candidate": "c001",
            "measurement": tmp_path / "mock_up.toml",
            "out": tmp_path / "compared",
            **changes,
        }
        return ComparisonRequest(**settings)

    return make


def read(_path, offset_m=0.01, radius_m=0.05):
    surface = surface_at(tuple(MEASURED_HZ.tolist()), radius_m)
    orbits = []
    for name in ("horizontal", "vertical"):
        shift = (offset_m, 0.0, 0.0)
        points = microphone_places(SETUP, name, ANGLES, rotation_offset_m=shift)
        pressure = [
            surface.at_microphones(n, points, np.ones(1))[0] for n in range(MEASURED_HZ.size)
        ]
        orbits.append(
            Orbit(
                name=name,
                angles_deg=ANGLES,
                pressure=np.array(pressure).T[np.newaxis],
                valid=np.ones((ANGLES.size, MEASURED_HZ.size), dtype=bool),
                noise=None,
                setup=SETUP,
            )
        )
    return Measured(
        title="Cap <on> a sphere (synthetic)",
        frequencies_hz=MEASURED_HZ,
        orbits=tuple(orbits),
        setup=SETUP,
        has_phase=True,
        remarks=("two orbits",),
    )


class Told(Silent):
    """Progress that counts."""

    total = done = 0.0

    @contextmanager
    def bar(self, total, label=""):
        self.total += total

        def advance(amount, text=""):
            self.done += amount

        yield advance


def test_from_files_to_a_page(request_of, folder, tmp_path, monkeypatch):
    monkeypatch.setattr(style, "_PIXELS_PER_INCH", 40)  # faster to draw
    told = Told()
    found = compare(request_of(scan=(folder.path, "c001")), read, told)
    assert told.total == told.done == pytest.approx(13)  # two orbits, seven pictures
    assert found.seconds == pytest.approx(sum(found.seconds_by_step.values()))
    for fit in found.comparison.fits.values():
        assert fit.deviation.forward_m == pytest.approx(0.01, abs=fit.uncertainty[1])
    page = found.page.read_text()
    assert found.page == tmp_path / "compared" / PAGE
    for text in (
        "Cap &lt;on&gt; a sphere (synthetic)",
        "synthetic: nothing was measured",
        "Agrees within 1 dB",
        "So far 1 candidate compared with a mock-up without a name, typical error 0.0 dB up to",
        "one overall level, without bounds. Nothing else.",
        "directivity index, dB",
        "What was done to the measurement, and seen of it",
        "what its shape is off by at all angles alike is in it",
    ):
        assert text in page, text
    assert "http://" not in page
    assert "https://" not in page
    files = {path.name for path in found.page.parent.iterdir()}
    assert {"maps.png", "curves.png", "widths.png", "response.png", "errors.png"} <= files
    assert {"three_way.png", "split.png"} <= files
    assert {"comparison.json", "errors.csv", CORRECTION} <= files
    assert json.loads((found.page.parent / "comparison.json").read_text())["candidate"] == "c001"
    correction = read_response(found.page.parent / CORRECTION)
    assert np.abs(correction.level_db).max() < 0.1  # the source moves as simulated
    assert np.abs(correction.phase_deg).max() < 1
    # Every later report carries the line, and the same compared again counts once.
    (kept,) = store.load_mock_ups(folder.path.parent)
    assert store.add_mock_up(folder.path.parent, kept) == (kept,)
    view = summary.view_of(folder, folder.load_job(), folder.load_record())
    assert found.library_line in view.remarks
    # The scan is a candidate too: here the very same one.
    assert found.comparison.three_way is not None
    assert found.comparison.settings.clay.walls_m < 1e-12
    assert "Clay or model: three ways" in page


# ----------------------------------------------------------------------------- messages


def test_without_a_kept_surface(request_of):
    message = "with --solve it is solved once more and kept"
    with pytest.raises(InputError, match=re.escape(message)):
        compare(request_of(candidate="c002"), read, Silent())


def test_solved_once_more(request_of, folder, stub):
    """The stub solves but keeps nothing, which is one clear line; what it is asked for is seen."""
    wanted = folder.load_directivity("c002")["frequency"].values
    stub.solved.clear()
    with pytest.raises(InputError, match=re.escape("one that can be solved again")):
        radiator_of(folder, "c002", solve_again=True, progress=Silent(), methods=stub.methods)
    assert set(stub.solved[0]) <= set(wanted)


def test_it_is_not_solved_again_with_more_memory_than_there_is(folder, stub, monkeypatch):
    monkeypatch.setattr(solved_again, "usable_memory", lambda: 1e6)
    stub.solved.clear()
    with pytest.raises(
        InputError, match=r"Must be one that can be solved again \(.* Hz: it needs"
    ):
        radiator_of(folder, "c002", solve_again=True, progress=Silent(), methods=stub.methods)
    assert not stub.solved


def test_solved_once_more_and_kept(folder, stub):
    def solve_band(mesh, motions, band, *, keep_surface, **settings):
        assert keep_surface
        result = stub.solve_band(mesh, motions, band, **settings)
        return replace(result, surface=surface_at(tuple(band.frequencies_hz)))

    methods = replace(stub.methods, solve_band=solve_band)
    found = radiator_of(folder, "c002", solve_again=True, progress=Silent(), methods=methods)
    wanted = folder.load_directivity("c002")["frequency"].values
    np.testing.assert_allclose(found.frequencies_hz, wanted)
    again = radiator_of(folder, "c002", progress=Silent())  # nothing is solved now
    np.testing.assert_allclose(again.frequencies_hz, wanted)
    warm = again.in_air(1.01 * again.sound_speed)
    np.testing.assert_allclose(warm.frequencies_hz, 1.01 * wanted)
    points = 1.5 * radiating.around(np.radians([0.0, 40.0]))
    for one, other in zip(
        again.at(points, np.array([0, 3])), warm.at(points, np.array([0, 3])), strict=True
    ):
        np.testing.assert_array_equal(one, other)  # equal wavelengths, equal pressure


def test_candidate_that_is_not_there(request_of):
    with pytest.raises(InputError, match=re.escape("Invalid candidate 'c099'. Must be one that")):
        compare(request_of(candidate="c099"), read, Silent())


def test_source_that_is_not_there(request_of):
    with pytest.raises(InputError, match=re.escape("Invalid source 'horn'. Must be one of tweet")):
        compare(request_of(source="horn"), read, Silent())


def test_options_out_of_range(request_of):
    with pytest.raises(InputError, match=re.escape("Invalid option '--within' '0'. Must be from")):
        request_of(within_db=0)
    with pytest.raises(InputError, match=re.escape("Invalid option '--smoothing' '0'. Must be a")):
        request_of(smoothing=0)


def test_folder_that_holds_something(request_of, tmp_path):
    (tmp_path / "compared").mkdir()
    (tmp_path / "compared" / "notes.txt").write_text("mine")
    with pytest.raises(StoreError, match="new or empty: nothing is overwritten"):
        compare(request_of(), read, Silent())
    assert (tmp_path / "compared" / "notes.txt").read_text() == "mine"


def test_damaged_library_is_one_clear_line(request_of, folder):
    (folder.path.parent / "mockups.json").write_text('{"mock_ups": [{"key"')
    with pytest.raises(StoreError, match="a library of mock-ups written by bafflelens"):
        compare(request_of(), read, Silent())
    assert not request_of().out.exists()


# ------------------------------------------------------------------------------ library


def mock_up(number, rms):
    return MockUp(
        key=str(number),
        run="run",
        candidate="c001",
        measurement="clay",
        compared_utc="2026-11-25T20:00:00Z",
        bands_hz=(1000.0, 2000.0, 4000.0),
        rms_db=rms,
        agrees_to_hz=2000.0,
    )


@pytest.fixture
def without_page(monkeypatch):
    """Leave out the pictures, which take most of the time."""
    monkeypatch.setattr(compare_module, "pictures_of", lambda *_: {})
    monkeypatch.setattr(compare_module, "page_of", lambda *_: "")


@pytest.mark.usefixtures("without_page")
def test_a_mock_up_counts_once_however_often_it_is_compared(request_of, folder, tmp_path):
    """Eleven comparisons of one clay are one mock-up, by the name in its description."""
    for number, (name, offset) in enumerate([("clay 3", 0.01), ("Clay  3", 0.005), ("", 0.01)]):
        wanted = request_of(out=tmp_path / f"compared {number}")
        found = compare(
            wanted, lambda path, m=offset, n=name: replace(read(path, m), mock_up=n), Silent()
        )
        kept = store.load_mock_ups(folder.path.parent)
        assert len(kept) == (2 if number == 2 else 1)
        unnamed = " and 1 candidate compared with a mock-up without a name" if number == 2 else ""
        assert f"So far 1 mock-up{unnamed}, typical" in found.library_line


@pytest.mark.usefixtures("without_page")
def test_a_faulty_set_up_does_not_count(request_of, folder):
    def dead(path):
        measured = read(path)
        for orbit in measured.orbits[:1]:
            orbit.pressure[:, orbit.angles_deg == 20.0] *= 1e-3
        return measured

    found = compare(request_of(), dead, Silent())
    assert store.load_mock_ups(folder.path.parent) == ()
    assert found.library_line.startswith(
        "Not counted among the mock-ups, since its set-up is faulty (horizontal orbit: level at "
    )


def test_comparisons_of_an_older_library_are_put_together(tmp_path):
    old = [vars(mock_up(number, (0.2, 0.4, 1.0))) for number in range(11)]
    (tmp_path / "mockups.json").write_text(json.dumps({"format": 1, "mock_ups": old}))
    assert len(store.load_mock_ups(tmp_path)) == 1


def test_typical_error_of_several(tmp_path):
    store.add_mock_up(tmp_path, mock_up(1, (0.2, 0.4, 1.0)))
    store.add_mock_up(tmp_path, mock_up(2, (0.4, 0.8, 4.0)))
    found = store.add_mock_up(tmp_path, mock_up(3, (0.6, 0.6, 3.0)))
    assert store.load_mock_ups(tmp_path) == found
    typical = typical_error(found)
    assert typical.n_mock_ups == 3
    assert typical.to_hz == pytest.approx(2000 * 2 ** (1 / 6))
    assert typical.error_db == pytest.approx(0.5)
    assert mock_ups_line(found).startswith("So far 3 mock-ups, typical error 0.5 dB up to 2.2 kHz")
    assert "above 1.5 dB in every band" in mock_ups_line([mock_up(1, (2.0, 3.0, 4.0))])
    assert mock_ups_line([]) == ""


def test_deviation_of_the_clay():
    mesh = bodies.capped_sphere(0.12, np.radians(20))
    motion = SourceMotion(
        name="tweeter",
        axis=(1.0, 0.0, 0.0),
        centre=(0.1, 0.0, 0.0),
        piston_surfaces=("cap",),
        taper_surfaces=(),
        inner_radius_m=0.034,
        outer_radius_m=0.034,
    )
    nominal = Mesh(0.1 * mesh.vertices, mesh.triangles, mesh.surface)
    clay = Mesh(0.101 * mesh.vertices, mesh.triangles, mesh.surface)
    found = deviation_between(nominal, clay, motion)
    assert found.walls_m == pytest.approx(0.001, rel=0.05)
    assert found.throat_m == pytest.approx(0.001, rel=0.05)
    assert replace(found, walls_m=0.0).walls_m == 0


# ------------------------------------------------------------------ where the clay is wrong


@pytest.fixture
def looked_for(monkeypatch):
    """Count how often it was looked for, which takes long, and let it be found nowhere.

    There are no pictures: those of a comparison are drawn in `test_from_files_to_a_page`.
    """
    calls = []
    names = ("maps", "curves", "widths", "response", "errors")
    monkeypatch.setattr(compare_module, "pictures_of", lambda *_: dict.fromkeys(names, b""))
    monkeypatch.setattr(compare_module, "find_clay_error", lambda *given: calls.append(given))
    return calls


def test_the_clay_is_looked_at_where_no_scan_tells_and_the_difference_is_large(
    request_of, looked_for, tmp_path
):
    """What agrees is left alone, and so is what would take long; either can be asked for."""
    compare(request_of(within_db=10.0), read, Silent())
    assert not looked_for
    found = compare(
        request_of(within_db=10.0, with_clay_error=True, out=tmp_path / "asked"), read, Silent()
    )
    assert len(looked_for) == 1
    assert found.clay_lines == ("Too little was compared to tell where the clay is wrong.",)
    assert "Where the clay may be wrong</h2>" in found.page.read_text()
    compare(request_of(with_clay_error=False, out=tmp_path / "not"), read, Silent())
    assert len(looked_for) == 1


@pytest.mark.parametrize("asked", [None, True])
def test_clay_is_not_blamed_for_what_the_dome_does(request_of, looked_for, monkeypatch, asked):
    """Unless somebody asks; then the caution comes first."""
    dome = SimpleNamespace(verdict="dome", text="Dome of tweeter: lags.")
    monkeypatch.setattr(compare_module, "dome_motions_of", lambda *_: "some")
    monkeypatch.setattr(compare_module, "fit_dome", lambda *_: dome)
    monkeypatch.setattr(compare_module, "page_of", lambda *_: "")
    monkeypatch.setattr(compare_module, "data_files", lambda *_: {})
    monkeypatch.setattr(
        compare_module, "shown_clay_error", lambda *_: ShownClayError(lines=("x",))
    )
    monkeypatch.setattr(
        compare_module, "find_clay_error", lambda *given: looked_for.append(given) or "found"
    )
    request = request_of(within_db=0.1, with_clay_error=asked)
    found = compare(request, lambda path: read(path, radius_m=0.06), Silent())
    assert found.clay_lines[0].startswith("The dome's motion explains the difference")
    assert len(looked_for) == (asked is True)
    assert found.clay_lines[1:] == (("x",) if asked else ())


def test_what_takes_long_is_offered(request_of, looked_for, monkeypatch):
    monkeypatch.setattr(compare_module, "_QUICK", 0.0)
    monkeypatch.setattr(compare_module, "clay_error_products", lambda *_: 4.2e11)
    found = compare(request_of(within_db=0.1), lambda path: read(path, radius_m=0.06), Silent())
    assert found.clay_lines == (
        "Where the clay may be wrong takes about 4 minutes: --clay-error.",
    )
    assert not looked_for
