# SPDX-License-Identifier: GPL-3.0-or-later
"""Radial profiles of a dome that does not move as one piece.

Every plausible motion is the rigid one and a mixture of a few fixed profiles, which are solved as
sources of their own: then any motion is judged without solving again. With rho the radius over
that of the dome and P_n Legendre's polynomials, the profiles of the dome are

    P_n(2 rho^2 - 1) - 1,     n = 1, 2, ...

P_n(2 rho^2 - 1) are Zernike's circle polynomials without angle, which R. M. Aarts and
A. J. E. M. Janssen use for radiators that are not rigid (J. Acoust. Soc. Am. 125 (2009) 1444,
citation from memory). Less 1 they rest at the rim, where the voice coil drives: the surround
needs no change, and the velocity has no step.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray

ProfileKind = Literal["dome", "surround", "rocking"]

DOME_ORDERS: Final = 5
"""Profiles of the dome: enough for two resonances, or a lag of most of a cycle."""

_FIT_POINTS: Final = 48


@dataclass(frozen=True, kw_only=True)
class DomeProfile:
    """Where on a driver a profile moves, and how much.

    Attributes
    ----------
    kind : {"dome", "surround", "rocking"}
        A radial profile of the dome; a swelling of the surround alone, in its middle as much as
        the voice coil moves; or the dome tilting up and down about the horizontal axis, as much
        as the coil at the upper rim. Tilting keeps the mirror plane y = 0.
    order : int
        n of a profile of the dome, 0 for the others.
    """

    kind: ProfileKind
    order: int = 0


def profiles_of(*, rocking: bool = False) -> tuple[DomeProfile, ...]:
    """Return the profiles whose mixtures are the plausible motions, beside the rigid one."""
    dome = tuple(DomeProfile(kind="dome", order=n) for n in range(1, DOME_ORDERS + 1))
    tilt = (DomeProfile(kind="rocking"),) if rocking else ()
    return (*dome, DomeProfile(kind="surround"), *tilt)


def dome_shape(order: int, relative_radius: FloatArray) -> FloatArray:
    """Return P_n(2 rho^2 - 1) - 1, the velocity of a profile of the dome over that of the coil.

    Parameters
    ----------
    order : int
        n, from 1.
    relative_radius : (n,) array
        rho, the radius over that of the dome, 0 to 1.
    """
    argument = 2 * np.clip(relative_radius, 0.0, 1.0) ** 2 - 1
    coefficients = np.zeros(order + 1)
    coefficients[order] = 1.0
    return np.asarray(np.polynomial.legendre.legval(argument, coefficients) - 1)


def surround_shape(
    radius_m: FloatArray, inner_radius_m: float, outer_radius_m: float
) -> FloatArray:
    """Return half a sine over the width of the surround, 1 in its middle and 0 at its edges."""
    width = max(outer_radius_m - inner_radius_m, 1e-12)
    share = np.clip((radius_m - inner_radius_m) / width, 0.0, 1.0)
    return np.asarray(np.sin(np.pi * share))


def fitting_radii() -> tuple[FloatArray, FloatArray]:
    """Return radii over that of the dome and their shares of its area, for `dome_shares`."""
    point, weight = np.polynomial.legendre.leggauss(_FIT_POINTS)
    return np.sqrt((1 + point) / 2), weight / 2


def dome_shares(ratio: ComplexArray) -> tuple[ComplexArray, FloatArray]:
    """Return the shares of the dome's profiles in motions of the dome.

    Parameters
    ----------
    ratio : (..., n_radii) complex array
        Axial velocity over that of the rim, at `fitting_radii`.

    Returns
    -------
    shares : (..., DOME_ORDERS) complex array
        The best by least squares over the area; ratio = 1 + shares . profiles.
    left : (...) array
        Root mean square over the area of what the mixture leaves, over that of the ratio.
    """
    radii, weight = fitting_radii()
    basis = np.array([dome_shape(n, radii) for n in range(1, DOME_ORDERS + 1)])
    root = np.sqrt(weight)
    inverse = np.linalg.pinv((basis * root).T)
    shares = (ratio - 1) * root @ inverse.T
    left = ratio - 1 - shares @ basis
    power = np.maximum((np.abs(ratio) ** 2) @ weight, np.finfo(float).tiny)
    return np.asarray(shares), np.sqrt((np.abs(left) ** 2) @ weight / power)
