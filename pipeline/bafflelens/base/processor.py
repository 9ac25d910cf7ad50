# SPDX-License-Identifier: GPL-3.0-or-later
"""How many processors there are, and what the compiler of the kernels should know about them."""

from __future__ import annotations

import os
from typing import Final

ONE_THREAD: Final = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
}
"""Environment variables by which libraries of matrices count threads; read when they are loaded.

Where workers have all processors, threads that wait for the next product of small matrices take
their time: a main process of two processors took half as much again with them.
"""


def usable_processors() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def wide_vectors() -> dict[str, str]:
    """Return environment variables that let numba use 512-bit vectors where there are any.

    LLVM holds them back on many processors, since they can lower the clock of mixed code; the
    pair kernels are long vector loops and gain about 40 %. Must be set before numba is loaded,
    and alike in every process, since the disk cache of compiled kernels is kept by them.

    Returns
    -------
    dict of str to str
        Empty where the processor has no such vectors.
    """
    from llvmlite import binding

    features = binding.get_host_cpu_features()
    if not features.get("avx512f"):
        return {}
    return {
        "NUMBA_CPU_NAME": binding.get_host_cpu_name(),
        "NUMBA_CPU_FEATURES": features.flatten() + ",-prefer-256-bit",
    }
