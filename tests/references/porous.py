# SPDX-License-Identifier: GPL-3.0-or-later
"""Exact field of a point source on a porous layer, and what local reaction makes of it.

A Sommerfeld integral over plane waves of every direction, those beyond grazing, too:
K. Attenborough, "Review of ground effects on outdoor sound propagation from continuous broadband
sources", Appl. Acoust. 24 (1988) 289 (title from memory; the integral is derived here). For
exp(-i omega t), with the sine s of a plane wave's angle of incidence, kappa = -ik sqrt(1 - s^2)
and a surface whose admittance for that wave is b(s),

    p(r, z) = 1/(2 pi) int_0^inf  K J_0(K r) exp(-kappa z) / (kappa - i k b(K/k))  dK,   K = k s,

which is exp(ikR)/(2 pi R) where b = 0. A layer in which sound travels as in a fluid has

    b(s) = sqrt(n^2 - s^2) / (i n Z) tan(k d sqrt(n^2 - s^2)).
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erfc, jv

Admittance = Callable[[NDArray[np.complex128]], ArrayLike]

_DIP = 0.25  # the path passes below the pole and the branch point, in wavenumbers
_DIP_TO = 3.0
_DECAYED = 40.0
_PIECES = 200
_NODES = 200


def field(k: float, distance_m: float, height_m: float, admittance: Admittance) -> complex:
    """Return the pressure of a source on the surface, at a distance along it and a height."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    edges = np.concatenate(
        (
            np.linspace(0, _DIP_TO * k, 13),
            np.linspace(_DIP_TO * k, _DECAYED / height_m, _PIECES)[1:],
        )
    )
    middle, half = (edges[1:] + edges[:-1]) / 2, np.diff(edges) / 2
    real = (middle[:, np.newaxis] + half[:, np.newaxis] * nodes).ravel()
    weight = (half[:, np.newaxis] * weights).ravel()
    turn = np.pi * np.minimum(real / (_DIP_TO * k), 1.0)
    along = real - 1j * _DIP * k * np.sin(turn)
    step = 1 - 1j * _DIP * np.pi / _DIP_TO * np.cos(turn) * (turn < np.pi)
    across = np.sqrt(k**2 - along**2)
    across = np.where(across.imag < 0, -across, across)  # what runs beyond grazing fades outwards
    wave = jv(0, along * distance_m) * np.exp(1j * across * height_m)
    share = along / (-1j * across - 1j * k * np.asarray(admittance(along / k)))
    return complex((wave * share * step * weight).sum() / (2 * np.pi))


def free_field(k: float, distance_m: float, height_m: float) -> complex:
    """Return the same over a rigid surface."""
    slant = np.hypot(distance_m, height_m)
    return complex(np.exp(1j * k * slant) / (2 * np.pi * slant))


def layer(k: float, thickness_m: float, impedance: complex, index: complex) -> Admittance:
    """Return the admittance of a fluid layer on a rigid backing, by the sine of the incidence."""

    def admittance(sine: NDArray[np.complex128]) -> NDArray[np.complex128]:
        across = np.sqrt(index**2 - sine**2)
        return across / (1j * index * impedance) * np.tan(k * thickness_m * across)

    return admittance


def miki_layer(
    k: float, thickness_m: float, resistivity: float, frequency_hz: float
) -> Admittance:
    """Return the same of felt, with Miki's constants written here once more."""
    ratio = frequency_hz / resistivity
    impedance = 1 + (0.0699 + 0.1071j) * ratio**-0.632
    index = 1 + (0.1093 + 0.1597j) * ratio**-0.618
    return layer(k, thickness_m, impedance, index)


def far_over_local(k: float, distance_m: float, admittance: complex) -> complex:
    """Return the field over that of a rigid surface, for both on the surface and kr large.

    1 + i sqrt(pi) w exp(-w^2) erfc(-iw) with w^2 = ikr b^2 / 2, the same source.
    """
    w = np.sqrt(1j * k * distance_m / 2) * admittance
    return complex(1 + 1j * np.sqrt(np.pi) * w * np.exp(-(w**2)) * erfc(-1j * w))
