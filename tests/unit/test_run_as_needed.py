# SPDX-License-Identifier: GPL-3.0-or-later
"""The run pipeline where frequencies are solved as needed, with the stubs of `test_run`."""

from pathlib import Path

import numpy as np
import pytest

from bafflelens import report, store
from bafflelens.directivity.far_field_data import far_field, is_solved
from bafflelens.directivity.interpolated import shown
from bafflelens.job.cost_estimate import job_bands, make_plan
from bafflelens.job.job_file import load_job
from bafflelens.job.sampling import draw
from bafflelens.mesh.quality import band_of
from bafflelens.report import summary
from bafflelens.report.summary import view_of
from bafflelens.run.options import RunOptions
from bafflelens.run.pipeline import resume_run, run_job
from bafflelens.scoring.ranking import WARNING
from bafflelens.store import open_run

# Left out, per_octave is as needed; two shapes suffice.
AS_NEEDED = (("per_octave = 3\n", ""), ("candidates = 3", "candidates = 1"))
R80 = 1000 * 10 ** (np.arange(24, 49) / 80)  # 1995 to 3981 Hz
FIRST = 5  # so many frequencies the small body needs at first
SHAPES = 2


@pytest.fixture
def options(tmp_path, stub, open_pool, monkeypatch):
    def write_stub_report(view, path: Path) -> None:
        path.write_text(view.title, encoding="utf-8")

    monkeypatch.setattr(report, "write_report", write_stub_report)
    monkeypatch.setattr(summary, "leader_pictures", lambda *_: ())
    monkeypatch.setattr(summary, "_target_picture", lambda loaded: b"")
    return RunOptions(results=tmp_path / "results", methods=stub.methods, open_pool=open_pool)


def only_run(options):
    (path,) = options.results.iterdir()
    return open_run(path)


def datasets(options):
    folder = only_run(options)
    return {c.id: folder.load_directivity(c.id) for c in folder.candidates()}


def expected(stub, dataset, frequency_hz):
    """What the stub would have solved at other frequencies, all directions."""
    solved = dataset["frequency"].values
    factor = 1 + 0.5 * np.exp(2j * np.pi * solved * stub.echo_s)
    level = far_field(dataset).values[0, 0] / factor[0]
    return np.outer(1 + 0.5 * np.exp(2j * np.pi * frequency_hz * stub.echo_s), level)


def test_what_is_smooth_is_solved_once(write_job, stub, options):
    result = run_job(write_job(*AS_NEEDED), options)
    assert not result.has_failures
    assert [row.status for row in result.rows] == ["ranked"] * SHAPES
    assert sum(map(len, stub.solved)) == SHAPES * FIRST
    for dataset in datasets(options).values():
        assert dataset.sizes["frequency"] == FIRST
        np.testing.assert_allclose(dataset["shown_frequency"].values, R80)
        assert dataset["interpolation_error_db"].values.max() < 1.0
        found = shown(dataset)
        np.testing.assert_allclose(found["frequency"].values, R80)
        assert is_solved(found).all()


def test_more_is_solved_where_the_estimate_asks_for_it(write_job, stub, options):
    stub.echo_s = 1.5e-3
    result = run_job(write_job(*AS_NEEDED), options)
    assert not result.has_failures
    folder = only_run(options)
    tasks = [task.task for task in folder.load_record().tasks if task.candidate == "c001"]
    assert len(tasks) == len(set(tasks))
    assert any(task.endswith("pass 2") for task in tasks)
    for dataset in datasets(options).values():
        assert FIRST < dataset.sizes["frequency"] < len(R80)
        found = shown(dataset)
        assert dataset["interpolation_error_db"].values.max() <= 1.0
        true = expected(stub, dataset, R80)
        off = np.abs(20 * np.log10(np.abs(far_field(found).values[0] / true)))
        assert off.max() < 1.0
        assert not (folder.path / "candidates" / "c001" / "bands").exists()
    assert "c001 pass 2: " in (folder.path / "log.txt").read_text(encoding="utf-8")


def test_all_candidates_are_judged_at_the_same_frequencies(write_job, stub, options):
    stub.echo_s = 1.5e-3
    run_job(write_job(*AS_NEEDED), options)
    folder = only_run(options)
    view = view_of(folder, folder.load_job(), folder.load_record())
    for entry in view.views:
        np.testing.assert_allclose(entry.dataset["frequency"].values, R80)
        assert entry.solved is not None
        assert entry.solved.sizes["frequency"] < len(R80)


@pytest.mark.parametrize("before", [2, 6, 9])
def test_resume_in_the_middle_of_refining_ends_as_an_undisturbed_run(
    write_job, stub, options, tmp_path, before
):
    stub.echo_s = 1.5e-3
    job = write_job(*AS_NEEDED)
    undisturbed = run_job(job, RunOptions(**{**vars(options), "results": tmp_path / "other"}))
    total = len(stub.solved)
    stub.solved.clear()

    def interrupt(band):
        if len(stub.solved) == before:
            raise KeyboardInterrupt

    stub.on_solve = interrupt
    with pytest.raises(KeyboardInterrupt):
        run_job(job, options)
    stub.on_solve = lambda band: None
    resumed = resume_run(only_run(options).path, options)
    assert len(stub.solved) == total  # nothing is solved twice
    assert repr(resumed.rows) == repr(undisturbed.rows)
    for id_, dataset in datasets(options).items():
        other = undisturbed.folder.load_directivity(id_)
        np.testing.assert_array_equal(dataset["frequency"].values, other["frequency"].values)


def test_a_failed_frequency_that_its_neighbours_make_up_for_is_said(write_job, stub, options):
    stub.failing_hz = 2950.0
    result = run_job(write_job(*AS_NEEDED), options)
    assert result.has_failures  # a failed frequency is never silent
    assert [row.status for row in result.rows] == ["ranked"] * SHAPES
    assert result.rows[0].candidate.reasons[0].endswith("Hz failed: it did not converge")


def test_a_failed_end_is_not_ranked_silently(write_job, stub, options):
    stub.failing_hz = R80[-1]
    result = run_job(write_job(*AS_NEEDED), options)
    assert {row.status for row in result.rows} == {"incomplete"}
    assert any("nothing to interpolate between: 3981 Hz" in r for r in result.rows[0].reasons)


def test_what_cannot_be_resolved_is_a_warning(write_job, stub, options):
    stub.echo_s = 8e-3  # a period of 125 Hz
    result = run_job(write_job(*AS_NEEDED), options)
    assert not result.has_failures
    for row in result.rows:
        (reason,) = row.candidate.reasons
        assert reason.startswith(f"{WARNING}between the solved frequencies the level may be off")


def test_a_stopped_pass_that_was_all_done_is_not_done_again(write_job, stub, options):
    run_job(write_job(*AS_NEEDED), options)
    folder = only_run(options)
    folder.update_candidate("c001", status=store.WAITING)
    stub.solved.clear()
    assert [row.status for row in resume_run(folder.path, options).rows] == ["ranked"] * SHAPES
    assert stub.solved == []


def test_the_best_is_meshed_again_at_the_same_bands(write_job, stub, options):
    run_job(write_job(*AS_NEEDED, ("remeshes = 0", "remeshes = 2")), options)
    assert only_run(options).load_record().remeshing is not None
    assert sum(map(len, stub.solved)) == (SHAPES + 2) * FIRST


def test_the_plan_leaves_room_for_more_frequencies(write_job, stub):
    listed, needed = (
        make_plan(loaded, draw(loaded), workers=1, mesh=stub.mesh_shape)
        for loaded in (load_job(write_job()), load_job(write_job(*AS_NEEDED)))
    )
    assert listed.refining_seconds == 0
    assert needed.refining_seconds > 0
    at_first = sum(cost.seconds for cost in needed.band_costs)
    assert needed.solve_seconds == pytest.approx(at_first + needed.refining_seconds)
    assert needed.n_frequencies == FIRST


def test_bands_hold_every_frequency_that_may_be_added(write_job):
    wide = (("from_hz = 2000", "from_hz = 500"), ("to_hz = 4000", "to_hz = 20000"))
    loaded = load_job(write_job(*AS_NEEDED, *wide))
    bands = job_bands(loaded, 0.4)
    ends = [band.mesh_frequency_hz for band in bands]
    assert ends == sorted(ends)
    assert ends[-1] == pytest.approx(1000 * 10 ** (104 / 80))
    for band in bands:
        assert band.mesh_frequency_hz >= band.frequencies_hz[-1]
    for frequency in np.linspace(500, ends[-1], 200):
        number = band_of(float(frequency), bands)
        assert bands[number].mesh_frequency_hz >= frequency * (1 - 1e-9)
        assert number == 0 or bands[number - 1].mesh_frequency_hz < frequency
    # The lowest and the highest mesh do not depend on the size of the body.
    for size in (0.1, 1.0):
        other = job_bands(loaded, size)
        assert other[-1].mesh_frequency_hz == ends[-1]
        assert other[0].mesh_frequency_hz == pytest.approx(ends[0], rel=0.02)
