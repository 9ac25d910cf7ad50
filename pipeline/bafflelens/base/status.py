# SPDX-License-Identifier: GPL-3.0-or-later
"""What becomes of frequencies, candidates, pieces of work, queued jobs and runs: one enum.

The members are text, and that text is what files hold.
"""

from __future__ import annotations

from enum import StrEnum


class Status(StrEnum):
    """One status, for all that has one."""

    QUEUED = "queued"
    """A run that waits in the queue, its folder made."""
    WAITING = "waiting"
    """A candidate that the run has not come to, or a queued job that nobody has begun."""
    RUNNING = "running"
    """A run or a queued job that goes on."""
    KILLED = "killed"
    """A run whose process ended without a word; it can be resumed."""
    LOOKED_AT = "looked at"
    """A candidate that was solved as a draft only."""
    SOLVED = "solved"
    """A frequency or a candidate that has a result."""
    RANKED = "ranked"
    """A candidate that has a place."""
    INCOMPLETE = "incomplete"
    """A candidate that lacks frequencies of the scored band, or what a term needs."""
    DONE = "done"
    """A piece of work or a queued job that came to its end."""
    FAILED = "failed"
    """A frequency, candidate, piece of work or queued job that did not."""
    FINISHED = "finished"
    """A run that is whole."""
    FINISHED_WITH_FAILURES = "finished with failures"
    """A run that is as whole as it can be; what failed is listed."""
    INTERRUPTED = "interrupted"
    """A run that Ctrl-C or a signal ended."""
    STOPPED = "stopped"
    """A run that an error ended."""
