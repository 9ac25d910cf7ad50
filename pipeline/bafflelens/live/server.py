# SPDX-License-Identifier: GPL-3.0-or-later
"""Serves the page and its socket to this machine only, by the rules of `base.loopback`."""

from __future__ import annotations

import asyncio
import json
import secrets
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from bafflelens.base.errors import BafflelensError, InputError
from bafflelens.base.loopback import (
    host_of,
    is_own_host,
    is_own_origin,
    is_token,
    new_token,
    page_address,
    safe_headers,
)
from bafflelens.live.messages import message_of
from bafflelens.live.open_page import Allowance, OpenPage
from bafflelens.live.port import listening_on
from bafflelens.live.waits import (
    FIRST_PAGE_S,
    GIVING_WAY_S,
    LOOK_SOON_S,
    RULES_AFTER_S,
    STATE_EVERY_S,
)

if TYPE_CHECKING:
    from bafflelens.live.desk import Desk
    from bafflelens.live.first_estimates import FirstEstimates
    from bafflelens.live.first_view import FirstView

_PAGE: Final = Path(__file__).parent / "page"
_KINDS: Final = {
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
}
LARGEST_MESSAGE: Final = 20_000
_MOST_PAGES: Final = 4
_REFUSED: Final = 1008  # policy violation, RFC 6455 section 7.4.1
_CANNOT: Final = 1011  # what keeps the server from answering, same section


class LiveServer:
    """The page of one desk.

    It may be started without one: then it shows the page, answers what its first view has an
    answer to or an estimate of, and a desk that is given later talks with whoever waits there.
    """

    def __init__(
        self,
        desk: Desk | None = None,
        port: int = 0,
        token: str = "",
        first: FirstView | None = None,
    ) -> None:
        self.desk = desk
        self.first = first
        self.estimates: FirstEstimates | None = None
        self._is_prepared = threading.Event()
        self.token = token or new_token()
        self._is_asked = threading.Event()
        self._is_shown = threading.Event()
        self._pages: dict[str, OpenPage] = {}
        self._listening = listening_on(port)
        self.port = int(self._listening.getsockname()[1])
        self._loop: asyncio.AbstractEventLoop | None = None
        config = uvicorn.Config(
            self._application(),
            ws="websockets-sansio",
            ws_max_size=LARGEST_MESSAGE,
            ws_per_message_deflate=False,
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,
            lifespan="off",
            timeout_graceful_shutdown=1,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._serve, name="page", daemon=True)

    @property
    def address(self) -> str:
        """Where the page is."""
        return page_address(self.port, self.token)

    def start(self) -> None:
        """Serve in the background; it answers when this returns."""
        if self.desk is not None:
            self.give(self.desk)
        self._thread.start()
        while not self._server.started and self._thread.is_alive():
            time.sleep(0.01)

    def prepare(self, run: Path) -> None:
        """Load what the first view of a run is estimated by; numpy is the slowest of it."""
        if self.first is not None and self.first.estimates:
            from bafflelens.live.first_estimates import first_estimates_from

            with suppress(ValueError, LookupError, TypeError):
                self.estimates = first_estimates_from(self.first.estimates, run)
        self._is_prepared.set()

    def give(self, desk: Desk) -> None:
        """Let a desk answer."""
        desk.first = self.estimates
        desk.publish = self._publish
        desk.is_moving = self._is_moving
        self.desk = desk

    def wait_for_a_page(self) -> None:
        """Wait until a first page has its answer, or for a while."""
        self._is_shown.wait(FIRST_PAGE_S)

    def give_way(self) -> None:
        """Wait while a page begins or a move is estimated: loading would hold it up."""
        if self.first is not None and self._is_asked.is_set():
            self._is_shown.wait(FIRST_PAGE_S)
        end = time.monotonic() + GIVING_WAY_S
        while self.estimates is not None and self._is_moving() and time.monotonic() < end:
            time.sleep(LOOK_SOON_S)

    def stop(self) -> None:
        """End serving."""
        self._server.should_exit = True
        self._thread.join(timeout=10)
        self._listening.close()

    # ------------------------------------------------------------------------------ inside

    def _serve(self) -> None:
        # Outside the main thread it leaves signals to whoever started it.
        asyncio.run(self._server.serve([self._listening]))

    def _application(self) -> Starlette:
        return Starlette(
            routes=[
                Route("/{token}/", self._asset, methods=["GET"]),
                Route("/{token}/{name}", self._asset, methods=["GET"]),
                WebSocketRoute("/{token}/socket", self._talk),
            ],
            exception_handlers={404: _refused, 405: _refused},
        )

    async def _asset(self, request: Request) -> Response:
        """Send a file of the page."""
        if not is_own_host(request.headers.get("host"), self.port):
            return self._answer("Misdirected Request", 421)
        if not is_token(request.path_params["token"], self.token):
            return self._answer("Not Found", 404)
        name = request.path_params.get("name") or "index.html"
        path = _PAGE / name
        if path.parent != _PAGE or path.suffix not in _KINDS or not path.is_file():
            return self._answer("Not Found", 404)
        self._is_asked.set()
        headers = safe_headers(f"ws://{host_of(self.port)}")
        return Response(path.read_bytes(), 200, headers, media_type=_KINDS[path.suffix])

    def _answer(self, text: str, status: int) -> Response:
        return PlainTextResponse(text, status, safe_headers())

    async def _talk(self, socket: WebSocket) -> None:
        """Talk with a page until it goes."""
        headers = socket.headers
        allowed = (
            is_own_host(headers.get("host"), self.port)
            and is_own_origin(headers.get("origin"), self.port)
            and is_token(socket.path_params["token"], self.token)
            and len(self._pages) < _MOST_PAGES
        )
        if not allowed:
            await socket.close(_REFUSED)
            return
        await socket.accept()
        self._loop = asyncio.get_running_loop()
        page = OpenPage(name=secrets.token_hex(8), socket=socket)
        self._pages[page.name] = page
        tasks: list[asyncio.Task[None]] = []
        try:
            hello = await self._hello()
            page.put(hello)
            page.is_greeted = True
            works = (self._send(page), self._answer_moves(page), self._keep_told(page, hello))
            tasks += map(asyncio.create_task, works)
            await self._listen(page)
        except (WebSocketDisconnect, RuntimeError):
            pass  # it has gone; whatever runs goes on
        except BafflelensError as error:  # the run cannot be read: it asks again
            with suppress(WebSocketDisconnect, RuntimeError):
                await socket.send_text(json.dumps({"kind": "fault", "text": str(error)}))
                await socket.close(_CANNOT)
        finally:
            del self._pages[page.name]
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _hello(self) -> Mapping[str, Any]:
        """Return what a page is greeted with."""
        if self.desk is None and self.first is not None:
            return self.first.hello
        return await asyncio.to_thread((await self._desk()).hello)

    async def _desk(self) -> Desk:
        """Return the desk once there is one."""
        while self.desk is None:
            await asyncio.sleep(LOOK_SOON_S)
        return self.desk

    async def _listen(self, page: OpenPage) -> None:
        allowance = Allowance()
        while True:
            received = await page.socket.receive()
            if received["type"] == "websocket.disconnect":
                return
            text = received.get("text") or ""  # bytes are none of what a page says
            if not allowance.take():
                await page.socket.close(_REFUSED, "too many messages")
                return
            try:
                message = message_of(text)
            except InputError as error:
                page.put({"kind": "fault", "text": str(error)})
                continue
            if message["kind"] == "move":
                page.move = page.newest = message
                page.moved.set()
            else:
                await self._do(page, message)

    async def _answer_moves(self, page: OpenPage) -> None:
        """Answer the newest move; those that came before it are passed over."""
        while True:
            await page.moved.wait()
            page.moved.clear()
            message = page.move
            if message is None:
                continue
            await self._do(page, message)
            if page.move is not message:
                continue
            page.move = None
            # Levels first: they are what a move is made for.
            for kind in ("score", "shape"):
                await self._do(page, {**message, "kind": kind})
            self._is_shown.set()
            with suppress(TimeoutError):
                await asyncio.wait_for(page.moved.wait(), RULES_AFTER_S)
            if page.move is None:  # they take longer than an answer may
                await self._do(page, {**message, "kind": "rules"})

    async def _do(self, page: OpenPage, message: dict[str, Any]) -> None:
        if self.desk is None and self.first is not None:
            answers = self.first.answers(message)
            if answers is None:
                answers = await self._early(page, message)
            if answers is not None:
                for answer in answers:
                    page.put(answer)
                return
        desk = await self._desk()
        try:
            for answer in await asyncio.to_thread(self._done, desk, page.name, message):
                page.put(answer)
        except BafflelensError as error:
            page.put({"kind": "fault", "text": str(error)})
        except Exception as error:  # else a page would wait in silence from here on
            text = f"This cannot be answered: {type(error).__name__}: {error}"
            page.put({"kind": "fault", "text": text})

    async def _early(self, page: OpenPage, message: dict[str, Any]) -> list[Any] | None:
        """Return what a move is answered before there is a desk; None where that is to answer."""
        if self.first is None or not self.first.estimates or "values" not in message:
            return None
        while self.desk is None and not self._is_prepared.is_set():
            await asyncio.sleep(LOOK_SOON_S)
        if self.estimates is None or self.desk is not None:
            return None
        if message["kind"] != "move":
            return []  # score, shape and rules follow when the desk is told of the move
        with suppress(BafflelensError):  # the desk will say it
            answer = await asyncio.to_thread(
                self.estimates.answer, message["move"], message["values"]
            )
            page.early = message
            return None if answer is None else [answer]
        return None

    def _done(self, desk: Desk, page: str, message: dict[str, Any]) -> list[Any]:
        kind = message["kind"]
        if kind == "move":
            return [desk.move(page, message["move"], desk.values_of(message["values"]))]
        if kind == "score":
            return list(desk.scores(message["move"], desk.values_of(message["values"])))
        if kind == "shape":
            return desk.shapes(message["move"], desk.values_of(message["values"]))
        if kind == "rules":
            broken = desk.rules(desk.values_of(message["values"]))
            return [{"kind": "rules", "move": message["move"], "broken": broken}]
        if kind == "open":
            return list(desk.opened(page, message["move"], message["id"]))
        if kind in ("map", "carve"):
            desk.ask(page, kind, message["id"])
            return []
        if kind == "keep":
            desk.keep(message["id"], message["name"], message["text"])
        else:
            desk.note(message["id"], message["text"], message["verdict"])
        return [{"kind": "noted", "id": message["id"]}, {"kind": "state", **desk.state()}]

    async def _send(self, page: OpenPage) -> None:
        while True:
            message = await page.waiting.get()
            try:
                if isinstance(message, bytes):
                    await page.socket.send_bytes(message)
                else:
                    await page.socket.send_text(json.dumps(message))
            except (WebSocketDisconnect, RuntimeError):
                return

    async def _keep_told(self, page: OpenPage, greeted: Mapping[str, Any]) -> None:
        """Tell how far a run is that goes on in another process.

        A page that was greeted by the first view is greeted again if that was not right.
        """
        desk = await self._desk()
        if self.first is not None and greeted is self.first.hello:
            with suppress(BafflelensError):
                hello = await asyncio.to_thread(desk.hello)
                is_right = {**hello, "state": None} == {**greeted, "state": None}
                page.put({"kind": "state", "state": hello["state"]} if is_right else hello)
        if page.early is not None and page.early is page.newest and page.move is None:
            page.move = page.early
            page.moved.set()
        while True:
            await asyncio.sleep(STATE_EVERY_S)
            with suppress(BafflelensError):
                page.put({"kind": "state", **await asyncio.to_thread(desk.state)})

    def _is_moving(self) -> bool:
        """Tell whether a page waits for the answer to a move; the desk may not know of it yet."""
        return any(page.move is not None for page in list(self._pages.values()))

    def _publish(self, name: str, message: bytes | dict[str, Any]) -> None:
        """Hand on what the desk found; it comes from another thread."""
        loop = self._loop
        if loop is None or loop.is_closed():
            return

        def put() -> None:
            for page in list(self._pages.values()):
                if page.is_greeted and name in ("", page.name):
                    page.put(message)

        with suppress(RuntimeError):  # it was closed a moment ago
            loop.call_soon_threadsafe(put)


async def _refused(request: Request, error: Exception) -> Response:
    return PlainTextResponse("Not Found", 404, safe_headers())
