# SPDX-License-Identifier: GPL-3.0-or-later
"""What the live page shows of a finished run before that has been read."""

import json
import subprocess
import sys
from dataclasses import replace

import pytest
from told import array_of, header_of
from websockets.sync.client import connect

from bafflelens.base.errors import StoreError
from bafflelens.base.run_files import first_view_path
from bafflelens.live.desk import open_desk
from bafflelens.live.first_view import load_first_view
from bafflelens.live.kept_view import keep_first_view, keep_view_of_run
from bafflelens.live.server import LiveServer
from bafflelens.report.summary import note_on
from bafflelens.store import RUNNING, RunFolder


@pytest.fixture
def run(run_of_six):
    keep_view_of_run(run_of_six)
    return run_of_six


@pytest.fixture
def served(run):
    """Return a server that has the first view alone."""
    server = LiveServer(token="right", first=load_first_view(run.path))
    server.start()
    yield server
    server.stop()


def opened(server):
    address = f"127.0.0.1:{server.port}"
    return connect(f"ws://{address}/right/socket", origin=f"http://{address}", proxy=None)


def asked(view, kind):
    return {"kind": kind, "move": 7, "values": dict(view.values)}


def test_it_says_what_the_desk_says(run):
    view = load_first_view(run.path)
    desk = open_desk(run)
    desk.known.read_new()
    hello = desk.hello()
    assert {**view.hello, "state": None} == json.loads(json.dumps({**hello, "state": None}))
    assert view.hello["state"]["rows"] == hello["state"]["rows"]
    assert view.hello["state"]["known"] == 6  # so many does it estimate from
    values = desk.values_of(view.values)
    assert view.answers(asked(view, "move")) == [desk.move("p", 7, values)]
    assert view.answers(asked(view, "shape")) == desk.shapes(7, values)
    assert view.answers(asked(view, "score")) == desk.scores(7, values) == []
    assert view.answers(asked(view, "rules"))[0]["broken"] == desk.rules(values)
    baseline = {"kind": "open", "move": -1, "id": "baseline"}
    assert view.answers(baseline) == desk.opened("p", -1, "baseline")


def test_it_answers_nothing_else(run):
    view = load_first_view(run.path)
    key = next(iter(view.values))
    for kind in ("move", "score", "shape", "rules"):
        message = {"kind": kind, "move": 7, "values": {**view.values, key: view.values[key] + 0.5}}
        assert view.answers(message) is None
    assert view.answers({"kind": "open", "move": 7, "id": "c001"}) is None
    assert view.answers({"kind": "map", "id": "baseline"}) is None


def changed_note(run):
    note_on(run, "c001", "better", sense="seen", verdict="kept")


def changed_job(run):
    path = run.path / "job.toml"
    path.write_text(path.read_text() + "\n# other words\n")


def changed_far_field(run):
    shown = load_first_view(run.path).candidates[1]
    other = next(c.id for c in run.candidates() if c.id not in ("baseline", shown))
    files = [run.path / "candidates" / name / "directivity.nc" for name in (shown, other)]
    files[0].write_bytes(files[1].read_bytes())


def changed_candidates(run):
    run.forget_candidate(run.candidates()[-1].id)


@pytest.mark.parametrize(
    "change", [changed_note, changed_job, changed_far_field, changed_candidates]
)
def test_what_no_longer_fits_is_not_shown_and_made_anew(run, change):
    before = first_view_path(run.path).read_bytes()
    change(run)
    assert load_first_view(run.path) is None
    keep_view_of_run(run)
    assert load_first_view(run.path) is not None
    assert first_view_path(run.path).read_bytes() != before


def test_what_fits_is_left_alone(run):
    desk = open_desk(run)
    desk.known.read_new()
    assert not keep_first_view(desk.known)


def test_another_program_does_not_show_it(run, monkeypatch):
    monkeypatch.setattr("bafflelens.live.first_view.source_digest", lambda *_: "another")
    assert load_first_view(run.path) is None


@pytest.mark.parametrize(
    "damage",
    [lambda b: b"", lambda b: b[:-1], lambda b: b[:90] + b"x" + b[91:], lambda b: b[20:]],
    ids=["empty", "cut", "one byte", "no digest"],
)
def test_a_damaged_one_is_not_shown(run, damage):
    path = first_view_path(run.path)
    path.write_bytes(damage(path.read_bytes()))
    assert load_first_view(run.path) is None


def test_of_a_run_that_goes_on_nothing_is_kept(run_of_six):
    record = run_of_six.load_record()
    run_of_six.save_record(replace(record, status=RUNNING))
    keep_view_of_run(run_of_six)
    assert not first_view_path(run_of_six.path).exists()


def test_a_run_that_cannot_be_written_to_goes_without(run_of_six, monkeypatch):
    def refuse(folder, content):
        msg = "no"
        raise StoreError(msg)

    monkeypatch.setattr(RunFolder, "save_first_view", refuse)
    keep_view_of_run(run_of_six)
    assert load_first_view(run_of_six.path) is None


def test_a_page_is_answered_before_the_run_is_read(run, served):
    view = load_first_view(run.path)
    key = next(iter(view.values))
    with opened(served) as page:
        assert json.loads(page.recv(timeout=20)) == view.hello
        page.send(json.dumps(asked(view, "move")))
        frames = [header_of(page.recv(timeout=20)) for _ in range(2)]
        assert [frame["kind"] for frame in frames] == ["answer", "shape"]
        assert {frame["move"] for frame in frames} == {7}
        assert frames[0]["mark"] == "solved"
        assert json.loads(page.recv(timeout=20))["kind"] == "rules"
        served.wait_for_a_page()  # it was answered: this does not wait
        moved = {"kind": "move", "move": 8, "values": {**view.values, key: view.values[key] + 0.5}}
        page.send(json.dumps(moved))
        with pytest.raises(TimeoutError):
            page.recv(timeout=0.3)
        desk = open_desk(run)
        desk.known.read_first()
        served.give(desk)
        told = [page.recv(timeout=20) for _ in range(2)]
    state = next(json.loads(one) for one in told if isinstance(one, str))
    answer = next(header_of(one) for one in told if isinstance(one, bytes))
    assert state["kind"] == "state"  # the greeting was right
    assert answer["move"] == 8
    assert answer["mark"] == ""  # nothing is learned yet


def test_a_move_is_estimated_before_the_run_is_read_and_the_desk_is_told_of_it(run, served):
    view = load_first_view(run.path)
    served.prepare(run.path)
    high, deep = view.values  # an opening and a depth
    moved = {**view.values, high: 121.3, deep: 14.2}
    broken = {**view.values, high: 91.3, deep: 39.0}
    with opened(served) as page:
        page.recv(timeout=20)
        page.send(json.dumps({"kind": "move", "move": 1, "values": broken}))
        fault = header_of(page.recv(timeout=20))
        page.send(json.dumps({"kind": "move", "move": 2, "values": moved}))
        frame = page.recv(timeout=20)
        desk = open_desk(run)
        desk.known.read_first()
        served.give(desk)
        told = []
        while not any(isinstance(one, bytes) for one in told):
            told.append(page.recv(timeout=20))
        assert told[-1] == frame  # the same estimate: nothing is learned yet
        assert desk._newest.wish.values == desk.values_of(moved)
        assert desk.state()["state"]["known"] == 6
        desk.known.read_new()
        desk.known.learn(lambda: None)
        desk._learned()
        scored = {}
        while scored.get("kind") != "scored":
            one = page.recv(timeout=20)
            scored = json.loads(one) if isinstance(one, str) else {}
    assert fault["faults"] == ["Invalid depth '39 mm'. Must be at most a quarter of 91.3 mm."]
    assert (fault["mark"], header_of(frame)["mark"]) == ("", "estimated")
    assert scored["move"] == 2
    (own,) = desk.scores(2, desk.values_of(moved))
    assert scored == own
    # What is learned by then says the same, but for numbers that were kept in 32 bits.
    learned = desk.move("p", 3, desk.values_of(moved))
    for name in header_of(frame)["arrays"]:
        assert array_of(frame, name) == pytest.approx(
            array_of(learned, name), abs=0.01, nan_ok=True
        )


def test_values_that_no_page_sends_are_left_to_the_desk(run, served):
    served.prepare(run.path)
    values = load_first_view(run.path).values
    key = next(iter(values))
    for wrong in ({}, {**values, key: "a"}, {**values, key: 1e6}, {**values, "other": 1.0}):
        assert served.estimates.answer(1, wrong) is None
    assert served.estimates.answer(1, values) is not None


def test_a_constraint_of_the_job_is_known_before_the_run_is_read(run, served):
    served.prepare(run.path)
    ruled = replace(served.estimates, constraints=("lens.depth_mm < 12",))
    frame = ruled.answer(1, {**load_first_view(run.path).values, "lens.depth_mm": 14.0})
    (fault,) = header_of(frame)["faults"]
    assert "Must be one that fulfils 'lens.depth_mm < 12'" in fault


def test_a_greeting_that_was_not_right_is_said_again(run):
    view = load_first_view(run.path)
    server = LiveServer(
        token="right", first=replace(view, hello={**view.hello, "title": "of another run"})
    )
    server.start()
    try:
        with opened(server) as page:
            assert json.loads(page.recv(timeout=20))["title"] == "of another run"
            server.give(open_desk(run))
            again = json.loads(page.recv(timeout=20))
    finally:
        server.stop()
    assert again["kind"] == "hello"
    assert again["title"] == view.hello["title"]


def test_it_is_there_without_what_is_slow_to_load():
    loaded = (
        "import sys, bafflelens.cli, bafflelens.live.server, bafflelens.live.first_view\n"
        "early = {'numpy'} & set(sys.modules)\n"
        "import bafflelens.live.first_estimates\n"
        "slow = {'pydantic', 'xarray', 'pandas', 'scipy', 'numba', 'gmsh', 'dask', 'sklearn'}\n"
        "sys.exit(' '.join(early | slow & set(sys.modules)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", loaded], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
