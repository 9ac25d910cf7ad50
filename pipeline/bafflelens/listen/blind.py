# SPDX-License-Identifier: GPL-3.0-or-later
"""The page of a blind test, served to this machine only.

It keeps to the rules of `bafflelens.base.loopback`. What a trial plays is known to the server
alone until the last is answered.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Final

from bafflelens.base.errors import InputError
from bafflelens.base.loopback import (
    LOOPBACK,
    is_own_host,
    is_own_origin,
    is_token,
    new_token,
    page_address,
    safe_headers,
)
from bafflelens.listen.trials import ABX, Trials, result_text, trial_plan_text

_LONGEST_BODY: Final = 1000
_LAST_ANSWER_S: Final = 1.0  # the page must still get the result
_ASSETS: Final = {
    "": ("blind.html", "text/html; charset=utf-8"),
    "blind.js": ("blind.js", "text/javascript; charset=utf-8"),
    "blind.css": ("blind.css", "text/css; charset=utf-8"),
}


@dataclass(eq=False)
class BlindTest:
    """A test that goes on: the only thing here that changes.

    Attributes
    ----------
    names : tuple of str
        The two shapes.
    sounds : sequence of bytes
        Their files.
    trials : Trials
        What is hidden and what was answered.
    token : str
        What every address holds.
    done : threading.Event
        Set when the last trial is answered.
    """

    names: tuple[str, str]
    sounds: Sequence[bytes]
    trials: Trials
    token: str = field(default_factory=new_token)
    done: threading.Event = field(default_factory=threading.Event)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def state(self) -> dict[str, Any]:
        """Return what the page may know: never what is hidden before the end."""
        trials = self.trials
        known: dict[str, Any] = {
            "kind": trials.kind,
            "trial": len(trials.answers),
            "trials": trials.number,
            "plan": trial_plan_text(trials.number, trials.kind),
            "done": trials.is_done,
        }
        if trials.is_done:
            known["result"] = result_text(trials, self.names)
        return known

    def sound(self, name: str) -> bytes | None:
        """Return the file of ``a``, ``b``, or of place 0 or 1 in the open trial; None if none."""
        trials = self.trials
        if trials.kind == ABX and name in ("a", "b"):
            return self.sounds["ab".index(name)]
        place = {"x": 0} if trials.kind == ABX else {"first": 0, "second": 1}
        if name not in place or trials.is_done:
            return None
        return self.sounds[trials.played(len(trials.answers), place[name])]

    def answer(self, trial: int, choice: int) -> None:
        """Take an answer; the last ends the test."""
        with self._lock:
            self.trials = self.trials.answered(trial, choice)
        if self.trials.is_done:
            self.done.set()


def serve(test: BlindTest, announce: Callable[[str], None], port: int = 0) -> Trials:
    """Serve the page until the last trial is answered, and return the test as it ended.

    Parameters
    ----------
    test : BlindTest
        What is to be heard.
    announce : callable
        Told the address of the page.
    port : int
        0 for any that is free.
    """
    server = start(test, port)
    announce(address_of(server, test))
    try:
        while not test.done.wait(0.5):  # so that Ctrl-C is heard
            pass
        time.sleep(_LAST_ANSWER_S)
    finally:
        server.shutdown()
        server.server_close()
    return test.trials


def start(test: BlindTest, port: int = 0) -> ThreadingHTTPServer:
    """Start serving in the background."""
    handler = type("Handler", (_Handler,), {"test": test})
    server = ThreadingHTTPServer((LOOPBACK, port), handler)
    server.daemon_threads = True
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server


def address_of(server: ThreadingHTTPServer, test: BlindTest) -> str:
    """Return where the page is."""
    return page_address(server.server_address[1], test.token)


class _Handler(BaseHTTPRequestHandler):
    """Answers one request."""

    test: BlindTest
    server_version = "bafflelens"
    sys_version = ""

    def do_GET(self) -> None:
        """Send the page, a sound, or how far the test is."""
        name = self._name()
        if name is None:
            return
        if name in _ASSETS:
            file, kind = _ASSETS[name]
            self._send((Path(__file__).parent / file).read_bytes(), kind)
        elif name == "state":
            self._send(json.dumps(self.test.state()).encode(), "application/json")
        elif name.startswith("sound/") and (found := self.test.sound(name[6:])) is not None:
            self._send(found, "audio/wav")
        else:
            self._refuse(HTTPStatus.NOT_FOUND)

    def do_POST(self) -> None:
        """Take an answer, from the page only."""
        name = self._name()
        if name is None:
            return
        if not is_own_origin(self.headers.get("Origin"), self._port()):
            self._refuse(HTTPStatus.FORBIDDEN)
            return
        try:
            length = int(self.headers.get("Content-Length", ""))
            if name != "answer" or not 0 < length <= _LONGEST_BODY:
                raise ValueError
            given = json.loads(self.rfile.read(length))
            trial, choice = given["trial"], given["choice"]
            if type(trial) is not int or type(choice) is not int:
                raise TypeError
            self.test.answer(trial, choice)
        except (ValueError, KeyError, TypeError, InputError):
            self._refuse(HTTPStatus.BAD_REQUEST)
            return
        self._send(json.dumps(self.test.state()).encode(), "application/json")

    def _port(self) -> int:
        return int(self.connection.getsockname()[1])

    def _name(self) -> str | None:
        """Return what is asked for below the token; None, and a refusal, if it is not given."""
        if not is_own_host(self.headers.get("Host"), self._port()):
            self._refuse(HTTPStatus.MISDIRECTED_REQUEST)
            return None
        token, _, name = self.path.lstrip("/").partition("/")
        if not is_token(token, self.test.token):
            self._refuse(HTTPStatus.NOT_FOUND)
            return None
        return name

    def _send(self, content: bytes, kind: str, status: HTTPStatus = HTTPStatus.OK) -> None:
        self.send_response(status)
        for name, value in {
            "Content-Type": kind,
            "Content-Length": str(len(content)),
            **safe_headers(),
        }.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(content)

    def _refuse(self, status: HTTPStatus) -> None:
        self.close_connection = True
        self._send(status.phrase.encode(), "text/plain; charset=utf-8", status)

    def log_message(self, format: str, *arguments: Any) -> None:
        """Say nothing: addresses hold the token."""
