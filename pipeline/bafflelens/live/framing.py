# SPDX-License-Identifier: GPL-3.0-or-later
"""Frames as bytes, without anything that is slow to load.

A frame is the length of the header in bytes (32 bits, little endian), the header in JSON, filled
up with blanks so that the numbers begin at a multiple of four, and arrays of 32-bit floats one
after another, little endian.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping
from typing import Any


def framed(header: Mapping[str, Any], data: bytes) -> bytes:
    """Return a frame of a header and what follows it."""
    text = json.dumps(header, allow_nan=False).encode()
    text += b" " * (-len(text) % 4)
    return b"".join((struct.pack("<I", len(text)), text, data))


def unframed(frame: bytes) -> tuple[dict[str, Any], bytes]:
    """Return header and data of a frame.

    Raises
    ------
    ValueError
        If it is none.
    """
    if len(frame) < 4:
        raise ValueError(frame)
    end = 4 + int(struct.unpack_from("<I", frame)[0])
    header = json.loads(frame[4:end])
    if end > len(frame) or not isinstance(header, dict):
        raise ValueError(frame[:60])
    return header, frame[end:]


def numbered(frame: bytes, wish_number: int) -> bytes:
    """Return a frame as the answer to another move."""
    header, data = unframed(frame)
    return framed({**header, "move": wish_number}, data)
