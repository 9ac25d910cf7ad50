# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs of shapes with several sources and of measured drivers: what is solved, kept and judged."""

import re
from dataclasses import replace

import numpy as np
import patterns
import pytest

from bafflelens import store
from bafflelens.base.errors import InputError
from bafflelens.base.progress import Silent
from bafflelens.cli import main
from bafflelens.directivity.driver import Driver
from bafflelens.directivity.loudspeaker import DrivenLoudspeaker, MeasuredDriver, play
from bafflelens.directivity.polars import on_axis
from bafflelens.directivity.responses import Response
from bafflelens.job.job_file import load_job
from bafflelens.job.score_sections import ListeningSection
from bafflelens.listen.shapes_heard import jobs_heard
from bafflelens.report.summary import view_of
from bafflelens.run.crossover_tuning import tune_candidate
from bafflelens.run.pipeline import resume_run, run_job
from bafflelens.store import open_run
from bafflelens.store.system_response import played

CROSSOVER = """
[crossover]
mode = "MODE"
[crossover.tweeter]
high_pass = { order = 4, frequency_hz = 2500 }
[crossover.midrange]
low_pass = { order = 4, frequency_hz = 2500 }
"""
DRIVERS = """
[driver.tweeter]
response_file = "tweeter.txt"
removed_delay_ms = 2.9137529137529  # 1 m: the phases are without the flight time
[driver.tweeter.plate]
script = "plate.py"
[driver.midrange]
response_file = "midrange.txt"
quantity = "acceleration"
"""
SEARCH = """
[crossover.search]
from_hz = 2200
to_hz = 3000
slopes = ["linkwitz-riley 4", "bessel 3"]
delay_ms = 0
"""
FLAT_80 = "1000 80 0\n2000 80 0\n5000 80 0\n"  # dB re 20 uPa
FLAT_20 = "1000 20 0\n2000 20 0\n5000 20 0\n"  # 10 m/s^2

FREQUENCIES = 1000 * 10 ** (np.arange(3, 7) / 10)


@pytest.fixture
def job(write_job):
    """Return a function that writes the small job with more sections and text files."""

    def write(*sections, midrange=True):
        path = write_job(
            ("[search]", "\n".join([*sections, "[search]"])), ("candidates = 3", "candidates = 2")
        )
        script, plate = path.parent / "lens.py", path.parent / "plate.py"
        plate.write_text((path.parent / "plain.py").read_text())
        if midrange:
            text = script.read_text()
            start = text.index("        {\n")
            entry = text[start : text.index("    ]\n", start)]
            both = entry + "," + entry.replace('"tweeter"', '"midrange"')
            script.write_text(text.replace(entry, both))
        (path.parent / "tweeter.txt").write_text(FLAT_80)
        (path.parent / "midrange.txt").write_text(FLAT_20)
        return path

    return write


def only_run(options):
    (path,) = options.results.iterdir()
    return open_run(path)


def test_candidates_with_two_sources_are_judged_as_their_sum(job, options):
    result = run_job(job(CROSSOVER.replace("MODE", "acoustic-target")), options)
    assert not result.has_failures
    assert [row.status for row in result.rows] == ["ranked"] * 3
    folder = only_run(options)
    solved = folder.load_directivity("c001")
    assert list(solved["source"].values) == ["tweeter", "midrange"]
    heard = played(folder, folder.load_job(), solved)
    assert list(heard["source"].values) == ["sum"]
    assert "rated_voltage_v" not in heard.attrs
    loaded = folder.load_job()
    silent = replace(loaded, loudspeaker=replace(loaded.loudspeaker, crossover=None))
    unsummed = played(folder, silent, solved)
    with pytest.raises(InputError, match=r"sum of sources 'tweeter, midrange'. Must be given a t"):
        on_axis(unsummed)


def test_a_plate_is_solved_kept_not_ranked_and_gives_the_level_of_the_measurement(job, options):
    result = run_job(job(CROSSOVER.replace("MODE", "electrical"), DRIVERS), options)
    assert not result.has_failures
    assert [row.candidate.id for row in result.rows if row.status == "ranked"]
    assert "plate_tweeter" not in {row.candidate.id for row in result.rows}
    assert len(result.rows) == 3
    folder = only_run(options)
    assert [c.id for c in folder.candidates()][:2] == ["baseline", "plate_tweeter"]
    assert folder.has_directivity("plate_tweeter")
    kept = {path.relative_to(folder.path).as_posix() for path in folder.path.rglob("*.*")}
    assert "tables/driver.tweeter.response_file.txt" in kept
    assert "shapes/driver.tweeter.plate/plate.py" in kept

    # Tweeter: 80 dB at 1 m in the plate, which has 0.5j Pa there. Midrange: 10 m/s^2.
    loaded = folder.load_job()
    solved = folder.load_directivity("c001")
    heard = played(folder, loaded, solved)
    assert heard.attrs["rated_voltage_v"] == 2.83
    np.testing.assert_array_equal(heard["strength_db"].values, 0)
    high, low = (way.at(FREQUENCIES).conj() for way in loaded.loudspeaker.crossover.ways)
    # The stub gives the first source 1 Pa.m on the axis and the second 2 Pa.m for 1 m/s^2.
    pressure = 20e-6 * 1e4 * np.exp(2j * np.pi * FREQUENCIES / solved.attrs["air_sound_speed_m_s"])
    expected = high * pressure / 0.5j + low * 10 * 2
    np.testing.assert_allclose(on_axis(heard), expected, rtol=1e-5)


def test_without_a_crossover_a_driver_sets_the_height_shown_but_not_the_score(
    job, options, tmp_path
):
    one_driver = DRIVERS[: DRIVERS.index("[driver.midrange]")]
    plain = run_job(job(midrange=False), replace(options, results=tmp_path / "plain"))
    result = run_job(job(one_driver, midrange=False), options)
    scores = [repr([row.candidate.score for row in rows]) for rows in (plain.rows, result.rows)]
    assert scores[0] == scores[1]  # as text, since NaN is not itself
    folder = only_run(options)
    view = view_of(folder, folder.load_job(), folder.load_record())
    for candidate in view.views:
        strength_db = candidate.dataset["strength_db"].values
        np.testing.assert_allclose(strength_db, 80 + 20 * np.log10(20e-6 / 0.5), atol=1e-6)
    assert any("dB re 20 µPa at 1 m for 2.83 V" in remark for remark in view.remarks)
    assert {candidate.id for candidate in view.views} == {"baseline", "c001", "c002"}


def test_outside_the_measured_band_it_is_masked_or_held():
    response = Response(
        name="narrow.txt",
        frequency_hz=np.array([2200.0, 2800.0, 3500.0]),
        level_db=np.array([80.0, 80.0, 86.0]),
        phase_deg=np.zeros(3),
    )
    driver = Driver(name="tweeter", quantity="acceleration", response=response, voltage_v=2.83)
    known = (MeasuredDriver(driver=driver),)
    solved = patterns.point_sources([[0, 0, 0]], ["tweeter"], FREQUENCIES)
    held = play(solved, DrivenLoudspeaker(drivers=known, outside_band="hold"), {})[
        "strength_db"
    ].values
    assert held[-1] - held[0] == pytest.approx(6)  # 1995 and 3981 Hz, beyond both ends
    masked = play(solved, DrivenLoudspeaker(drivers=known), {})["strength_db"].values
    np.testing.assert_array_equal(np.isfinite(masked), [False, True, True, False])


def test_a_plate_that_fails_fails_what_needs_it_until_it_is_there(job, stub, options):
    path = job(CROSSOVER.replace("MODE", "electrical"), DRIVERS)
    calls = {"plate": 0}

    def fail(values):
        # The plan meshes baseline and plate once; then come baseline and plate of the run.
        is_plain = "lens.depth_mm" not in values
        calls["plate"] += is_plain
        return is_plain and calls["plate"] == 4

    stub.fail_mesh = fail
    result = run_job(path, options)
    assert result.has_failures
    assert {row.status for row in result.rows} == {"failed"}
    reason = "score: Invalid plate of driver 'tweeter' 'plate_tweeter'. Must be solved before"
    assert all(row.reasons[0].startswith(reason) for row in result.rows)
    stub.fail_mesh = lambda values: False
    stub.solved.clear()
    again = resume_run(only_run(options).path, options)
    assert not again.has_failures
    assert [row.status for row in again.rows] == ["ranked"] * 3
    assert len(stub.solved) == 4  # only the bands of the plate
    record = only_run(options).load_record()
    assert [task for task in record.tasks if task.status == store.FAILED] == []


def test_an_interrupted_run_goes_on_with_its_copies(job, stub, options):
    path = job(CROSSOVER.replace("MODE", "electrical"), DRIVERS)

    def interrupt(band):
        if len(stub.solved) == 9:
            raise KeyboardInterrupt

    stub.on_solve = interrupt
    with pytest.raises(KeyboardInterrupt):
        run_job(path, options)
    for name in ("tweeter.txt", "midrange.txt", "plate.py"):
        (path.parent / name).unlink()
    stub.on_solve = lambda band: None
    result = resume_run(only_run(options).path, options)
    assert [row.status for row in result.rows] == ["ranked"] * 3
    assert len(stub.solved) == 4 * 4


# ------------------------------------------------------------------------ bafflelens crossover
def test_a_crossover_is_searched_and_kept(job, options, capsys):
    text = CROSSOVER.replace("MODE", "acoustic-target")
    path = job(text + SEARCH)
    run_job(path, options)
    folder = only_run(options)
    before = folder.candidates()
    assert main(["crossover", str(folder.path), "c001"]) == 0
    printed = capsys.readouterr()
    assert "Crossover between midrange and tweeter" in printed.out
    assert re.search(r"as in the job +2500 +linkwitz-riley 4 +normal", printed.out)
    assert re.search(
        r"best: the ways hand over at \d+ Hz, with the vertical lobe\s+tilted", printed.out
    )
    assert re.search(r"trying \d+ crossovers; nothing is solved again", printed.err)
    kept = folder.path / "candidates" / "c001" / "crossover_1.toml"
    picture = kept.with_suffix(".png").read_bytes()
    assert picture.startswith(b"\x89PNG")
    assert repr(folder.candidates()) == repr(before)  # nothing in the ranking changes

    other = path.with_name("other.toml")  # another job may say what is tried
    other.write_text(path.read_text().replace("frequency_hz = 2500", "frequency_hz = 3000"))
    assert main(["crossover", str(folder.path), "c001", "--job", str(other)]) == 0
    assert re.search(r"as in the job +3000 ", capsys.readouterr().out)
    assert kept.with_name("crossover_2.toml").read_text() != kept.read_text()


def test_what_was_found_is_a_section_of_a_job(job, options):
    text = CROSSOVER.replace("MODE", "electrical")
    network = 'network_file = "midrange.txt"\ndelay_ms = 0.01\n'
    run_job(job(text + network + SEARCH, DRIVERS), options)
    folder = only_run(options)
    found = tune_candidate(folder, folder.load_job(), "c001", Silent())
    again = load_job(job(found.toml.read_text(encoding="utf-8"), DRIVERS))
    (entry,) = [entry for entry in folder.candidates() if entry.id == "c001"]
    assert found.own.score.total_db == pytest.approx(entry.score.total_db)
    best = found.trials[0].crossover
    for way, other in zip(best.ways, again.loudspeaker.crossover.ways, strict=True):
        frequency = np.geomspace(500, 8000, 30)
        np.testing.assert_allclose(way.at(frequency), other.at(frequency), rtol=1e-3)
    judged = played(folder, again, folder.load_directivity("c001"))
    assert judged.attrs["rated_voltage_v"] == 2.83


LISTENING = '[listening]\ncrossover = "each its best"'


def test_each_shape_may_be_heard_through_its_own_best_crossover(job, options):
    text = CROSSOVER.replace("MODE", "acoustic-target")
    run_job(job(text + SEARCH, LISTENING), options)
    folder = only_run(options)
    loaded, names = folder.load_job(), ("c001",)
    (own,), (remark,) = jobs_heard(folder, loaded, names, Silent())
    best = tune_candidate(folder, loaded, "c001", Silent()).trials[0]
    assert own.loudspeaker.crossover == best.crossover != loaded.loudspeaker.crossover
    assert remark == f"c001 plays through the best crossover found for it: {best.text}"
    same = replace(loaded, job=loaded.job.model_copy(update={"listening": ListeningSection()}))
    assert jobs_heard(folder, same, ("c001", "baseline"), Silent()) == (
        (same, same),
        ("all shapes play through the crossover of the job",),
    )


def test_each_its_best_needs_a_crossover(job):
    with pytest.raises(InputError, match=r"'each its best'. Must be 'same' in a job without a se"):
        load_job(job(LISTENING, midrange=False))


def test_what_cannot_be_searched_is_said(job, options, capsys):
    run_job(job(midrange=False), options)
    path = str(only_run(options).path)
    assert main(["crossover", path, "c001"]) == 2
    assert re.search(r"Invalid job '.*'. Must be one with a section", capsys.readouterr().err)
    assert main(["crossover", path, "c099"]) == 2
    assert "Invalid candidate 'c099'. Must be one of baseline, c001" in capsys.readouterr().err


def test_a_candidate_that_is_not_solved_cannot_be_searched(job, stub, options, capsys):
    stub.fail_mesh = lambda values: len(stub.meshed) > 3 and "lens.depth_mm" in values
    run_job(job(CROSSOVER.replace("MODE", "acoustic-target")), options)
    path = str(only_run(options).path)
    assert main(["crossover", path, "c002"]) == 2
    assert "Invalid candidate 'c002'. Must be one that was solved." in capsys.readouterr().err
    assert main(["crossover", path, "baseline"]) == 2  # it has a tweeter only
    assert "Invalid ways of the shape to be searched 'tweeter'" in capsys.readouterr().err
