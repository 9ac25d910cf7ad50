# SPDX-License-Identifier: GPL-3.0-or-later
"""What a desk of the live page publishes, and its frames read."""

from __future__ import annotations

import json
import struct
import threading
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray


class Told:
    """What a desk published, and a way to wait for it."""

    def __init__(self) -> None:
        self.messages: list[tuple[str, Any]] = []
        self.news = threading.Condition()

    def __call__(self, page: str, message: Any) -> None:
        with self.news:
            self.messages.append((page, message))
            self.news.notify_all()

    def frames(self, kind: str = "answer") -> list[dict[str, Any]]:
        """Return the headers of the frames of a kind."""
        found = [header_of(m) for _, m in self.messages if isinstance(m, bytes)]
        return [header for header in found if header["kind"] == kind]

    def wait(self, is_there: Callable[[], bool], seconds: float = 30) -> None:
        """Wait until something is so."""
        with self.news:
            assert self.news.wait_for(is_there, seconds), self.messages[-3:]


def header_of(frame: bytes) -> dict[str, Any]:
    """Return the header of a frame."""
    (length,) = struct.unpack_from("<I", frame)
    return dict(json.loads(frame[4 : 4 + length]))


def array_of(frame: bytes, name: str) -> NDArray[np.float32]:
    """Return an array of a frame."""
    (length,) = struct.unpack_from("<I", frame)
    place = header_of(frame)["arrays"][name]
    size = int(np.prod(place["shape"]))
    found = np.frombuffer(frame, "<f4", size, 4 + length + 4 * place["at"])
    return found.reshape(place["shape"])
