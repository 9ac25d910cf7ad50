# SPDX-License-Identifier: GPL-3.0-or-later
"""The run pipeline with stubs for mesher, solver and workers: what is kept, skipped, resumed."""

import json
from contextlib import contextmanager
from dataclasses import replace
from itertools import islice

import pytest

from bafflelens import store
from bafflelens.base.errors import BafflelensError, InputError, JobError, StoreError
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.job.solve_costs import band_memory
from bafflelens.mesh.quality import MeshSize
from bafflelens.report.summary import rank_run, view_of
from bafflelens.report.words import grouped_failures, verdict
from bafflelens.run.mesh_repeatability import scaled, size_factor
from bafflelens.run.pipeline import resume_run, run_job
from bafflelens.scoring.ranking import Remeshing
from bafflelens.scoring.score import score
from bafflelens.store import open_run
from bafflelens.workers.dask_pool import worker_pool

FREQUENCIES = 4  # 1995, 2512, 3162, 3981 Hz: two bands at draft quality

BANDS = 4  # the small job has four frequencies, one a third of an octave


def only_run(options):
    (path,) = options.results.iterdir()
    return open_run(path)


def test_a_job_runs_from_file_to_report(write_job, stub, options):
    result = run_job(write_job(), options)
    assert not result.has_failures
    assert [row.status for row in result.rows] == ["ranked"] * 4
    assert {row.candidate.id for row in result.rows} == {"baseline", "c001", "c002", "c003"}
    folder = only_run(options)
    assert folder.load_record().status == store.FINISHED
    assert folder.report_path.read_text(encoding="utf-8") == "A small job: finished"
    for candidate in folder.candidates():
        dataset = folder.load_directivity(candidate.id)
        assert dataset.sizes["frequency"] == FREQUENCIES
        assert dataset.attrs["mesh_triangles_finest"] == 4
        assert folder.load_mesh(candidate.id).n_triangles == 4
        assert not (folder.path / "candidates" / candidate.id / "bands").exists()
    tasks = {(task.candidate, task.task) for task in folder.load_record().tasks}
    n_bands = len(stub.solved) // 4
    assert ("c002", "mesh") in tasks
    assert ("c002", f"band {n_bands}") in tasks
    assert {"meshing and solving", "report", "solving, summed over workers"} <= set(
        folder.load_record().timing_s
    )


def test_candidates_are_solved_in_order_and_large_bands_first(write_job, stub, options):
    run_job(write_job(), options)
    lowest = [frequencies[0] for frequencies in stub.solved]
    n_bands = len(lowest) // 4
    assert n_bands > 1
    for start in range(0, len(lowest), n_bands):
        assert lowest[start : start + n_bands] == sorted(lowest[:n_bands], reverse=True)


def test_each_band_sets_aside_what_its_own_mesh_takes(write_job, stub, options, open_pool):
    pools = []

    @contextmanager
    def keep_pool(**given):
        with open_pool(**given) as pool:
            pools.append((pool, given))
            yield pool

    run_job(
        write_job(("quality = ", "memory_gib = 4\nquality = ")),
        replace(options, open_pool=keep_pool),
    )
    ((pool, given),) = pools
    assert given["memory_bytes"] == 4 * 2**30
    assert pool.reserved["c001 mesh"] == 0
    for number in range(1, BANDS + 1):
        assert pool.reserved[f"c001 band {number}"] == band_memory(4, 1, EngineSettings())


def test_a_candidate_that_cannot_be_meshed_is_recorded_and_the_run_goes_on(
    write_job, stub, options
):
    heights = [c.values["lens.opening_height_mm"] for c in _drawn(write_job())]
    stub.fail_mesh = lambda values: values.get("lens.opening_height_mm") == heights[1]
    result = run_job(write_job(), options)
    assert result.has_failures
    assert [row.status for row in result.rows] == ["ranked", "ranked", "ranked", "failed"]
    failed = result.rows[-1]
    assert failed.candidate.id == "c002"
    assert failed.reasons == ("mesh: Invalid shape 'lens'. Must be one that gmsh can mesh.",)
    record = only_run(options).load_record()
    assert record.status == store.FINISHED_WITH_FAILURES
    failures = [(t.candidate, t.task) for t in record.tasks if t.status == store.FAILED]
    assert failures == [("c002", "mesh")]  # that its bands failed as well says nothing
    assert "c002 mesh failed" in (only_run(options).path / "log.txt").read_text(encoding="utf-8")


# ---------------------------------------------------------------------- graphics cards
GPU = ("quality = ", 'engine = "gpu"\nquality = ')


def test_without_a_card_a_job_for_one_is_refused_and_nothing_is_written(
    write_job, stub, options, monkeypatch
):
    monkeypatch.setattr("bafflelens.run.options.count_cards", lambda: 0)
    with pytest.raises(
        InputError, match=r"key solve.engine 'gpu'. Must be 'direct' here, or .*(card|CuPy)"
    ):
        run_job(write_job(GPU), options)
    assert not options.results.exists() or not list(options.results.iterdir())


def test_without_a_card_a_job_that_allows_it_is_solved_on_the_processor(
    write_job, stub, options, monkeypatch
):
    monkeypatch.setattr("bafflelens.run.options.count_cards", lambda: 0)
    job = write_job(("quality = ", 'engine = "gpu"\nwithout_card = "direct"\nquality = '))
    result = run_job(job, options)
    assert not result.has_failures
    dataset = result.folder.load_directivity("c001")
    assert dataset.attrs["engine"] == "direct"


def test_with_cards_bands_go_to_them_and_meshes_do_not(
    write_job, stub, options, open_pool, monkeypatch
):
    monkeypatch.setattr("bafflelens.run.options.count_cards", lambda: 2)
    pools = []

    @contextmanager
    def keep_pool(**given):
        with open_pool(**given) as pool:
            pools.append((pool, given))
            yield pool

    run_job(write_job(GPU), replace(options, open_pool=keep_pool))
    ((pool, given),) = pools
    assert given["cards"] == 2
    assert "c001 band 1" in pool.for_cards
    assert not any("mesh" in name for name in pool.for_cards)


def fail_second_band(stub):
    def fail(band):
        if len(stub.solved) == 1:
            stub.solved.append(())
            msg = "no memory left"
            raise MemoryError(msg)

    stub.on_solve = fail


def test_a_band_that_fails_fails_its_candidate(write_job, stub, options):
    fail_second_band(stub)
    result = run_job(write_job(), options)
    assert result.has_failures
    failed = [row for row in result.rows if row.status == "failed"]
    assert [row.candidate.id for row in failed] == ["baseline"]
    assert failed[0].reasons == (f"band {BANDS - 1}: no memory left",)  # the second from the top


def test_a_failed_frequency_is_not_ranked_silently(write_job, stub, options):
    stub.failing_hz = 2512.0
    result = run_job(write_job(), options)
    assert result.has_failures
    assert {row.status for row in result.rows} == {"incomplete"}
    assert result.rows[0].reasons == ("2512 Hz failed: it did not converge",)
    failed = [t for t in only_run(options).load_record().tasks if t.status == store.FAILED]
    assert all("2512 Hz failed: it did not converge" in task.reason for task in failed)
    assert len(failed) == 4


def test_ctrl_c_leaves_a_folder_that_can_be_read_and_resumed(write_job, stub, options):
    before = 2 * BANDS + 1

    def interrupt(band):
        if len(stub.solved) == before:
            raise KeyboardInterrupt

    stub.on_solve = interrupt
    with pytest.raises(KeyboardInterrupt):
        run_job(write_job(), options)
    folder = only_run(options)
    record = folder.load_record()
    assert record.status == store.INTERRUPTED
    assert record.finished_utc
    assert len([task for task in record.tasks if task.task != "mesh"]) == before
    rows = rank_run(folder)
    assert [row.status for row in rows] == ["ranked", "ranked", "waiting", "waiting"]
    assert rows[-1].reasons == ("not solved: the run has not reached it yet",)
    view = view_of(folder, folder.load_job(), record)
    assert "2 not solved yet (c002, c003): bafflelens resume continues with them" in view.remarks
    assert [row.status for row in view.rows] == ["ranked", "ranked"]
    assert grouped_failures(view) == ()  # what waits has not failed
    by_id = {row.candidate.id: row for row in rows}
    answer = verdict(view, by_id["c001"], by_id["baseline"], "plain box")
    assert "best of 1 candidate" in answer  # nor has it been tried
    unsolved = replace(view, every_row=(by_id["baseline"], by_id["c002"]))
    assert verdict(unsolved, None, by_id["baseline"], "x") == "No candidate is solved yet."

    stub.on_solve = lambda band: None
    stub.solved.clear()
    stub.meshed.clear()
    result = resume_run(folder.path, options)
    assert len(stub.solved) == 4 * BANDS - before  # nothing is solved twice
    assert not result.has_failures
    assert only_run(options).load_record().status == store.FINISHED
    tasks = [(task.candidate, task.task) for task in only_run(options).load_record().tasks]
    assert len(tasks) == len(set(tasks)) == 4 * (1 + BANDS)


def test_resume_ranks_as_an_undisturbed_run(write_job, stub, options, tmp_path):
    undisturbed = run_job(write_job(), replace(options, results=tmp_path / "other"))
    stub.solved.clear()
    stub.on_solve = lambda band: (
        (_ for _ in ()).throw(KeyboardInterrupt) if len(stub.solved) == 3 else None
    )
    with pytest.raises(KeyboardInterrupt):
        run_job(write_job(), options)
    stub.on_solve = lambda band: None
    resumed = resume_run(only_run(options).path, options)
    assert repr(resumed.rows) == repr(undisturbed.rows)  # as text, since NaN is not itself


def test_resume_solves_a_damaged_band_again(write_job, stub, options):
    stub.on_solve = lambda band: (_ for _ in ()).throw(KeyboardInterrupt) if stub.solved else None
    with pytest.raises(KeyboardInterrupt):
        run_job(write_job(), options)
    folder = only_run(options)
    (band,) = folder.path.glob("candidates/*/bands/*.npz")
    band.write_bytes(band.read_bytes()[:100])
    stub.on_solve = lambda band: None
    stub.solved.clear()
    resume_run(folder.path, options)
    assert len(stub.solved) == 4 * BANDS


def test_resume_scores_what_was_solved_but_not_scored(write_job, stub, options):
    run_job(write_job(), options)
    folder = only_run(options)
    folder.update_candidate("c001", status=store.WAITING)
    stub.solved.clear()
    result = resume_run(folder.path, options)
    assert stub.solved == []
    assert [row.status for row in result.rows] == ["ranked"] * 4


def test_resume_tries_again_what_failed(write_job, stub, options):
    heights = [c.values["lens.opening_height_mm"] for c in _drawn(write_job())]
    stub.fail_mesh = lambda values: values.get("lens.opening_height_mm") == heights[2]
    assert run_job(write_job(), options).has_failures
    stub.fail_mesh = lambda values: False
    stub.meshed.clear()
    assert not resume_run(only_run(options).path, options).has_failures
    trial_meshes = 2  # of the plan
    assert len(stub.meshed) == trial_meshes + 1
    record = only_run(options).load_record()
    assert [task for task in record.tasks if task.status == store.FAILED] == []


def test_a_wrong_job_writes_nothing(write_job, options):
    with pytest.raises(JobError):
        run_job(write_job(("candidates = 3", "candidates = 0")), options)
    assert not options.results.exists()


def test_a_baseline_that_cannot_be_meshed_writes_nothing(write_job, stub, options):
    stub.fail_mesh = lambda values: "lens.depth_mm" not in values
    with pytest.raises(JobError, match=r"plain.py, baseline: Invalid shape 'plain'"):
        run_job(write_job(), options)
    assert not options.results.exists()


def test_candidates_that_cannot_be_meshed_write_nothing(write_job, stub, options):
    stub.fail_mesh = lambda values: "lens.depth_mm" in values
    with pytest.raises(JobError, match=r"lens.py, c001: Invalid shape 'lens'") as caught:
        run_job(write_job(), options)
    assert len(caught.value.faults) == 3
    assert not options.results.exists()


def test_an_unreachable_scheduler_writes_nothing(write_job, options):
    options = replace(options, open_pool=worker_pool, scheduler="nonsense")
    with pytest.raises(InputError, match=r"Invalid scheduler 'nonsense'. Must be the address of"):
        run_job(write_job(), options)
    assert not options.results.exists()


def test_a_full_disk_stops_the_run_with_one_line(write_job, stub, options, monkeypatch):
    def full(self, candidate_id, number, result, **_):
        msg = "Invalid path. Must be in a folder that can be written (No space left on device)."
        raise StoreError(msg)

    monkeypatch.setattr(store.RunFolder, "save_band", full)
    with pytest.raises(BafflelensError, match=r"The run was stopped. Invalid path.*No space left"):
        run_job(write_job(), options)
    assert only_run(options).load_record().status == store.STOPPED


def test_the_best_is_meshed_again_to_know_which_differences_mean_anything(
    write_job, stub, options
):
    """The stub's pattern follows the size of the mesh, as a true one does a little."""
    result = run_job(write_job(("remeshes = 0", "remeshes = 2")), options)
    folder = only_run(options)
    found = folder.load_record().remeshing
    best = next(row.candidate for row in result.rows if not row.candidate.is_baseline)
    assert found.candidate == best.id
    assert found.scores_db == (best.score.total_db,) * 3  # the stub meshes all sizes alike
    assert len(stub.solved) == (4 + 2) * BANDS
    assert [c.id for c in folder.candidates()] == ["baseline", "c001", "c002", "c003"]
    for number in (1, 2):
        assert folder.has_directivity(f"{best.id}.mesh{number}")
    assert not result.has_failures
    stub.solved.clear()
    resume_run(folder.path, options)
    assert stub.solved == []  # what was meshed again is kept


def test_scores_that_differ_by_less_than_the_meshes_do_are_ties(write_job, options):
    run_job(write_job(), options)
    folder = only_run(options)
    scores = [c.score.total_db for c in folder.candidates()]
    record = folder.load_record()
    wide = Remeshing(candidate="c001", scores_db=(0.0, 2 * max(scores)))
    folder.save_record(replace(record, remeshing=wide))
    assert {row.place for row in rank_run(folder)} == {1}
    assert folder.load_record().remeshing == wide


def test_a_mesh_that_fails_the_second_time_is_left_out(write_job, stub, options):
    def fail_again(band):
        if len(stub.solved) >= 4 * BANDS:
            msg = "no memory left"
            raise MemoryError(msg)

    stub.on_solve = fail_again
    result = run_job(write_job(("remeshes = 0", "remeshes = 1")), options)
    assert not result.has_failures
    assert [row.status for row in result.rows] == ["ranked"] * 4
    record = only_run(options).load_record()
    assert len(record.remeshing.scores_db) == 1
    assert "an estimate" in record.remeshing.text
    failed = [task.candidate for task in record.tasks if task.status == store.FAILED]
    assert failed
    assert all(name.endswith(".mesh1") for name in failed)


def test_other_meshes_are_neither_finer_nor_coarser_on_average():
    factors = [size_factor(number) for number in range(1, 5)]
    assert factors == pytest.approx([1.04, 0.96, 1.08, 0.92])
    size = MeshSize(
        source_size_m=0.01, growth=2, growth_distance_m=0.2, largest_m=0.03, curvature_elements=20
    )
    (smaller,) = scaled([size], 0.96)
    assert (smaller.source_size_m, smaller.largest_m) == pytest.approx((0.0096, 0.0288))
    assert smaller.growth == 2


def test_a_candidate_scored_before_its_baseline_is_scored_again(write_job, stub, options):
    """Sensitivity is judged against the baseline, which may be solved last."""
    run_job(write_job(), options)
    folder = only_run(options)
    job = folder.load_job().job
    (first,) = (c for c in folder.candidates() if c.id == "c001")
    alone = score(
        folder.load_directivity("c001"), job.target.target(job.room.room), job.score.settings
    )
    assert not alone.terms[-1].is_judged
    folder.update_candidate("c001", status=store.SOLVED, score=alone)
    resume_run(folder.path, options)
    (again,) = (c for c in folder.candidates() if c.id == "c001")
    assert repr(again.score) == repr(first.score)  # as text, since NaN is not itself
    assert again.score.terms[-1].is_judged


def test_the_order_of_ids_is_kept_in_run_json(write_job, options):
    run_job(write_job(), options)
    content = json.loads((only_run(options).path / "run.json").read_text(encoding="utf-8"))
    assert content["format"] == 1
    assert content["job"] == "small.toml"


def _drawn(path):
    from bafflelens.job.job_file import load_job
    from bafflelens.job.sampling import draw

    return draw(load_job(path)).candidates


# -------------------------------------------------------- bands that come back at once
class InErrands:
    """Stands before a pool and yields so many outcomes at once."""

    size = 1

    def __init__(self, inner, number):
        self._inner = inner
        self._number = number
        self.submit = inner.submit

    def outcomes(self, *is_over):
        while done := list(islice(self._inner.outcomes(*is_over), self._number)):
            for outcome in done[:-1]:
                yield replace(outcome, more_at_once=True)
            yield done[-1]


def in_errands(options, number):
    @contextmanager
    def open_pool(**given):
        with options.open_pool(**given) as pool:
            yield InErrands(pool, number)

    return replace(options, open_pool=open_pool)


@pytest.fixture
def bands_saved(monkeypatch):
    """Return a list of what bands are saved from now on."""
    saved, save_band = [], store.RunFolder.save_band
    monkeypatch.setattr(
        store.RunFolder,
        "save_band",
        lambda folder, name, number, *given, **further: (
            saved.append((name, number)),
            save_band(folder, name, number, *given, **further),
        ),
    )
    return saved


@pytest.mark.parametrize(("number", "kept"), [(BANDS, 0), (BANDS - 1, 9)])
def test_bands_that_complete_their_candidate_at_once_are_not_kept_first(
    number, kept, write_job, stub, options, bands_saved, tmp_path
):
    """In threes: 3 of the baseline, 2 of c001 with its last, 1 of c002, and 3 of c003 are kept."""
    alone = run_job(write_job(), replace(options, results=tmp_path / "other"))
    assert len(bands_saved) == 4 * (BANDS - 1)  # the last one completes its candidate
    bands_saved.clear()
    together = run_job(write_job(), in_errands(options, number))
    assert repr(together.rows) == repr(alone.rows)
    assert len(bands_saved) == len(set(bands_saved)) == kept


def test_bands_that_came_with_one_that_failed_are_kept(write_job, stub, options, bands_saved):
    fail_second_band(stub)
    assert run_job(write_job(), in_errands(options, BANDS)).has_failures
    assert len(bands_saved) == BANDS - 1
    stub.solved.clear()
    assert not resume_run(only_run(options).path, in_errands(options, BANDS)).has_failures
    assert len(stub.solved) == 1
