# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads, learns and keeps in a thread of its own: neither a move nor a solve waits for it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

from bafflelens.base.errors import BafflelensError
from bafflelens.live.kept_view import keep_first_view
from bafflelens.live.known import Known
from bafflelens.live.waits import LOOK_AT_RUN_S


@dataclass(kw_only=True, eq=False)
class Study:
    """What reads the run and learns from it whenever it is asked, or another process has solved.

    Attributes
    ----------
    known : Known
        What is read and learned goes there.
    tell : callable
        Called whenever there is something new; takes a ``fault``.
    is_read : threading.Event
        Set once all that was solved before has been read.
    """

    known: Known
    tell: Callable[..., None]
    is_read: threading.Event = field(default_factory=threading.Event)
    _asked: threading.Event = field(default_factory=threading.Event)
    _over: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin to read."""
        self.ask()
        self._thread = threading.Thread(target=self._study, name="study", daemon=True)
        self._thread.start()

    def ask(self) -> None:
        """Have read and learned from what is new."""
        self._asked.set()

    def stop(self) -> None:
        """Have it end, once what is being learned has been."""
        self._over.set()
        self._asked.set()

    def wait(self, seconds: float) -> None:
        """Wait for its end, but not for long: learning from many shapes takes half a minute."""
        if self._thread is not None:
            self._thread.join(timeout=seconds)

    def _study(self) -> None:
        is_kept = False
        try:
            while not self._over.is_set():
                if not self._asked.wait(LOOK_AT_RUN_S) and not self._is_behind():
                    continue
                self._asked.clear()
                if self._over.is_set():
                    break
                with suppress(BafflelensError):  # the next answer is another try
                    if self.known.read_what_others_solved():
                        self.tell()
                    self.is_read.set()
                    if self.known.learn(self.tell):
                        self.tell()
                    if not is_kept:  # else again at the end: it takes a draft's processor a second
                        keep_first_view(self.known)
                        is_kept = True
                self.is_read.set()
            with suppress(BafflelensError):
                keep_first_view(self.known)
        except Exception as error:  # the page must not go on silently without it
            self.tell(fault=f"Nothing more is learned: {type(error).__name__}: {error}")
        finally:
            self.is_read.set()  # nobody is to wait for it

    def _is_behind(self) -> bool:
        with suppress(BafflelensError):
            return self.known.is_behind
        return False
