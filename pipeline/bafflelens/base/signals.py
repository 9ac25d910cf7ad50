# SPDX-License-Identifier: GPL-3.0-or-later
"""Being told to stop: SIGTERM ends a run as Ctrl-C does, and within a time that is known.

Python raises what a signal says wherever the program happens to be. In a destructor, or where a
weak reference tells that its object is gone, it is reported and forgotten; then it is said again.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from sys import UnraisableHookArgs

LATEST_END_S: Final = 8
"""So long after the signal is the program ended hard; everything on disk is whole at any time."""

_AGAIN_S: Final = 0.05


class Terminated(KeyboardInterrupt):
    """The program was asked to end by a signal, ``SIGTERM`` or ``SIGHUP``."""


@contextmanager
def ended_by_signals(end_hard: Callable[[], None]) -> Iterator[None]:
    """Raise `Terminated` where the program is when a signal asks it to end.

    Ctrl-C raises KeyboardInterrupt as ever, and neither is lost in a destructor. Further signals
    are passed over while it tidies up. A thread ends the process hard where that takes too long,
    for instance in a compiled loop.

    Parameters
    ----------
    end_hard : callable
        Called before that, to end worker processes.
    """
    if threading.current_thread() is not threading.main_thread():
        yield  # signals arrive in the main thread alone
        return

    told: list[str] = []
    repeats: list[threading.Timer] = []

    def stop(number: int, frame: FrameType | None) -> None:
        told.append(signal.Signals(number).name)
        for each in handled:
            signal.signal(each, signal.SIG_IGN)
        timer.start()
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.alarm(LATEST_END_S + 1)  # the thread cannot end it in a loop that never yields
        raise Terminated(told[0])

    def interrupt(number: int, frame: FrameType | None) -> None:
        raise Terminated(told[0]) if told else KeyboardInterrupt

    def lost(unraisable: UnraisableHookArgs) -> None:
        if not issubclass(unraisable.exc_type, KeyboardInterrupt):
            hook_before(unraisable)
            return
        again = threading.Timer(_AGAIN_S, os.kill, (os.getpid(), signal.SIGINT))
        again.daemon = True
        repeats.append(again)
        again.start()

    def give_up() -> None:
        try:
            end_hard()
        finally:
            os._exit(128 + signal.SIGTERM)

    timer = threading.Timer(LATEST_END_S, give_up)
    timer.daemon = True
    # A run under nohup is to survive the end of its terminal.
    handled = [
        each
        for each in (signal.SIGTERM, signal.SIGHUP)
        if signal.getsignal(each) is not signal.SIG_IGN
    ]
    before = {each: signal.signal(each, stop) for each in handled}
    if signal.getsignal(signal.SIGINT) is not signal.SIG_IGN:
        before[signal.SIGINT] = signal.signal(signal.SIGINT, interrupt)
    hook_before, sys.unraisablehook = sys.unraisablehook, lost
    try:
        yield
    finally:
        sys.unraisablehook = hook_before
        for repeat in (timer, *repeats):
            repeat.cancel()
        signal.alarm(0)
        for each, handler in before.items():
            signal.signal(each, handler)
