# SPDX-License-Identifier: GPL-3.0-or-later
"""A page that is open: what waits to be sent to it, and how much it may still say."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from starlette.websockets import WebSocket

MESSAGES_A_SECOND: Final = 200.0
_AT_ONCE: Final = 600.0


class Allowance:
    """How many messages a page may still send."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._left, self._at = _AT_ONCE, now()

    def take(self) -> bool:
        """Use one; False if there is none."""
        now = self._now()
        self._left = min(self._left + (now - self._at) * MESSAGES_A_SECOND, _AT_ONCE)
        self._at = now
        self._left -= 1
        return self._left >= 0


@dataclass(kw_only=True, eq=False)
class OpenPage:
    """A page that is open: what waits to be sent to it, the greeting before all else.

    ``move`` is the newest move until it has been answered, ``newest`` also then, and ``early``
    one that was answered before there was a desk, which is told of it then.
    """

    name: str
    socket: WebSocket
    is_greeted: bool = False
    waiting: asyncio.Queue[bytes | Mapping[str, Any]] = field(
        default_factory=lambda: asyncio.Queue(maxsize=200)
    )
    move: dict[str, Any] | None = None
    newest: dict[str, Any] | None = None
    early: dict[str, Any] | None = None
    moved: asyncio.Event = field(default_factory=asyncio.Event)

    def put(self, message: bytes | Mapping[str, Any]) -> None:
        """Let something be sent; a page that takes nothing loses what is new."""
        with suppress(asyncio.QueueFull):
            self.waiting.put_nowait(message)
