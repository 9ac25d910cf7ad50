# SPDX-License-Identifier: GPL-3.0-or-later
"""How the live page starts, and what of a draft is prepared or kept for the next time."""

import json
import threading
import time
from dataclasses import replace

import numpy as np
import pytest
from told import Told, header_of
from websockets.sync.client import connect

from bafflelens.base.errors import MeshingError
from bafflelens.cli import main
from bafflelens.live import desk as desk_module
from bafflelens.live import learning, serving
from bafflelens.live.beforehand import neighbours_of
from bafflelens.live.desk import open_desk
from bafflelens.live.frames import levels_of
from bafflelens.live.kept import load_kept
from bafflelens.live.known import Known, key_of
from bafflelens.live.server import LiveServer
from bafflelens.live.solved import Judge
from bafflelens.live.solves import Bench, draft_bands, pieces_of
from bafflelens.run.pipeline import queue_run
from bafflelens.workers.caching.solved import CacheSettings


@pytest.fixture
def run(run_of_six):
    return run_of_six


def studied(run):
    """Return a desk that solves nothing, once it has learned."""
    desk = open_desk(run)
    desk.open()
    end = time.monotonic() + 30
    while not (desk.known.learned and desk.known.learned.is_judged):
        assert time.monotonic() < end
        time.sleep(0.01)
    desk.close()
    return desk.known.learned


def test_what_was_learned_is_there_the_next_time(run, monkeypatch):
    first = studied(run)
    assert load_kept(run).digest == first.digest
    monkeypatch.setattr(learning, "kernel_from", None)  # nothing is looked for again
    again = studied(run)
    assert again.estimator.kernels == first.estimator.kernels
    assert again.score_off_db == first.score_off_db


def test_what_was_learned_from_other_shapes_is_learned_anew(run):
    first = studied(run)
    run.forget_candidate("c006")
    again = studied(run)
    assert again.digest != first.digest
    assert again.estimator.n_shapes == first.estimator.n_shapes - 1


@pytest.mark.parametrize(
    "content",
    ["{", "[]", '{"digest": "", "score_off_db": 1, "kernels": [{"smooth": 1}]}', "negative"],
)
def test_what_was_kept_and_is_damaged_is_learned_anew(run, content):
    first = studied(run)
    path = run.path / "estimates.json"
    if content == "negative":
        kept = json.loads(path.read_text())
        kept["kernels"][0]["lengths"][0] *= -1
        content = json.dumps(kept)
    path.write_text(content)
    assert load_kept(run) is None
    assert studied(run).estimator.kernels == first.estimator.kernels


def test_the_page_is_there_before_the_run_is_read(run):
    server = LiveServer(token="right")
    server.start()
    try:
        address = f"127.0.0.1:{server.port}"
        origin = f"http://{address}"
        with connect(f"ws://{address}/right/socket", origin=origin, proxy=None) as page:
            with pytest.raises(TimeoutError):
                page.recv(timeout=0.2)
            server.give(open_desk(run))
            hello = json.loads(page.recv(timeout=20))
        assert hello["kind"] == "hello"
    finally:
        server.stop()


def test_a_page_is_greeted_before_it_is_told_anything(run, monkeypatch):
    desk = open_desk(run)
    server = LiveServer(desk)
    real = desk.hello

    def hello():
        for _ in range(5):  # while the greeting is made, something is found
            desk.publish("", {"kind": "state"})
        time.sleep(0.1)
        return real()

    monkeypatch.setattr(desk, "hello", hello)
    server.start()
    try:
        address = f"127.0.0.1:{server.port}"
        socket = f"ws://{address}/{server.token}/socket"
        with connect(socket, origin=f"http://{address}", proxy=None) as page:
            assert json.loads(page.recv(timeout=20))["kind"] == "hello"
            desk.publish("", {"kind": "state", "doing": "more"})
            assert json.loads(page.recv(timeout=20))["doing"] == "more"
    finally:
        server.stop()


def test_nothing_is_begun_while_a_newer_move_waits_for_its_answer(run, options, monkeypatch):
    monkeypatch.setattr(serving, "SETTLE_S", 0.05)
    desk = open_desk(run, options)
    server = LiveServer(desk)
    real, drafts = desk.move, []

    def slow(page, number, values):
        answer = real(page, number, values)
        time.sleep(0.5)  # ten times as long as a wish must rest
        return answer

    monkeypatch.setattr(desk, "move", slow)
    monkeypatch.setattr(
        Bench, "draft", lambda bench, name, values, *_, **__: drafts.append(values)
    )
    server.start()
    desk.open()
    try:
        address = f"127.0.0.1:{server.port}"
        socket = f"ws://{address}/{server.token}/socket"
        with connect(socket, origin=f"http://{address}", proxy=None) as page:
            assert json.loads(page.recv(timeout=20))["kind"] == "hello"
            for number, depth in enumerate((11.3, 12.3, 13.3)):
                values = {"lens.opening_height_mm": 121.3, "lens.depth_mm": depth}
                page.send(json.dumps({"kind": "move", "move": number, "values": values}))
                time.sleep(0.2)
            end = time.monotonic() + 20
            while not any(values.get("lens.depth_mm") == 13.3 for values in drafts):
                assert time.monotonic() < end
                time.sleep(0.02)
        # The baseline, which is looked at beforehand, has no such dimension.
        assert not {11.3, 12.3} & {values.get("lens.depth_mm") for values in drafts}
    finally:
        server.stop()
        desk.close()


def test_a_folder_that_is_no_run_is_refused_before_anything_starts(tmp_path, capsys, monkeypatch):
    def start(server):
        raise AssertionError

    monkeypatch.setattr(LiveServer, "start", start)
    assert main(["live", str(tmp_path)]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert f"Invalid run folder '{tmp_path}'. Must be the folder of a run" in printed.err


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (
            ("--workers", "0"),
            "Invalid option '--workers' '0'. Must be a whole number",
        ),
        (
            ("--cache-gib", "-1"),
            "Invalid option '--cache-gib' '-1.0'. Must be a number",
        ),
        (("--until", "07:00"), "Unknown option: --until"),  # a page has no end by the clock
    ],
)
def test_options_that_are_none_are_refused_before_anything_starts(run, given, said, capsys):
    assert main(["live", str(run.path), "--no-browser", *given]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert said in printed.err


def test_a_job_that_searches_nothing_is_refused_before_anything_starts(
    write_job, options, tmp_path, capsys, monkeypatch
):
    def start(server):
        raise AssertionError

    monkeypatch.setattr(LiveServer, "start", start)
    job = write_job(
        ("opening_height_mm = { from = 90, to = 160 }", "opening_height_mm = 120"),
        ("depth_mm = { from = 10, to = 40 }", "depth_mm = 20"),
        ("candidates = 3", 'plan = "list"'),
    )
    folder = queue_run(job, options).path
    made = tmp_path / "made"
    for given in (job, folder):
        assert main(["live", str(given), "--results", str(made)]) == 2
        printed = capsys.readouterr()
        assert printed.out == ""
        assert "Must be one that searches a dimension: { from = ..., to = ... }" in printed.err
        assert len(printed.err.splitlines()) == 1
    assert not made.exists()


def test_the_first_shape_is_answered_before_the_rest_is_read(run):
    desk = open_desk(run)
    desk.known.read_first()
    assert len(desk.known.answers) == 2  # the best, and the baseline
    start = {key: desk.known.start()[key] for key in desk.judge.searched}
    answer = header_of(desk.move("p", 1, desk.values_of(start)))
    assert answer["mark"] == "solved"
    assert answer["score"]["total_db"] is not None


def test_before_any_move_a_first_draft_finds_its_baseline_and_a_mesh(run, options):
    desk = open_desk(run, options)
    desk.publish = Told()
    desk.open()
    try:
        desk.publish.wait(lambda: "getting ready" in str(desk.publish.messages))
        desk.publish.wait(lambda: key_of(desk.known.start()) in desk.known.drafts)
        assert desk.known.draft_baseline is not None
    finally:
        desk.close()


def test_while_nothing_moves_drafts_of_neighbours_are_solved_one_a_dimension(run, options):
    desk = open_desk(run, options)
    desk.publish = Told()
    desk.open()
    try:
        start = desk.known.start()
        beside = neighbours_of(desk.judge, start)
        assert len(beside) == len(desk.judge.searched)
        for values in beside:
            assert not desk.judge.faults(values)
            assert sum(values[key] != start[key] for key in start) == 1
        desk.publish.wait(lambda: {key_of(one) for one in beside} <= set(desk.known.drafts))
        desk.publish.wait(lambda: not desk._doing)  # that was all
        assert not desk._beforehand.has_neighbours_left(start)
        assert not desk._beforehand.has_neighbours_left(beside[0])  # hardly another
    finally:
        desk.close()


def test_a_move_ends_the_draft_of_a_neighbour_at_once(run, options, monkeypatch):
    monkeypatch.setattr(serving, "SETTLE_S", 0.05)
    real, ended = Bench.draft, []

    def slow(bench, name, values, is_over, *more, is_ahead=False):
        if "preparing drafts near" not in desk._doing:
            return real(bench, name, values, is_over, *more)
        assert is_ahead
        end = time.monotonic() + 30
        while not is_over():
            assert time.monotonic() < end
            time.sleep(0.01)
        ended.append(values)
        return None

    monkeypatch.setattr(Bench, "draft", slow)
    desk = open_desk(run, options)
    desk.publish = Told()
    desk.open()
    try:
        desk.publish.wait(lambda: "preparing drafts near" in desk._doing)
        moved = desk.values_of({"lens.opening_height_mm": 121.3, "lens.depth_mm": 14.2})
        desk.move("p", 1, moved)
        desk.publish.wait(lambda: key_of(moved) in desk.known.drafts)
        assert len(ended) == 1
        assert key_of(ended[0]) not in desk.known.drafts
    finally:
        desk.close()


def test_a_shape_that_the_run_solves_while_a_page_waits_is_shown_whole(run, options, monkeypatch):
    """Its levels and the shape itself, which another process has meshed."""
    monkeypatch.setattr(serving, "SETTLE_S", 0.05)
    desk, is_solved = open_desk(run, options), threading.Event()
    desk.publish = told = Told()
    desk.is_moving = lambda: not is_solved.is_set()  # keeps it from solving the shape itself
    desk.open()
    try:
        told.wait(lambda: desk._study.is_read.is_set() and desk.known.learned is not None)
        whole = desk.known.answers
        desk.known.answers = {name: each for name, each in whole.items() if name != "c002"}
        assert header_of(desk.move("p", 1, whole["c002"].values))["mark"] == "estimated"
        desk.known.answers = whole
        is_solved.set()
        told.wait(lambda: told.frames("shape"))
        assert [(each["move"], each["mark"]) for each in told.frames()] == [(1, "solved")]
        assert [(each["move"], each["id"]) for each in told.frames("shape")] == [(1, "c002")]
    finally:
        desk.close()


def test_a_full_band_is_not_begun_while_a_draft_is_looked_at(run, options, monkeypatch):
    """However long the draft took: its workers would be busy when the next move comes."""
    monkeypatch.setattr(serving, "FULL_SETTLE_S", 0.5)
    real_draft, drafted, begun = Bench.draft, [], []

    def slow(bench, name, values, is_over, *more, is_ahead=False):
        drawn = real_draft(bench, name, values, is_over, *more)
        time.sleep(0.6)  # longer than a wish must rest from when it came
        drafted.append(time.monotonic())
        return drawn

    def full(bench, values, is_over):
        begun.append(time.monotonic())

    monkeypatch.setattr(Bench, "draft", slow)
    monkeypatch.setattr(Bench, "full", full)
    desk = open_desk(run, options)
    desk.publish = Told()
    desk.open()
    try:
        desk.move("p", 1, desk.values_of({"lens.opening_height_mm": 121.3, "lens.depth_mm": 14.2}))
        desk.publish.wait(lambda: begun)
        assert begun[0] - drafted[-1] >= 0.5
    finally:
        desk.close()


def solved_by(desk, stub):
    """Return the frequencies that are solved for a move, and the candidate that comes of it."""
    desk.publish = told = Told()
    desk.open()
    try:
        told.wait(lambda: desk._study.is_read.is_set() and desk.known.learned is not None)
        stub.solved.clear()
        desk.move("p", 1, desk.values_of({"lens.opening_height_mm": 121.3, "lens.depth_mm": 14}))
        told.wait(lambda: [each for each in told.frames() if each["mark"] == "solved"])
    finally:
        desk.close()
    return {f for piece in stub.solved for f in piece}, told.frames()[-1]["id"]


def test_what_a_page_solves_is_in_the_cache_for_the_next(run, options, stub, monkeypatch):
    monkeypatch.setattr(serving, "SETTLE_S", 0.05)
    monkeypatch.setattr(serving, "FULL_SETTLE_S", 0.1)
    remembering = replace(options, cache=CacheSettings(path=options.results / "solved.sqlite"))
    full = set(np.asarray(run.load_directivity("c001")["frequency"]))
    frequencies, name = solved_by(open_desk(run, remembering), stub)
    assert full <= frequencies
    run.forget_candidate(name)
    frequencies, _ = solved_by(open_desk(run, remembering), stub)
    assert not full & frequencies


def test_what_is_being_learned_holds_up_no_end(run, monkeypatch):
    go_on = threading.Event()
    monkeypatch.setattr(desk_module, "ENDING_S", 0.2)
    monkeypatch.setattr(Known, "learn", lambda known, tell: go_on.wait(20))
    desk = open_desk(run)
    desk.open()
    begun = time.monotonic()
    desk.close()
    assert time.monotonic() - begun < 5
    go_on.set()


def test_what_is_drawn_of_an_estimate_is_what_its_dataset_says(run):
    learned = studied(run)
    judge = Judge(loaded=run.load_job(), folder=run)
    estimate = learned.estimator.estimate((121.3, 14.2))
    drawn = learned.drawing.levels(estimate)
    for name, level in levels_of(learned.dataset_of(estimate), judge.target).items():
        known = np.isfinite(drawn[name])  # not where the band is too wide to be of use
        assert known.any()
        assert drawn[name][known] == pytest.approx(np.asarray(level)[known], abs=1e-4)


def test_a_neighbour_that_cannot_be_meshed_is_passed_over(run, options, monkeypatch):
    real = Bench.draft

    def fail(bench, name, values, is_over, *more, is_ahead=False):
        if "preparing drafts near" in desk._doing:
            msg = "no mesh"
            raise MeshingError(msg)
        return real(bench, name, values, is_over, *more)

    monkeypatch.setattr(Bench, "draft", fail)
    desk = open_desk(run, options)
    desk.publish = Told()
    desk.open()
    try:
        start = desk.known.start()
        desk.publish.wait(lambda: key_of(start) in desk.known.drafts)
        desk.publish.wait(lambda: not desk._doing)
        assert not desk._beforehand.has_neighbours_left(start)
        assert not desk._fault
    finally:
        desk.close()


def test_a_draft_is_solved_on_two_meshes_and_shared_among_workers():
    frequencies = np.geomspace(2000, 12000, 12)
    bands = draft_bands(frequencies)
    assert len(bands) == 2
    assert [len(pieces_of(band, 1)) for band in bands] == [1, 1]  # two workers have one each
    pieces = [piece for band in bands for piece in pieces_of(band, 2)]
    assert len(pieces) == 4
    assert np.concatenate([p.frequencies_hz for p in pieces]) == pytest.approx(frequencies)
    for piece in pieces:
        assert max(piece.frequencies_hz) <= piece.mesh_frequency_hz
    assert len(draft_bands([3000.0])) == 1
    assert len(pieces_of(bands[0], 0)) == 1


def test_a_fault_while_learning_is_said_and_nobody_waits(run, options, monkeypatch):
    def fail(known, tell):
        msg = "no such thing"
        raise ZeroDivisionError(msg)

    monkeypatch.setattr(Known, "learn", fail)
    desk = open_desk(run, options)
    desk.publish = Told()
    desk.open()
    try:
        desk.publish.wait(lambda: "Nothing more is learned: ZeroDivisionError" in desk._fault)
        desk.publish.wait(lambda: desk.known.drafts)  # what solves goes on
    finally:
        desk.close()


def test_of_a_shape_that_is_opened_neighbours_are_solved(run, options):
    desk = open_desk(run, options)
    desk.publish = Told()
    desk.open()
    try:
        desk.publish.wait(lambda: desk._study.is_read.is_set() and "c002" in desk.known.answers)
        values = desk.known.answers["c002"].values
        beside = neighbours_of(desk.judge, values)
        desk.opened("p", 1, "c002")
        desk.publish.wait(lambda: {key_of(one) for one in beside} <= set(desk.known.drafts))
        before = desk._newest.wish
        desk.opened("p", -1, "c001")  # only held beside it
        desk.opened("p", 2, "baseline")  # has no such dimensions
        assert desk._newest.wish is before
    finally:
        desk.close()


def test_what_is_asked_for_ends_the_draft_of_a_neighbour(run, options, monkeypatch):
    real, ended = Bench.draft, threading.Event()

    def slow(bench, name, values, is_over, *more, is_ahead=False):
        if "preparing drafts near" not in desk._doing or ended.is_set():
            return real(bench, name, values, is_over, *more)
        end = time.monotonic() + 30
        while not is_over():
            assert time.monotonic() < end
            time.sleep(0.01)
        ended.set()
        return None

    monkeypatch.setattr(Bench, "draft", slow)
    monkeypatch.setattr(Bench, "carve", lambda bench, name, is_over: f"{name}_carved")
    desk = open_desk(run, options)
    desk.publish = told = Told()
    desk.open()
    try:
        told.wait(lambda: "preparing drafts near" in desk._doing)
        desk.ask("p", "carve", "c001")
        told.wait(lambda: ("p", {"kind": "made", "id": "c001_carved"}) in told.messages)
        assert ended.is_set()
    finally:
        desk.close()
