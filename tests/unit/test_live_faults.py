# SPDX-License-Identifier: GPL-3.0-or-later
"""What goes wrong behind the live page is said on it, and the page goes on."""

import json
from contextlib import contextmanager

import pytest
from told import Told, header_of
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

from bafflelens.base.errors import BafflelensError, StoreError
from bafflelens.live import solves
from bafflelens.live.desk import open_desk
from bafflelens.live.server import LiveServer

VALUES = {"lens.opening_height_mm": 121.3, "lens.depth_mm": 14.2}


@pytest.fixture
def desk(run_of_six):
    return open_desk(run_of_six)


@contextmanager
def page_of(desk):
    server = LiveServer(desk)
    server.start()
    address = f"127.0.0.1:{server.port}"
    socket = f"ws://{address}/{server.token}/socket"
    try:
        with connect(socket, origin=f"http://{address}", proxy=None) as page:
            yield page
    finally:
        server.stop()


def told(page, kind):
    """Return the next message of a kind, be it a frame."""
    while True:
        message = page.recv(timeout=20)
        found = header_of(message) if isinstance(message, bytes) else json.loads(message)
        if found["kind"] == kind:
            return found


def test_a_run_that_cannot_be_read_is_said_and_the_page_may_ask_again(desk, monkeypatch):
    def hello():
        msg = "Invalid catalogue 'x'. Must be whole."
        raise StoreError(msg)

    with monkeypatch.context() as patch:
        patch.setattr(desk, "hello", hello)
        with page_of(desk) as page:
            assert told(page, "fault")["text"] == "Invalid catalogue 'x'. Must be whole."
            with pytest.raises(ConnectionClosed) as closed:
                page.recv(timeout=20)
            assert closed.value.rcvd.code == 1011
    with page_of(desk) as page:
        assert told(page, "hello")["run"] == desk.judge.folder.name


def test_where_nothing_can_be_solved_that_is_said_to_whoever_asks(desk, options, monkeypatch):
    def open_bench(judge, options):
        msg = "Invalid cache 'x'. Must be in a folder that can be written."
        raise StoreError(msg)

    monkeypatch.setattr(solves, "open_bench", open_bench)
    desk.publish = told = Told()
    desk.open()
    desk.equip(options)
    try:
        why = "Nothing can be solved here: Invalid cache 'x'. Must be in a folder"
        told.wait(lambda: why in desk.state()["state"]["fault"])
        assert desk.state()["state"]["doing"] == ""
        with pytest.raises(BafflelensError, match=why):
            desk.ask("p", "carve", "c001")
    finally:
        desk.close()


def test_a_move_that_fails_in_an_unforeseen_way_is_said_and_the_next_is_answered(
    desk, monkeypatch
):
    real = desk.values_of

    def values_of(given):
        if given == {}:
            msg = "unforeseen"
            raise ZeroDivisionError(msg)
        return real(given)

    monkeypatch.setattr(desk, "values_of", values_of)
    with page_of(desk) as page:
        page.send(json.dumps({"kind": "move", "move": 1, "values": {}}))
        text = told(page, "fault")["text"]
        assert text == "This cannot be answered: ZeroDivisionError: unforeseen"
        page.send(json.dumps({"kind": "move", "move": 2, "values": VALUES}))
        assert told(page, "answer")["move"] == 2
