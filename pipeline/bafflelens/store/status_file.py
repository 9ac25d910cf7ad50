# SPDX-License-Identifier: GPL-3.0-or-later
"""How far a run is, written down now and then for whoever looks from another terminal."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from bafflelens.base.errors import StoreError
from bafflelens.base.progress import Advance, Progress
from bafflelens.base.reading import printable, shown_text
from bafflelens.store import RunFolder

_WRITE_EVERY_S: Final = 1.0


@dataclass(frozen=True, kw_only=True)
class Standing:
    """How far a run is.

    Attributes
    ----------
    step : str
        What it does, such as ``meshing and solving``.
    share : float
        How much of that step is done, 0 to 1; NaN where that is not known.
    left_s : float
        Time that the step has left, in s, estimated when it was written; NaN likewise.
    owner : str
        Process and machine that work on it.
    updated_utc : str
        When this was written.
    """

    step: str
    share: float
    left_s: float
    owner: str
    updated_utc: str


class Watched:
    """Progress that is passed on and, beside that, written to the run's ``status.json``."""

    def __init__(self, inner: Progress, folder: RunFolder) -> None:
        self._inner = inner
        self._folder = folder
        self._step = ""
        self._written_at = 0.0

    def enter(self, step: str) -> None:
        """Note that a step begins."""
        self._step = step
        self._write(float("nan"), float("nan"))

    def say(self, text: str) -> None:
        """Pass one line on."""
        self._inner.say(text)

    @contextmanager
    def bar(self, total: float, label: str = "meshing and solving") -> Iterator[Advance]:
        """Pass the bar on, and write down how far it is."""
        started = time.monotonic()
        done = 0.0

        def advance(amount: float, text: str = "") -> None:
            nonlocal done
            done += amount
            tell(amount, text)
            now = time.monotonic()
            if now - self._written_at > _WRITE_EVERY_S:
                share = min(done / total, 1.0) if total > 0 else 1.0
                left_s = (now - started) * (1 - share) / share if share > 0 else float("nan")
                self._write(share, left_s)

        with self._inner.bar(total, label) as tell:
            yield advance

    def _write(self, share: float, left_s: float) -> None:
        self._written_at = time.monotonic()
        content = {
            "step": self._step,
            "share": None if share != share else round(share, 4),
            "left_s": None if left_s != left_s else round(left_s, 1),
            "owner": f"process {os.getpid()} on {socket.gethostname()}",
            "updated_utc": datetime.now(UTC).isoformat(timespec="seconds"),
        }
        with suppress(StoreError):  # the run itself will notice what is wrong with the disk
            self._folder.save_status(content)


def standing_of(folder: RunFolder) -> Standing | None:
    """Return how far a run is by its last word; None if it left none."""
    content = folder.load_status()
    try:
        return Standing(
            step=shown_text(content["step"]),
            share=_number(content["share"]),
            left_s=_number(content["left_s"]),
            owner=printable(str(content["owner"])),
            updated_utc=shown_text(content["updated_utc"]),
        )
    except (KeyError, TypeError, ValueError):
        return None


def _number(value: object) -> float:
    return float("nan") if value is None else float(value)  # type: ignore[arg-type]
