# SPDX-License-Identifier: GPL-3.0-or-later
"""What looks closer at the best goes to the workers together, and can be stopped anywhere."""

from contextlib import suppress
from dataclasses import replace

import pytest

from bafflelens.run import solving
from bafflelens.run.pipeline import resume_run, run_job
from bafflelens.run.work_loop import WorkLoop
from bafflelens.store import open_run
from bafflelens.workers.caching.cached_pool import RememberingPool

CLOSER = (("remeshes = 0", "remeshes = 2"), ("leaders = 0", "leaders = 2"))
BANDS = 4  # of the small job and of its drafts, one frequency each
CANDIDATE_BANDS = 4 * BANDS


@pytest.fixture
def loops(monkeypatch):
    """Return what each loop of work was planned to take, and what was asked of it in order."""
    made = []

    class Watched(WorkLoop):
        def __init__(self, run, ahead, planned_s, *rest):
            wanted = list(ahead)
            made.append((planned_s, [(one.candidate.id, one.by or run) for one in wanted]))
            super().__init__(run, iter(wanted), planned_s, *rest)

    monkeypatch.setattr(solving, "WorkLoop", Watched)
    return made


def only_run(options):
    (path,) = options.results.iterdir()
    return open_run(path)


def looked_at_closer(folder):
    """Return what was found besides the ranking."""
    record = folder.load_record()
    return record.remeshing, record.robustness


def test_one_loop_takes_all_of_it_the_longest_first(write_job, options, loops):
    standard = ('quality = "draft"', 'quality = "standard"')
    run_job(write_job(*CLOSER, standard), options)
    assert len(loops) == 2  # the candidates, then everything else
    planned_s, wanted = loops[1]
    names = [name.split(".")[1] for name, _ in wanted]
    assert names[:3] == ["mesh1", "mesh2", "draft"]
    assert len(wanted) == 2 + 2 * 5
    assert planned_s == pytest.approx(sum(run.plan.work_seconds for _, run in wanted))
    costs = [run.plan.work_seconds for _, run in wanted]
    assert costs == sorted(costs, reverse=True)
    qualities = [run.loaded.job.solve.quality for _, run in wanted]
    assert qualities == ["standard"] * 2 + ["draft"] * 10
    timing_s = only_run(options).load_record().timing_s
    assert "meshing the best again and small changes of the leaders" in timing_s


def test_small_changes_begin_before_the_last_mesh_of_the_best_is_solved(
    write_job, options, monkeypatch
):
    asked = []

    class Watched(RememberingPool):
        def mesh(self, name, *rest, **given):
            asked.append(name)
            return super().mesh(name, *rest, **given)

        def outcomes(self, **given):
            for outcome in super().outcomes(**given):
                asked.append(f"{outcome.name} came back")
                yield outcome

    monkeypatch.setattr("bafflelens.run.options.RememberingPool", Watched)
    run_job(write_job(*CLOSER), options)
    began = next(n for n, name in enumerate(asked) if name.endswith(".draft mesh"))
    ended = max(n for n, name in enumerate(asked) if ".mesh2 band" in name)
    assert began < ended


@pytest.mark.parametrize("after", [1, 2 * BANDS + 3])
def test_a_stop_amid_the_batch_loses_nothing_and_changes_nothing(
    after, write_job, options, stub, tmp_path
):
    job = write_job(*CLOSER)
    undisturbed = run_job(job, replace(options, results=tmp_path / "undisturbed")).folder
    in_all = len(stub.solved)
    stub.solved.clear()

    def stop(band):
        if len(stub.solved) == CANDIDATE_BANDS + after:
            stub.on_solve = lambda band: None
            raise KeyboardInterrupt

    stub.on_solve = stop
    with suppress(KeyboardInterrupt):
        run_job(job, options)
    assert looked_at_closer(only_run(options)) == (None, ())
    resumed = resume_run(only_run(options).path, options).folder
    assert looked_at_closer(resumed) == looked_at_closer(undisturbed)
    assert len(stub.solved) == in_all
