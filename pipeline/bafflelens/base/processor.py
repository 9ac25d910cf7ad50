# SPDX-License-Identifier: GPL-3.0-or-later
"""What the compiler of the kernels should know about this processor."""

from __future__ import annotations


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
