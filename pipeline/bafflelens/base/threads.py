# SPDX-License-Identifier: GPL-3.0-or-later
"""Compiled loops on several threads.

A loop that numba itself spreads over threads takes twice as long to compile, and brings a
library of threads with it. Loops here let go of the interpreter, and threads of Python share their
turns. With one thread there is nothing in between.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor, wait
from functools import cache, update_wrapper
from typing import Any

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.processor import usable_processors


def number_of_threads() -> int:
    """Return how many threads a loop takes: ``NUMBA_NUM_THREADS``, or what the process may use.

    Raises
    ------
    InputError
        If that variable of the environment is no whole number from 1 on.
    """
    given = os.environ.get("NUMBA_NUM_THREADS")
    if not given:
        return usable_processors()
    if not given.isdecimal() or not int(given):
        raise InputError(
            invalid("environment variable 'NUMBA_NUM_THREADS'", given, "a whole number from 1 on")
        )
    return int(given)


def on_threads(loop: Callable[..., None]) -> Callable[..., None]:
    """Return a function that runs a loop on as many threads as there are.

    Parameters
    ----------
    loop : callable
        Compiled with ``nogil``; its first two arguments are the number of a thread and how many
        there are. Of its turns it takes each so-manyth from that number on, ``range(thread,
        turns, threads)``, and turns write to different places.

    Returns
    -------
    callable
        Takes the other arguments.
    """

    def run(*arguments: Any) -> None:
        threads = number_of_threads()
        if threads == 1:
            loop(0, 1, *arguments)
            return
        others = [
            _pool(threads).submit(loop, thread, threads, *arguments)
            for thread in range(1, threads)
        ]
        try:
            loop(0, threads, *arguments)
        finally:
            wait(others)
        for other in others:
            other.result()

    return update_wrapper(run, loop)


def inner_loop(spread: Callable[..., None]) -> Any:
    """Return the compiled loop that a function of `on_threads` runs."""
    return spread.__wrapped__  # type: ignore[attr-defined]


@cache
def _pool(threads: int) -> ThreadPoolExecutor:
    return ThreadPoolExecutor(threads - 1, thread_name_prefix="loops")


if hasattr(os, "register_at_fork"):  # the copy of a process has none of its threads
    os.register_at_fork(after_in_child=_pool.cache_clear)
