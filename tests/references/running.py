# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether processes run, for tests that nothing of them stays."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path


def is_running(pid: int) -> bool:
    """Tell whether a process runs; one that has ended and waits to be asked for does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def wait_for(is_so: Callable[[], bool]) -> None:
    """Wait until something is so, 20 s at most."""
    deadline = time.monotonic() + 20
    while not is_so():
        assert time.monotonic() < deadline
        time.sleep(0.05)
