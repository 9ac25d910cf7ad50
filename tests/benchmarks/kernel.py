# SPDX-License-Identifier: GPL-3.0-or-later
"""Point pairs a second of the fused double-layer and hypersingular kernel, single precision."""

from __future__ import annotations

import os
import time

from bafflelens.base.processor import wide_vectors

os.environ.update(wide_vectors())

import numpy as np

from bafflelens.bem import kernels, phases

SIZE = 12_000
REPEATS = 5


def main() -> None:
    """Print billions of pairs a second for each form of the matrix, median of five."""
    random = np.random.default_rng(1)
    normals = random.normal(size=(3, SIZE))
    normals /= np.linalg.norm(normals, axis=0)
    k = 100.0
    real = np.float32
    area = np.full(SIZE, 1e-5)
    arguments = (
        (0.2 * normals).astype(real),
        normals.astype(real),
        np.ones((1, 3), dtype=real),
        np.ones(SIZE, dtype=real),
        (0.2 * normals).astype(real),
        normals.astype(real),
        (area / (4 * np.pi)).astype(real),
        (0.5 * k**2 * area / 10).astype(real),
        phases.scalars(k, real),
    )
    vectors = np.ones((1, 2, SIZE), dtype=real)
    product = np.empty((1, SIZE), dtype=complex)
    packed = np.zeros((SIZE, 2, SIZE), dtype=np.int16)
    steps = np.empty(SIZE, dtype=real)
    start = np.zeros(SIZE + 1, dtype=np.int64)
    nothing = np.empty(0, dtype=np.int64)
    near = np.empty(0, dtype=complex)
    rates = {
        "computed and used (product on the fly)": lambda: kernels.apply_coupled_double_layer(
            *arguments, vectors, product
        ),
        "computed and packed": lambda: kernels.fill_packed(
            *arguments, start, nothing, near, packed, steps
        ),
        "read back (product of the packed matrix)": lambda: kernels.apply_packed(
            packed, steps, vectors, product
        ),
    }
    for name, work in rates.items():
        work()
        seconds = []
        for _ in range(REPEATS):
            begun = time.perf_counter()
            work()
            seconds.append(time.perf_counter() - begun)
        print(f"{SIZE**2 / np.median(seconds) / 1e9:6.2f} billion pairs/s  {name}")


if __name__ == "__main__":
    main()
