# SPDX-License-Identifier: GPL-3.0-or-later
"""How busy the workers of a run were."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from typing import Final

BETWEEN_TASKS: Final = "from the first to the last task"
IDLE: Final = "of which a worker had no shape, on average"


class Busy:
    """How much of the time between the first and the last task the workers worked."""

    def __init__(self, workers: int, now: Callable[[], float] = time.monotonic) -> None:
        self._workers = workers
        self._now = now
        self._first_began = self._last_ended = math.nan
        self._worked_s = 0.0

    def add(self, seconds: float) -> None:
        """Note a task that has just come back after so many seconds; 0 for what was known."""
        if seconds <= 0:
            return
        self._worked_s += seconds
        self._last_ended = self._now()
        if math.isnan(self._first_began):
            self._first_began = self._last_ended - seconds

    @property
    def wall_s(self) -> float:
        """Time from the begin of the first task to the end of the last, in s; NaN if none."""
        return self._last_ended - self._first_began

    @property
    def idle_s(self) -> float:
        """How long of that a worker had no shape to work on, on average, in s."""
        return max(self.wall_s - self._worked_s / max(self._workers, 1), 0.0)

    @property
    def text(self) -> str:
        """In one line; empty if nothing was done."""
        if not self.wall_s > 0:
            return ""
        share = 1 - self.idle_s / self.wall_s
        return (
            f"{self._workers} workers were busy with shapes {share:.0%} of the "
            f"{self.wall_s:.0f} s between the first and the last task"
        )
