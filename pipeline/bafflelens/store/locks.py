# SPDX-License-Identifier: GPL-3.0-or-later
"""Locks of the operating system: whatever ends a process, its locks end with it."""

from __future__ import annotations

import fcntl
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Final

from bafflelens.base.errors import StoreError
from bafflelens.base.writing import storing

_LOCK_ATTEMPTS: Final = 3
_LOCK_PAUSE_S: Final = 0.05


@contextmanager
def holding(path: Path, content: str, taken: Callable[[str], str]) -> Iterator[None]:
    """Hold a lock file, with a text in it; the lock ends with the process, however that ends.

    Parameters
    ----------
    path : Path
        The file; it stays, empty.
    content : str
        Who holds it.
    taken : callable
        Returns the message from the text of another process that holds it.

    Raises
    ------
    StoreError
        If another process holds it, or it cannot be written.
    """
    with storing(path), path.open("a+", encoding="utf-8") as stream:
        if not take_lock(stream):
            stream.seek(0)
            raise StoreError(taken(stream.read().strip()))
        stream.truncate(0)
        stream.write(content)
        stream.flush()
        try:
            yield
        finally:
            with suppress(OSError):
                stream.truncate(0)


def is_locked(path: Path) -> bool:
    """Tell whether a process holds the lock on a file."""
    try:
        with path.open("rb") as stream:
            fcntl.flock(stream, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    return False


def take_lock(stream: IO[str]) -> bool:
    """Take the lock on an open file; whoever only looks holds it for an instant."""
    for attempt in range(_LOCK_ATTEMPTS):
        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if attempt + 1 < _LOCK_ATTEMPTS:
                time.sleep(_LOCK_PAUSE_S)
        else:
            return True
    return False
