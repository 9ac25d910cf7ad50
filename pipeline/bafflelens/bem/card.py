# SPDX-License-Identifier: GPL-3.0-or-later
"""The graphics card: whether there is one, its memory, and how kernels are started on it.

Needs CuPy, which comes with the extra ``gpu``; no other module imports it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from bafflelens.base.conventions import ComplexArray
from bafflelens.base.errors import SolveError

try:
    import cupy as _cupy
except ImportError:  # the extra is not installed; `missing_card` says so
    _cupy = None

cupy: Any = _cupy
"""The library with the names of numpy whose arrays are on the card; None where it is missing."""

CardArray = Any
"""An array in the memory of the card; CuPy has no types that mypy could check."""

THREADS = 128
WARP = 32
BLOCKS = 1024  # enough to fill a large card several times over
_VECTORS = (1, 2, 4, 8)  # how many vectors one pass over the pairs can take


class CardError(SolveError):
    """There is no graphics card, its driver does not work, or its memory is short."""


def count_cards() -> int:
    """Return how many cards there are, without touching them; 0 if they cannot be counted."""
    try:
        return int(cupy.cuda.runtime.getDeviceCount()) if cupy is not None else 0
    except Exception:
        return 0


def missing_card() -> str:
    """Return why no card can be used, in one line; empty if one can."""
    if cupy is None:
        return "the package CuPy is not installed (extra 'gpu')"
    try:
        if cupy.cuda.runtime.getDeviceCount() == 0:
            return "no graphics card was found"
        cupy.zeros(1)
    except Exception as error:
        return f"the card cannot be used: {str(error).splitlines()[0]}"
    return ""


def card_name() -> str:
    """Return name and memory of the card in use."""
    properties = cupy.cuda.runtime.getDeviceProperties(cupy.cuda.Device().id)
    name = properties["name"].decode()
    return f"{name}, {properties['totalGlobalMem'] / 2**30:.0f} GiB"


@contextmanager
def memory_faults() -> Iterator[None]:
    """Say how much memory the card has where it is short."""
    try:
        yield
    except cupy.cuda.memory.OutOfMemoryError as error:
        free, total = cupy.cuda.runtime.memGetInfo()
        msg = (
            f"engine 'gpu': the card's memory is short ({error}; {free / 2**30:.1f} of "
            f"{total / 2**30:.1f} GiB free, the rest in use)"
        )
        raise CardError(msg) from error


def single(values: ComplexArray) -> CardArray:
    """Return numbers on the card, row after row, in single precision."""
    return cupy.ascontiguousarray(cupy.asarray(values, dtype=np.complex64))


def padded(vectors: CardArray) -> CardArray:
    """Return (n, 3) vectors as (n, 4), for loads of 16 bytes."""
    wider = cupy.zeros((len(vectors), 4), dtype=np.float32)
    wider[:, :3] = vectors
    return wider


def splits_of(rows: int) -> int:
    """Return how many blocks share the elements of one block of rows."""
    return max(1, min(64, BLOCKS * THREADS // max(rows, 1)))


def passes(count: int) -> list[slice]:
    """Split a number of vectors into passes of the widths that the kernels exist for."""
    found, at = [], 0
    while at < count:
        width = max(width for width in _VECTORS if width <= count - at)
        found.append(slice(at, at + width))
        at += width
    return found


def launch(name: str, extent: tuple[int, int], *arguments: Any) -> None:
    """Start a kernel with one thread a row and ``extent[1]`` blocks in the second direction."""
    rows, splits = extent
    if rows == 0:
        return
    blocks = (-(-rows // THREADS), splits)
    _kernel(name, cupy.cuda.Device().id)(blocks, (THREADS,), arguments)


@cache
def _kernel(name: str, device: int) -> Any:  # one compilation a device
    return _module(device).get_function(name)


@cache
def _module(device: int) -> Any:
    source = resources.files("bafflelens.bem").joinpath("gpu_kernels.cu").read_text("utf-8")
    names = [f"apply_layer<{v}, {kind}>" for v in _VECTORS for kind in ("false", "true")]
    names += [f"far_field<{v}>" for v in _VECTORS]
    return cupy.RawModule(
        code=source, options=("--std=c++17", "--use_fast_math"), name_expressions=names
    )
