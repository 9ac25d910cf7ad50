# SPDX-License-Identifier: GPL-3.0-or-later
"""A run that must be ready in time: what it begins, what it leaves, what it says."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from bafflelens import store
from bafflelens.base.errors import InputError
from bafflelens.base.progress import Silent
from bafflelens.cli import main
from bafflelens.job.cost_estimate import BandCost, Plan
from bafflelens.mesh.quality import Band
from bafflelens.run.deadline import (
    Clock,
    fit_in_words,
    how_many_fit,
    read_deadline,
    require_time,
)
from bafflelens.run.pipeline import resume_run, run_job
from bafflelens.run.queueing.waiting import Queue
from bafflelens.run.queueing.working import add_job, work_through_queue
from bafflelens.store import open_run

EVENING = datetime(2026, 1, 30, 22, 15, tzinfo=UTC)
MANY = ("candidates = 3", "candidates = 12")


def plan(**changes):
    band = Band(frequencies_hz=(1000.0, 2000.0), mesh_frequency_hz=2000.0)
    cost = BandCost(band=band, unknowns=1000, memory_bytes=1e8, seconds=38.0)
    settings = {
        "n_shapes": 13,
        "remeshes": 2,
        "band_costs": (cost,),
        "workers": 2,
        "mesh_seconds": 2.0,
        "report_seconds": 90.0,
        "opinion_seconds": 60.0,
    }
    return Plan(**{**settings, **changes})


@pytest.mark.parametrize(
    ("until", "hours", "expected"),
    [
        ("07:00", None, "2026-01-31T07:00"),
        ("22:16", None, "2026-01-30T22:16"),
        ("22:15", None, "2026-01-31T22:15"),  # the next one
        ("2026-02-02T06:30", None, "2026-02-02T06:30"),
        (None, 8.0, "2026-01-31T06:15"),
        (None, 0.5, "2026-01-30T22:45"),
    ],
)
def test_an_end_is_read_as_people_give_it(until, hours, expected):
    found = read_deadline(until, hours, lambda: EVENING)
    assert found == datetime.fromisoformat(expected).replace(tzinfo=UTC)


def test_without_an_end_there_is_no_hurry():
    assert read_deadline(None, None) is None
    clock = Clock(None, plan())
    assert clock.has_time_for(1e9, 1e9)
    assert not clock.is_up
    require_time(clock, 2)


@pytest.mark.parametrize(
    ("until", "hours", "match"),
    [
        ("07:00", 8.0, "--until' '07:00'. Must be left out where '--hours' is given"),
        ("7 o'clock", None, "--until' '7 o'clock'. Must be a time of day such as 07:00"),
        ("25:00", None, "--until' '25:00'. Must be a time of day"),
        ("2026-13-01T07:00", None, "Must be a time of day such as 07:00, or a date with a time"),
        ("2026-01-30T21:00", None, "Must be in the future; it is 2026-01-30T22:15 now"),
        (None, 0.0, "--hours' '0'. Must be above 0, at most a year"),
        (None, float("nan"), "--hours' 'nan'. Must be above 0"),
        (None, 1e6, "Must be above 0, at most a year"),
    ],
)
def test_what_is_no_end_is_refused(until, hours, match):
    with pytest.raises(InputError, match=match):
        read_deadline(until, hours, lambda: EVENING)


def test_a_clock_learns_from_work_what_work_takes():
    clock = Clock(EVENING + timedelta(hours=1), plan(), now=lambda: EVENING)
    assert clock.shape_s == pytest.approx(20.0)  # 40 s of one processor, on two
    clock.learn(38.0, 0.0)  # it was known already, and says nothing
    assert clock.shape_s == pytest.approx(20.0)
    clock.learn(38.0, 57.0)
    assert clock.pace == pytest.approx(1.5)
    assert clock.shape_s == pytest.approx(30.0)
    assert clock.remeshing_s == pytest.approx(60.0)
    assert clock.report_s == pytest.approx(45.0)
    assert clock.later_s == pytest.approx(60 + 90 + 45)
    assert clock.has_time_for(1000.0, clock.later_s)
    assert not clock.was_short
    assert not clock.has_time_for(3000.0, clock.later_s)
    assert clock.was_short


def test_cards_that_solve_while_processors_mesh_count():
    clock = Clock(None, plan(cards=4))
    assert clock.shape_s == pytest.approx(9.5)  # 38 s on four cards; meshing is hidden behind


def test_only_the_report_is_left_near_the_end():
    times = [EVENING]
    clock = Clock(EVENING + timedelta(minutes=10), plan(), now=lambda: times[0])
    assert not clock.is_up
    times[0] += timedelta(minutes=9, seconds=31)
    assert clock.is_up


# ------------------------------------------------------------------------------ whole runs


class Watch:
    """A clock of the test's own: each band that is solved takes so long."""

    def __init__(self, seconds):
        self.now = EVENING
        self.seconds = seconds

    def perf_counter(self):
        return self.now.timestamp()

    def mesh(self, values):
        self.now += timedelta(seconds=1.0)
        return False

    def tick(self, band):
        self.now += timedelta(seconds=self.seconds)


@pytest.fixture
def watch(stub, monkeypatch):
    """Let each of the four bands of a shape take a minute."""
    found = Watch(60.0)
    stub.on_solve = found.tick
    stub.fail_mesh = found.mesh
    monkeypatch.setattr("bafflelens.workers.work_units.time", found)
    return found


@pytest.fixture
def options(options, watch):
    return replace(options, workers=1, now=lambda: watch.now)


def test_a_run_is_ready_in_time_and_says_what_it_left(write_job, stub, options, watch):
    end = watch.now + timedelta(minutes=31)
    result = run_job(write_job(MANY), replace(options, deadline=end))
    assert watch.now <= end
    statuses = [candidate.status for candidate in result.folder.candidates()]
    solved = statuses.count(store.SOLVED)
    assert 4 <= solved <= 7  # each takes four minutes, and up to six are begun at once
    assert statuses == [store.SOLVED] * solved + [store.WAITING] * (13 - solved)
    assert not result.has_failures
    record = result.folder.load_record()
    assert record.status == store.FINISHED
    (text,) = [remark for remark in record.remarks if "left unsolved" in remark]
    assert f"{13 - solved} of 13 shapes were left unsolved" in text
    assert result.folder.report_path.exists()

    # Another night goes on where this one ended.
    stub.solved.clear()
    result = resume_run(result.folder.path, options)
    assert {candidate.status for candidate in result.folder.candidates()} == {store.SOLVED}
    assert len(stub.solved) <= 4 * (13 - solved)


def test_what_does_not_fit_after_the_candidates_is_left_out_and_said(
    write_job, stub, options, watch
):
    more = ("remeshes = 0", "remeshes = 8")
    end = watch.now + timedelta(minutes=45)
    watch.seconds = 150.0
    result = run_job(write_job(more), replace(options, deadline=end))
    assert watch.now <= end
    remarks = result.folder.load_record().remarks
    assert "skipped, no time left: meshing the best again" in remarks
    assert result.folder.load_record().remeshing is None


@pytest.mark.parametrize("minutes", range(38, 76, 4))
def test_the_time_kept_for_the_finalists_is_enough_for_them(
    minutes, write_job, stub, options, watch
):
    """Six are begun before one has shown what it takes; from then on it must be right."""
    finals = ("[frequencies]", "[finalists]\ncount = 2\n[frequencies]")
    end = watch.now + timedelta(minutes=minutes)
    result = run_job(write_job(MANY, finals), replace(options, deadline=end))
    assert watch.now <= end
    statuses = [candidate.status for candidate in result.folder.candidates()]
    if statuses.count(store.SOLVED) > 6:
        assert result.folder.scores_at(store.FINALS)


def test_a_directed_search_ends_in_time_and_goes_on_later(write_job, stub, options, watch):
    directed = ("candidates = 3", 'plan = "directed"\ncandidates = 20')
    end = watch.now + timedelta(minutes=50)
    result = run_job(write_job(directed), replace(options, deadline=end))
    assert watch.now <= end
    (text,) = [r for r in result.folder.load_record().remarks if "left unsolved" in r]
    assert "of 21 shapes" in text
    assert len(result.folder.candidates()) < 21
    resumed = resume_run(result.folder.path, options)
    assert len(resumed.folder.candidates()) == 21
    assert not resumed.has_failures


def test_an_end_before_anything_could_be_shown_is_refused(write_job, stub, options, watch):
    options = replace(options, deadline=watch.now + timedelta(seconds=20))
    with pytest.raises(
        InputError,
        match=r"deadline '2026-01-30 22:15'. Must be at least 1 min away, for",
    ):
        run_job(write_job(), options)
    assert not options.results.exists()


def test_what_is_running_when_the_time_is_up_is_dropped(write_job, stub, options, watch):
    """Shapes take ten times what was expected: one is waited for, and no other."""
    end = watch.now + timedelta(minutes=30)
    watch.seconds = 500.0
    result = run_job(write_job(MANY), replace(options, deadline=end))
    folder = open_run(result.folder.path)
    assert folder.load_record().status == store.FINISHED
    statuses = {candidate.id: candidate.status for candidate in folder.candidates()}
    solved = [name for name, status in statuses.items() if status == store.SOLVED]
    assert "baseline" in solved
    assert 2 <= len(solved) <= 3  # never the baseline alone
    assert store.WAITING in statuses.values()
    stub.on_solve = lambda band: None
    assert not resume_run(folder.path, options).has_failures


LOOK = ('quality = "draft"', 'quality = "draft"\n[first_look]\nkeep_pct = 50')


def test_a_short_run_with_a_first_look_has_one_candidate_at_least(write_job, stub, options, watch):
    end = watch.now + timedelta(minutes=3)
    result = run_job(write_job(MANY, LOOK), replace(options, deadline=end))
    ranked = [row.candidate for row in result.rows if row.status == "ranked"]
    assert any(not candidate.is_baseline for candidate in ranked)


def test_before_a_timed_run_it_is_said_how_many_fit(write_job, stub, options, watch):
    said = Listening()
    end = watch.now + timedelta(minutes=31)
    run_job(write_job(MANY), replace(options, deadline=end, progress=said))
    (line,) = [text for text in said.lines if "candidates" in text and "before 2026" in text]
    assert "12" in line


class Listening(Silent):
    """Keeps what is said."""

    def __init__(self):
        self.lines = []

    def say(self, text):
        self.lines.append(text)


def test_the_number_that_fits_counts_what_must_follow():
    """20 s a shape; 145 s for meshing again, opinion and report; a margin of 1.2."""
    clock = Clock(EVENING + timedelta(minutes=30), plan(), now=lambda: EVENING)
    free_s = 1800 / 1.2 - clock.later_s - 20
    assert how_many_fit(clock, 500, 1, None) == int(free_s / 20)
    assert how_many_fit(clock, 12, 1, None) == 12
    soon = Clock(EVENING + timedelta(seconds=80), plan(), now=lambda: EVENING)
    assert how_many_fit(soon, 12, 1, None) == 1
    looked = Clock(
        EVENING + timedelta(minutes=30),
        plan(look=plan(mesh_seconds=1.0, band_costs=())),
        now=lambda: EVENING,
    )
    assert how_many_fit(looked, 500, 1, 10.0) > how_many_fit(clock, 500, 1, None)
    assert fit_in_words(soon, 1, 12) == (
        "about 1 candidate fits before 2026-01-30 22:16, 12 were asked for"
    )


def test_an_end_before_the_first_look_is_done_is_refused():
    """Two drafts of 30 s come before the two shapes in full."""
    look = plan(mesh_seconds=60.0, band_costs=())
    clock = Clock(EVENING + timedelta(seconds=100), plan(look=look), now=lambda: EVENING)
    with pytest.raises(InputError, match="Must be at least 3 min away, for the baseline, one"):
        require_time(clock, 2)


# -------------------------------------------------------------------------------- the queue


def test_a_queue_leaves_a_job_waiting_that_cannot_be_ready(write_job, stub, options, watch):
    queue = Queue(options.results)
    for _ in range(2):
        add_job(queue, write_job(), options)
    watch.seconds = 30.0  # eight minutes a job
    ended = work_through_queue(
        queue,
        replace(options, deadline=watch.now + timedelta(minutes=10)),
        ended=lambda job: watch.tick(None) or watch.tick(None) or watch.tick(None),
    )
    assert [item.status for item in ended] == ["done"]
    assert [job.status for job in queue.jobs()] == ["done", "waiting"]
    assert queue.jobs()[1].reason == "time ran out; the next start continues it"
    assert [item.status for item in work_through_queue(queue, options)] == ["done"]


# ------------------------------------------------------------------------- the command line


@pytest.mark.parametrize("verb", [["run", "small.toml"], ["resume", "x"], ["queue", "start"]])
@pytest.mark.parametrize(
    ("given", "match"),
    [
        (["--until", "soon"], "Invalid option '--until' 'soon'. Must be a time of day"),
        (["--hours", "-1"], "Invalid option '--hours' '-1'. Must be above 0"),
        (["--until", "07:00", "--hours", "8"], "Must be left out where '--hours' is given"),
    ],
)
def test_a_wrong_end_is_one_line_and_exit_code_2(
    write_job, tmp_path, monkeypatch, capsys, verb, given, match
):
    write_job()
    monkeypatch.chdir(tmp_path)
    assert main([*verb, *given]) == 2
    assert match in capsys.readouterr().err
    assert not (tmp_path / "results").exists()
