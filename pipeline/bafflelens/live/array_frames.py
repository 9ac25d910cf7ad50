# SPDX-License-Identifier: GPL-3.0-or-later
"""Frames of 32-bit floats by name, by numpy alone; `live.framing` says how they lie."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bafflelens.live.framing import framed, unframed


def frame(header: Mapping[str, Any], arrays: Mapping[str, Any]) -> bytes:
    """Return a frame with its arrays, NaN where there is no number."""
    places, blocks, offset = {}, [], 0
    for name, values in arrays.items():
        block = np.ascontiguousarray(values, dtype="<f4")
        places[name] = {"at": offset, "shape": list(block.shape)}
        blocks.append(block.tobytes())
        offset += block.size
    return framed({**header, "arrays": places}, b"".join(blocks))


def arrays_in(content: bytes) -> tuple[dict[str, Any], dict[str, NDArray[np.float32]]]:
    """Return header and arrays of a frame.

    Raises
    ------
    ValueError, LookupError, TypeError
        If it is none.
    """
    header, data = unframed(content)
    numbers = np.frombuffer(data, dtype="<f4")
    arrays = {}
    for name, place in header["arrays"].items():
        size = int(np.prod(place["shape"], dtype=int))
        arrays[name] = numbers[place["at"] : place["at"] + size].reshape(place["shape"])
    return header, arrays
