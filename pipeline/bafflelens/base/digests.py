# SPDX-License-Identifier: GPL-3.0-or-later
"""Digests of plain data: two things with one digest are the same."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Mapping
from enum import Enum
from typing import Any, Final

import numpy as np

_SIZE: Final = 20  # bytes of a digest: two results will never share one by accident


def digest_of(*parts: Any) -> bytes:
    """Return the digest of plain data, arrays, dataclasses, and sequences and mappings of them.

    Raises
    ------
    TypeError
        If a part is of another kind: it might look the same and be different.
    """
    found = hashlib.blake2b(digest_size=_SIZE)
    for part in parts:
        _feed(found, part)
    return found.digest()


def _feed(found: hashlib.blake2b, part: Any) -> None:
    def head(kind: str, length: int) -> None:
        found.update(f"{kind}:{length};".encode())

    if part is None or isinstance(part, bool | int | str | bytes | float):
        kind = type(part).__name__
        text = part if isinstance(part, bytes) else (
            part.hex() if isinstance(part, float) else str(part)
        ).encode()  # fmt: skip
        head(kind, len(text))
        found.update(text)
    elif isinstance(part, Enum):
        _feed(found, (type(part).__name__, part.value))
    elif isinstance(part, np.generic):
        _feed(found, part.item())
    elif isinstance(part, complex):
        _feed(found, (part.real, part.imag))
    elif isinstance(part, np.ndarray) and part.dtype != object:
        head(f"array {part.dtype.str} {part.shape}", part.nbytes)
        found.update(np.ascontiguousarray(part).tobytes())
    elif dataclasses.is_dataclass(part) and not isinstance(part, type):
        fields = dataclasses.fields(part)
        head(type(part).__qualname__, len(fields))
        for field in fields:
            _feed(found, field.name)
            _feed(found, getattr(part, field.name))
    elif isinstance(part, Mapping):
        head("mapping", len(part))
        for key in sorted(part):
            _feed(found, key)
            _feed(found, part[key])
    elif isinstance(part, list | tuple):
        head("sequence", len(part))
        for item in part:
            _feed(found, item)
    else:
        msg = f"no digest is defined for {type(part).__qualname__}"
        raise TypeError(msg)
