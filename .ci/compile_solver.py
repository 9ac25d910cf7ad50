# SPDX-License-Identifier: GPL-3.0-or-later
"""Compiles the kernels of the solver; needs h5py, numba and scipy alone."""

import os

from bafflelens.base.processor import wide_vectors


def main() -> None:
    """Compile, with what the program tells the compiler of the processor."""
    os.environ.update(wide_vectors())  # before numba is loaded
    from bafflelens.bem.warm_up import warm_up

    warm_up(print)


if __name__ == "__main__":
    main()
