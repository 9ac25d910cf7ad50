# SPDX-License-Identifier: GPL-3.0-or-later
"""The page that answers while a dimension moves: who is let in, and which answers come."""

import json
import shutil
import socket
import threading
import time
import urllib.error
import urllib.request
from dataclasses import replace

import numpy as np
import pytest
from told import Told, array_of, header_of
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

from bafflelens import store
from bafflelens.base.errors import InputError
from bafflelens.cli import main
from bafflelens.live import serving
from bafflelens.live.desk import Desk, open_desk
from bafflelens.live.open_page import Allowance
from bafflelens.live.server import LARGEST_MESSAGE, LiveServer
from bafflelens.live.solves import Bench
from bafflelens.live.told import broken_stretches, slider_step
from bafflelens.run.catalogued import sampling_of
from bafflelens.run.pipeline import queue_run
from bafflelens.scoring.by_hand import hand_id, is_by_hand

MIDDLE = {"lens.opening_height_mm": 121.3, "lens.depth_mm": 14.2}


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(serving, "SETTLE_S", 0.05)
    monkeypatch.setattr(serving, "FULL_SETTLE_S", 0.1)


@pytest.fixture
def run(run_of_six):
    return run_of_six


@pytest.fixture
def told():
    return Told()


@pytest.fixture
def desk(run, options, told, quick):
    opened = open_desk(run, options)
    opened.publish = told
    opened.open()
    yield opened
    opened.close()


def wait_for_estimates(desk):
    """Also for the baseline's draft: a draft that comes before it is sent twice."""
    end = time.monotonic() + 30
    while not desk.state()["state"]["known"] or desk.known.draft_baseline is None:
        assert time.monotonic() < end
        time.sleep(0.02)


# ------------------------------------------------------------------------------ who is let in


@pytest.fixture(scope="module")
def server():
    """Serve a desk that knows nothing: only the door is looked at."""

    class Closed(Desk):
        def hello(self):
            return {"kind": "hello"}

        def state(self):
            return {}

    found = LiveServer(Closed(judge=None, known=None, options=None), token="right")
    found.start()
    yield found
    found.stop()


def fetched(server, path, host=None):
    request = urllib.request.Request(f"http://127.0.0.1:{server.port}{path}")
    if host:
        request.add_header("Host", host)
    try:
        with urllib.request.urlopen(request) as answer:
            return answer.status, dict(answer.headers), answer.read()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, dict(error.headers), error.read()


def test_the_page_is_sent_to_who_has_the_token_with_a_policy_without_inline_script(server):
    status, headers, content = fetched(server, "/right/")
    assert status == 200
    policy = headers["content-security-policy"]
    assert "script-src 'self'" in policy
    assert "unsafe" not in policy
    assert b"<script type=" in content
    assert b"style=" not in content  # none inline either
    assert b"onclick" not in content


def test_nothing_is_fetched_from_the_net(server):
    for name in (
        "",
        "main.js",
        "levels.js",
        "shape.js",
        "space.js",
        "parts.js",
        "sliders.js",
        "tables.js",
        "wire.js",
        "sheet.css",
    ):
        status, _, content = fetched(server, f"/right/{name}")
        assert status == 200
        assert b"://" not in content.replace(b"ws://", b""), name


@pytest.mark.parametrize(
    "path",
    ["/", "/wrong/", "/wrong/main.js", "/main.js", "/right/../server.py", "/right/%2e%2e/desk.py"],
)
def test_without_the_token_there_is_nothing(server, path):
    assert fetched(server, path)[0] == 404


@pytest.mark.parametrize("host", ["evil.example", "localhost:{port}", "127.0.0.1", "127.0.0.1:1"])
def test_a_name_that_points_here_is_refused(server, host):
    assert fetched(server, "/right/", host.format(port=server.port))[0] == 421


def handshake(server, *, path="/right/socket", host="127.0.0.1:{port}", origin="own"):
    """Return the status that a request for the socket gets."""
    if origin == "own":
        origin = f"http://127.0.0.1:{server.port}"
    lines = [
        f"GET {path} HTTP/1.1",
        f"Host: {host.format(port=server.port)}",
        "Upgrade: websocket",
        "Connection: Upgrade",
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==",
        "Sec-WebSocket-Version: 13",
        *([f"Origin: {origin}"] if origin else []),
    ]
    with socket.create_connection(("127.0.0.1", server.port), timeout=10) as stream:
        stream.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
        return int(stream.recv(200).split()[1])


def test_the_page_itself_gets_a_socket(server):
    assert handshake(server) == 101


@pytest.mark.parametrize(
    "wrong",
    [
        {"origin": "http://evil.example"},
        {"origin": "http://localhost:8000"},
        {"origin": "null"},
        {"origin": ""},
        {"host": "evil.example"},
        {"host": "localhost:{port}"},
        {"path": "/wrong/socket"},
        {"path": "/socket"},
    ],
    ids=str,
)
def test_others_get_no_socket(server, wrong):
    assert handshake(server, **wrong) in (403, 404)


def test_it_listens_on_this_machine_only(server):
    assert server._listening.getsockname()[0] == "127.0.0.1"


def talk(server):
    address = f"ws://127.0.0.1:{server.port}/{server.token}/socket"
    return connect(address, origin=f"http://127.0.0.1:{server.port}", proxy=None)


def test_a_message_that_is_too_large_ends_the_talk(server):
    with talk(server) as page:
        page.recv()
        page.send("x" * (LARGEST_MESSAGE + 1))
        with pytest.raises(ConnectionClosed):
            page.recv(timeout=10)


@pytest.mark.parametrize(
    "text",
    ["", "{}", "[]", '{"kind": "move"}', '{"kind": "run"}', '{"kind": []}', "[" * 999, b"\x00"],
)
def test_what_no_page_says_is_answered_by_a_fault(server, text):
    with talk(server) as page:
        page.recv()
        page.send(text)
        answer = json.loads(page.recv(timeout=10))
        assert answer["kind"] == "fault"
        assert answer["text"].startswith("Invalid message")


def test_messages_are_limited_a_second():
    now = [0.0]
    allowance = Allowance(lambda: now[0])
    assert sum(allowance.take() for _ in range(2000)) == 600
    now[0] = 12.0
    assert allowance.take()


def test_a_port_that_is_taken_is_refused(server):
    with pytest.raises(InputError, match=r"Invalid port '\d+'. Must be 0 to 65535 and free"):
        LiveServer(server.desk, server.port)


def test_a_port_that_is_none_leaves_no_run_behind(write_job, tmp_path, capsys):
    results = tmp_path / "none"
    told = ["live", str(write_job()), "--port", "99999", "--results", str(results)]
    assert main(told) == 2
    assert "Invalid port '99999'. Must be 0 to 65535" in capsys.readouterr().err
    assert not results.exists()


# -------------------------------------------------------------------------- which answers come


def test_a_move_is_estimated_then_a_draft_then_solved_and_a_candidate(desk, run, told):
    wait_for_estimates(desk)
    values = desk.values_of(MIDDLE)
    before = [candidate.id for candidate in run.candidates()]
    first = desk.move("p", 1, values)
    assert header_of(first)["mark"] == "estimated"
    assert array_of(first, "vertical_band").min() > 0
    told.wait(lambda: len(told.frames()) >= 2)
    assert [frame["mark"] for frame in told.frames()] == ["draft", "solved"]
    draft, solved = told.frames()
    assert draft["baseline_score"]["total_db"] > 0  # like is held against like
    assert "baseline_score" not in solved
    assert told.frames()[-1]["id"] == "hand001"
    after = run.candidates()
    assert [c.id for c in after] == [*before, "hand001"]
    assert after[-1].values == values
    assert after[-1].score.total_db == pytest.approx(told.frames()[-1]["score"]["total_db"])
    again = desk.move("p", 2, values)
    assert header_of(again)["mark"] == "solved"
    assert "vertical_band" not in header_of(again)["arrays"]


def test_an_estimate_is_near_what_is_solved_then(desk, told):
    wait_for_estimates(desk)
    estimate = desk.move("p", 1, desk.values_of(MIDDLE))
    scored = desk.scores(1, desk.values_of(MIDDLE))
    told.wait(lambda: len(told.frames()) >= 2)
    assert not desk.scores(2, desk.values_of(MIDDLE))  # what is solved has its score already
    solved = desk.move("p", 2, desk.values_of(MIDDLE))
    in_front = np.abs(array_of(solved, "angle")) <= 60
    for plane in ("horizontal", "vertical"):
        off = (array_of(estimate, plane) - array_of(solved, plane))[:, in_front]
        assert np.abs(off).max() < 0.5
    (told_after,) = scored
    assert (told_after["kind"], told_after["move"]) == ("scored", 1)
    totals = [each["score"]["total_db"] for each in (told_after, header_of(solved))]
    assert totals[0] == pytest.approx(totals[1], abs=0.5)


def test_a_shape_that_breaks_a_rule_is_neither_estimated_nor_solved(desk, stub, told):
    wait_for_estimates(desk)
    values = desk.values_of({"lens.opening_height_mm": 91.3, "lens.depth_mm": 39.0})
    answer = header_of(desk.move("p", 1, values))
    assert answer["mark"] == ""
    assert answer["faults"] == ["Invalid depth '39 mm'. Must be at most a quarter of 91.3 mm."]
    time.sleep(0.5)
    assert 91.3 not in stub.meshed
    broken = broken_stretches(desk.judge, values)["lens.depth_mm"]
    assert broken[-1][1] == 40
    assert broken[0][0] == pytest.approx(91.3 / 4, abs=1.6)


@pytest.mark.parametrize(
    ("given", "rule"),
    [
        ({"lens.depth_mm": 14.0}, "Invalid value of lens.opening_height_mm 'None'"),
        (MIDDLE | {"lens.depth_mm": 99.0}, "Invalid value of lens.depth_mm '99.0'. Must be from"),
        (MIDDLE | {"lens.depth_mm": "14"}, "Invalid value of lens.depth_mm '14'"),
        (MIDDLE | {"lens.depth_mm": 10**400}, "lens.depth_mm 'a huge one'. Must be from"),
        (MIDDLE | {"lens.depth_mm": float("nan")}, "Invalid value of lens.depth_mm 'nan'"),
        (MIDDLE | {"lens.other_mm": 1.0}, "Invalid parameter 'lens.other_mm'"),
    ],
)
def test_values_that_are_none_are_refused(desk, given, rule):
    with pytest.raises(InputError, match=rule):
        desk.values_of(given)


def test_a_newer_move_ends_an_older_solve_and_nothing_stale_is_sent(desk, stub, told):
    wait_for_estimates(desk)
    begun, go_on, seen = threading.Event(), threading.Event(), []

    def held_up(band):
        seen.append(band)
        if len(seen) == 1:
            begun.set()
            assert go_on.wait(20)

    stub.on_solve = held_up
    desk.move("p", 1, desk.values_of(MIDDLE))
    assert begun.wait(20)
    newer = {**MIDDLE, "lens.depth_mm": 20.6}
    desk.move("p", 2, desk.values_of(newer))
    go_on.set()
    told.wait(lambda: len(told.frames()) >= 2)
    assert {frame["move"] for frame in told.frames()} == {2}
    assert desk.known.of(desk.values_of(MIDDLE)) is None


def test_a_move_just_as_the_one_before_is_solved_is_solved_too(desk, told, monkeypatch):
    wait_for_estimates(desk)
    first, second = MIDDLE, {**MIDDLE, "lens.depth_mm": 15.1}
    solve_full, moved = Bench.full, []

    def move_on(bench, values, is_over):
        name = solve_full(bench, values, is_over)
        if not moved:
            moved.append(name)
            desk.move("page", 2, desk.values_of(second))
        return name

    monkeypatch.setattr(Bench, "full", move_on)
    desk.move("page", 1, desk.values_of(first))
    told.wait(lambda: [f for f in told.frames() if f["move"] == 2 and f["mark"] == "solved"])
    assert moved[0]


def test_500_quick_moves_leave_no_solve_behind(desk, stub, run):
    wait_for_estimates(desk)
    depths, moved_to, marks = np.linspace(10.1, 22.0, 500), set(), []

    def note(values):
        moved_to.update(set(depths) & {values.get("lens.depth_mm")})
        return False

    stub.fail_mesh = note
    server = LiveServer(desk)
    server.start()
    try:
        with talk(server) as page:
            assert json.loads(page.recv())["kind"] == "hello"
            for number, depth in enumerate(depths):
                values = {**MIDDLE, "lens.depth_mm": float(depth)}
                page.send(json.dumps({"kind": "move", "move": number, "values": values}))
            while "solved" not in marks:
                message = page.recv(timeout=60)
                if isinstance(message, bytes) and header_of(message)["kind"] == "answer":
                    header = header_of(message)
                    marks.append(header["mark"])
                    assert header["mark"] == "estimated" or header["move"] == 499
        assert marks.count("draft") == marks.count("solved") == 1
        meshed = set(moved_to)
        assert depths[-1] in meshed
        assert len(meshed) <= 2  # the last; one begun before
        time.sleep(0.5)  # the page is closed
        assert moved_to == meshed
    finally:
        server.stop()
    assert [c.id for c in run.candidates() if is_by_hand(c.id)] == ["hand001"]
    assert not list((run.path / "candidates").glob("hand00[2-9]"))


def test_while_another_process_works_on_the_run_the_full_band_waits(desk, run, told):
    wait_for_estimates(desk)
    with run.locked():
        desk.move("p", 1, desk.values_of(MIDDLE))
        told.wait(lambda: "waits" in desk._doing)
        assert [frame["mark"] for frame in told.frames()] == ["draft"]
        assert desk.state()["state"]["status"] == "running"
    told.wait(lambda: len(told.frames()) == 2)
    assert told.frames()[-1]["mark"] == "solved"


def test_beside_a_run_that_goes_on_it_is_watched_opened_laid_over_and_judged(run, told):
    whole = run.path.with_name("whole")
    shutil.copytree(run.path, whole)
    last = run.candidates()[-1].id
    run.forget_candidate(last)
    desk = open_desk(run)  # nothing solves here: it is still busy starting that
    desk.publish = told
    desk.open()
    try:
        with run.locked():
            desk._study.is_read.wait(timeout=30)
            before = desk.state()["state"]
            assert before["status"] == "running"
            first = next(row["id"] for row in before["rows"] if row["id"] != "baseline")
            frames = [header_of(frame) for frame in desk.opened("p", 1, first)]
            laid_over = [header_of(frame) for frame in desk.opened("p", -1, "baseline")]
            assert [f["kind"] for f in frames] == [f["kind"] for f in laid_over]
            assert (frames[0]["id"], laid_over[0]["id"]) == (first, "baseline")
            desk.note(first, "too deep", "rejected")
            # The other process solves one more.
            for name in (f"candidates/{last}", "catalog.sqlite"):
                (shutil.copytree if "/" in name else shutil.copyfile)(
                    whole / name, run.path / name
                )
            told.wait(lambda: last in desk.known.answers)
            after = desk.state()["state"]
            assert after["full"] == before["full"] + 1
            (judged,) = [row for row in after["rows"] if row["id"] == first]
            assert "too deep" in str(judged["notes"])
            assert not (run.path / "first_view.bin").exists()  # it is not over
    finally:
        desk.close()


def test_a_shape_that_cannot_be_meshed_is_said_and_the_next_is_solved(desk, stub, told):
    wait_for_estimates(desk)
    stub.fail_mesh = lambda values: values.get("lens.depth_mm") == 14.2
    desk.move("p", 1, desk.values_of(MIDDLE))
    told.wait(lambda: "gmsh can mesh" in desk._fault)
    desk.move("p", 2, desk.values_of({**MIDDLE, "lens.depth_mm": 15.0}))
    told.wait(lambda: len(told.frames()) >= 2)
    assert {frame["move"] for frame in told.frames()} == {2}
    assert desk._fault == ""


def test_a_kept_shape_has_its_name_and_note(desk, run, told):
    wait_for_estimates(desk)
    desk.move("p", 1, desk.values_of(MIDDLE))
    told.wait(lambda: len(told.frames()) >= 2)
    desk.keep("hand001", "  A <b>shallow</b> one ", "wide enough?")
    (row,) = [row for row in desk.state()["state"]["rows"] if row["id"] == "hand001"]
    assert row["label"] == "A <b>shallow</b> one"
    assert any("wide enough?" in note for note in row["notes"])
    run.renew_catalogue()  # a damaged one is made anew
    assert run.candidates()[-1].label == "A <b>shallow</b> one"
    with pytest.raises(InputError, match=r"Invalid name ''. Must be 1 to 80 characters"):
        desk.keep("hand001", " ", "")
    with pytest.raises(InputError, match=r"Invalid candidate 'c999'. Must be one that is solved"):
        desk.keep("c999", "name", "")


def test_from_a_first_start_a_small_spread_is_solved_and_said(write_job, options, told, quick):
    folder = queue_run(write_job(), options)
    desk = open_desk(folder, options)
    desk.publish = told
    assert header_of(desk.move("p", 1, desk.values_of(MIDDLE)))["mark"] == ""
    desk._newest.wish = None
    desk.open()
    try:
        told.wait(lambda: "small spread" in str([m for _, m in told.messages]))
        wait_for_estimates(desk)
        assert header_of(desk.move("p", 2, desk.values_of(MIDDLE)))["mark"] == "estimated"
        told.wait(lambda: len(told.frames()) >= 2)
        assert [frame["mark"] for frame in told.frames()] == ["draft", "solved"]
    finally:
        desk.close()
    assert folder.has_directivity("baseline")
    assert folder.load_record().status == store.QUEUED  # what was asked for still waits


def test_a_search_that_goes_on_neither_counts_nor_draws_what_was_set_by_hand(desk, run, told):
    wait_for_estimates(desk)
    before = sampling_of(run, run.load_job())
    desk.move("p", 1, desk.values_of(MIDDLE))
    told.wait(lambda: len(told.frames()) >= 2)
    assert sampling_of(run, run.load_job()) == before
    assert hand_id(c.id for c in run.candidates()) == "hand002"


def test_a_candidate_is_opened_with_its_shape(desk, run):
    levels, shape = desk.opened("p", -1, "c002")
    assert header_of(levels)["mark"] == "solved"
    assert set(header_of(levels)["values"]) == set(MIDDLE)
    corners = array_of(shape, "corners")
    assert len(corners) == 8  # the half octahedron and its mirror image
    assert array_of(shape, "side").shape[1] == 4
    with pytest.raises(InputError, match=r"candidate '../c002'. Must be one that is solved"):
        desk.opened("p", -1, "../c002")


def test_a_carved_candidate_is_opened_with_the_dimensions_before_carving(desk, run):
    (parent,) = [c for c in run.candidates() if c.id == "c002"]
    run.add_candidates([replace(parent, id="c002_carved", values={})])
    shutil.copytree(run.path / "candidates/c002", run.path / "candidates/c002_carved")
    header = header_of(desk.opened("p", 1, "c002_carved")[0])
    assert header["is_carved"]
    assert header["values"] == {key: parent.values[key] for key in desk.judge.searched}


def test_a_job_that_searches_nothing_has_no_page(write_job, options):
    fixed = (
        ("opening_height_mm = { from = 90, to = 160 }", "opening_height_mm = 120"),
        ("depth_mm = { from = 10, to = 40 }", "depth_mm = 20"),
        ("candidates = 3", 'plan = "list"'),
    )
    folder = queue_run(write_job(*fixed), options)
    with pytest.raises(InputError, match="Must be one that searches a dimension"):
        open_desk(folder, options)


@pytest.mark.parametrize(
    ("low", "high", "step"), [(90.0, 160.0, 0.5), (5.0, 40.0, 0.2), (91.0, 91.0, 1.0)]
)
def test_a_slider_moves_by_steps_that_somebody_would_write_down(low, high, step):
    """A hundredth of the range or a little less; a range of one value has a step, too."""
    assert slider_step(low, high) == pytest.approx(step)
