# SPDX-License-Identifier: GPL-3.0-or-later
"""The layers of bempp-cl, with what differs between them looked up and not compiled in.

bempp-cl compiles its loops over pairs of triangles once for each layer, since the layer is a
function that the loop is given. Here all loops are given one function, which asks a number of the
operator's options which of the library's own kernels it is. So they are compiled once.
"""

from __future__ import annotations

from enum import IntEnum
from functools import cache
from typing import Any, Final

from bafflelens.base.conventions import ComplexArray
from bafflelens.bem.kept_compilation import keep, keep_compiled


class Layer(IntEnum):
    """A boundary operator of the Helmholtz equation, by the number of its kernel."""

    SINGLE = 0
    DOUBLE = 1
    ADJOINT_DOUBLE = 2
    HYPERSINGULAR = 3


_KERNELS: Final = {
    Layer.SINGLE: "helmholtz_single_layer",
    Layer.DOUBLE: "helmholtz_double_layer",
    Layer.ADJOINT_DOUBLE: "helmholtz_adjoint_double_layer",
    Layer.HYPERSINGULAR: "helmholtz_single_layer",
}


def layer(
    kind: Layer, domain: Any, tested: Any, wavenumber: float, parameters: Any
) -> ComplexArray:
    """Return the matrix of a layer.

    Parameters
    ----------
    kind : Layer
        Which.
    domain, tested : spaces of bempp-cl
        Of linear functions: what the layer is applied to, and what the result is tested with.
    wavenumber : float
        In rad/m.
    parameters : parameters of bempp-cl
        With the order of the quadrature.

    Returns
    -------
    (n_tested, n_domain) complex array
    """
    from bempp_cl.api.operators.boundary.common import create_operator

    keep_compiled()
    _look_up_kernels()
    is_hypersingular = kind is Layer.HYPERSINGULAR
    operator = create_operator(
        f"helmholtz_{kind.name.lower()}_boundary",
        domain,
        domain,
        tested,
        parameters,
        "dense",
        [wavenumber, 0.0, float(Layer.SINGLE if is_hypersingular else kind)],
        _KERNELS[kind],
        "helmholtz_hypersingular" if is_hypersingular else "default_scalar",
        "numba",
        "double",
        True,
    )
    found: ComplexArray = operator.weak_form().to_dense()
    return found


@cache
def _look_up_kernels() -> None:
    """Give all layers of bempp-cl, in this process, the kernels that look up which they are."""
    from bempp_cl.core import numba_kernels

    from bafflelens.bem import bempp_kernels

    keep(bempp_kernels.regular, f"{bempp_kernels.__name__}.regular")
    keep(bempp_kernels.singular, f"{bempp_kernels.__name__}.singular")
    for name in set(_KERNELS.values()):
        setattr(numba_kernels, f"{name}_regular", bempp_kernels.regular)
        setattr(numba_kernels, f"{name}_singular", bempp_kernels.singular)
