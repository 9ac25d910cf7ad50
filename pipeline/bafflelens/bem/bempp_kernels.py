# SPDX-License-Identifier: GPL-3.0-or-later
"""Kernels of bempp-cl behind one function each, for pairs apart and for pairs that touch.

Which of the library's kernels it is says the third of the options, after the wavenumber's real
and imaginary part: a number of `bempp_layers.Layer`. Importing this imports bempp-cl.
"""

from __future__ import annotations

from typing import Any, Final

import numba
from bempp_cl.core.numba_kernels import (
    helmholtz_adjoint_double_layer_regular,
    helmholtz_adjoint_double_layer_singular,
    helmholtz_double_layer_regular,
    helmholtz_double_layer_singular,
    helmholtz_single_layer_regular,
    helmholtz_single_layer_singular,
)

_AS_THE_LIBRARY: Final = {"error_model": "numpy", "fastmath": True, "boundscheck": False}


@numba.njit(**_AS_THE_LIBRARY)
def regular(test: Any, trial: Any, test_normal: Any, trial_normals: Any, options: Any) -> Any:
    """Return the values of a kernel at one point and many others."""
    if options[2] == 0:
        return helmholtz_single_layer_regular(test, trial, test_normal, trial_normals, options)
    if options[2] == 1:
        return helmholtz_double_layer_regular(test, trial, test_normal, trial_normals, options)
    return helmholtz_adjoint_double_layer_regular(test, trial, test_normal, trial_normals, options)


@numba.njit(**_AS_THE_LIBRARY)
def singular(test: Any, trial: Any, test_normal: Any, trial_normal: Any, options: Any) -> Any:
    """Return the values of a kernel at pairs of points."""
    if options[2] == 0:
        return helmholtz_single_layer_singular(test, trial, test_normal, trial_normal, options)
    if options[2] == 1:
        return helmholtz_double_layer_singular(test, trial, test_normal, trial_normal, options)
    return helmholtz_adjoint_double_layer_singular(test, trial, test_normal, trial_normal, options)
