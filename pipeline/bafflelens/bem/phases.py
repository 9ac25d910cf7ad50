# SPDX-License-Identifier: GPL-3.0-or-later
"""Sine and cosine of phases, in loops that the compiler can vectorise.

They hold no call into a scalar mathematical library: phases are reduced to a fraction of a turn,
and sine and cosine come from polynomials.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit, types
from numba.extending import overload
from numpy.typing import NDArray


def scalars(wavenumber: float, real: type[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    """Return k, 1/k, k/(2 pi) and 1 in a precision: numba would widen plain numbers."""
    return np.array([wavenumber, 1 / wavenumber, wavenumber / (2 * np.pi), 1.0], dtype=real)


def parts(
    vectors: NDArray[np.complexfloating[Any, Any]], real: type[np.floating[Any]]
) -> NDArray[np.floating[Any]]:
    """Return complex (n_vectors, m) as (n_vectors, 2, m): real and imaginary parts."""
    return np.ascontiguousarray(np.stack((vectors.real, vectors.imag), axis=1), dtype=real)


def _half_turn(fraction: Any) -> Any:
    """Return (cos, sin) of pi times ``fraction``, for |fraction| <= 1/2."""
    return np.cos(np.pi * fraction), np.sin(np.pi * fraction)


@overload(_half_turn, inline="always")
def _half_turn_compiled(fraction: Any) -> Any:
    """Polynomials fitted at Chebyshev nodes over a quarter turn either side of zero.

    Largest error 7e-9 in the single-precision form (below its rounding), 5e-16 in the double.
    """
    if fraction == types.float32:

        def single(fraction: Any) -> Any:
            u = fraction * np.float32(np.pi)
            t = u * u
            sine = np.float32(2.60516628e-06)
            sine = sine * t + np.float32(-1.98090464e-04)
            sine = sine * t + np.float32(8.33305062e-03)
            sine = sine * t + np.float32(-1.66666580e-01)
            sine = sine * t + np.float32(9.99999996e-01)
            cosine = np.float32(-2.60510764e-07)
            cosine = cosine * t + np.float32(2.47601355e-05)
            cosine = cosine * t + np.float32(-1.38883608e-03)
            cosine = cosine * t + np.float32(4.16666362e-02)
            cosine = cosine * t + np.float32(-4.99999994e-01)
            cosine = cosine * t + np.float32(1.0)
            return cosine, sine * u

        return single

    def double(fraction: Any) -> Any:
        u = fraction * np.pi
        t = u * u
        sine = -7.374167478696858e-13
        sine = sine * t + 1.6048178542735192e-10
        sine = sine * t - 2.5051883438068087e-08
        sine = sine * t + 2.7557316656576e-06
        sine = sine * t - 0.00019841269825498692
        sine = sine * t + 0.008333333333286473
        sine = sine * t - 0.16666666666666152
        sine = sine * t + 1.0
        cosine = 4.479686100009038e-14
        cosine = cosine * t - 1.14496046090789e-11
        cosine = cosine * t + 2.087601015527563e-09
        cosine = cosine * t - 2.7557304630073747e-07
        cosine = cosine * t + 2.4801587142011746e-05
        cosine = cosine * t - 0.0013888888887970815
        cosine = cosine * t + 0.041666666666643565
        cosine = cosine * t - 0.49999999999999856
        cosine = cosine * t + 0.9999999999999999
        return cosine, sine * u

    return double


@njit(inline="always")
def cos_sin_turns(turns, one):
    """Return (cos, sin) of 2 pi times ``turns``, through the double angle."""
    fraction = turns - np.floor(turns + (one / (one + one)))
    cosine, sine = _half_turn(fraction)
    twice = sine + sine
    return one - twice * sine, twice * cosine
