# SPDX-License-Identifier: GPL-3.0-or-later
"""What the live page shows of a finished run before that has been read."""

import json
import subprocess
import sys
from dataclasses import replace

import pytest
from told import header_of
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
    assert view.hello["state"]["known"] == 0  # it estimates nothing yet
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
        "slow = {'numpy', 'pydantic', 'xarray', 'pandas', 'scipy', 'numba', 'gmsh', 'dask'}\n"
        "sys.exit(' '.join(slow & set(sys.modules)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", loaded], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
