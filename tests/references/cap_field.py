# SPDX-License-Identifier: GPL-3.0-or-later
"""The exact field of a cap that moves on a rigid sphere, at any distance, with its gradient.

    p = i rho c sum u_n h_n(kr) / h_n'(ka) P_n(cos gamma)

with gamma from the cap's axis, which may point anywhere, and r from the sphere's centre, which may
lie anywhere: so orbits see an asymmetric body. Source: P. M. Morse and K. U. Ingard, Theoretical
Acoustics (1968) ch. 7; references/README.md, section 1. Recurrences instead of library calls,
since a fit asks often: h_n upwards, which is stable, and P_n.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import analytic
import numpy as np

from bafflelens.base.conventions import direction_vectors


@dataclass(frozen=True)
class CapField:
    """A radiator in the sense of `bafflelens.mockup.comparison.radiator`, for 1 m/s^2.

    ``break_up_hz`` makes the cap softer above that frequency: a second, smaller cap in its middle
    then moves in addition, more and more and with a lag, as a dome does that is no longer rigid.
    """

    frequencies_hz: np.ndarray
    radius_m: float = 0.1
    half_angle_deg: float = 12.0
    axis_deg: tuple[float, float] = (8.0, 14.0)  # azimuth and elevation of the cap
    centre_m: tuple[float, float, float] = (-0.1, 0.0, -0.02)
    sound_speed: float = 343.2
    rho_c: float = 413.0
    break_up_hz: float = np.inf
    known: dict[object, object] = field(default_factory=dict, compare=False, repr=False)

    @property
    def axis(self):
        azimuth, elevation = self.axis_deg
        return direction_vectors(np.array([azimuth]), np.array([elevation]))[0]

    def at(self, points, numbers):
        """Pressure (n_numbers, n_points) and gradient (n_numbers, n_points, 3)."""
        offset = points - np.asarray(self.centre_m)
        r = np.linalg.norm(offset, axis=1)
        unit = offset / r[:, None]
        cosine = unit @ self.axis
        pressure = np.zeros((len(numbers), len(points)), complex)
        along = np.zeros_like(pressure)
        turning = np.zeros_like(pressure)
        series = [self._weights(self.frequencies_hz[number]) for number in numbers]
        longest = max((len(weights) for weights, _ in series), default=1)
        all_legendre, all_slopes = _legendre(longest - 1, cosine)
        for row, (weights, k) in enumerate(series):
            legendre, slopes = all_legendre[: len(weights)], all_slopes[: len(weights)]
            hankel, derivative = _hankel(len(weights) - 1, k * r)
            pressure[row] = weights @ (hankel * legendre)
            along[row] = k * (weights @ (derivative * legendre))
            turning[row] = (weights @ (hankel * slopes)) / r
        square = self.axis - cosine[:, None] * unit  # gradient of cos gamma, times r
        gradient = along[..., None] * unit + turning[..., None] * square
        return pressure, gradient

    def shortest_way_m(self, points):
        """How far each point is from the middle of the cap."""
        middle = np.asarray(self.centre_m) + self.radius_m * self.axis
        return np.linalg.norm(points - middle, axis=1)

    def _weights(self, frequency):
        """Weights of h_n P_n and the wavenumber."""
        if frequency not in self.known:
            k = 2 * np.pi * frequency / self.sound_speed
            n_max = analytic.n_terms(k * self.radius_m)
            n = np.arange(n_max + 1)
            u = analytic.cap_coefficients(n_max, np.radians(self.half_angle_deg)).astype(complex)
            if frequency > self.break_up_hz:
                inner = analytic.cap_coefficients(n_max, np.radians(0.5 * self.half_angle_deg))
                octaves = np.log2(frequency / self.break_up_hz)
                u += 3.0 * octaves * np.exp(2j * octaves) * inner
            velocity = 1j / (2 * np.pi * frequency)  # of 1 m/s^2
            weights = 1j * self.rho_c * u * velocity / analytic.sph_hp(n, k * self.radius_m)
            self.known[frequency] = weights, k
        return self.known[frequency]


def _legendre(n_max, x):
    """P_n(x) and their derivatives, (n_max + 1, len(x))."""
    p = analytic.legendre_table(n_max, x)
    slope = np.zeros_like(p)
    if n_max:
        slope[1] = 1
    for n in range(2, n_max + 1):
        slope[n] = slope[n - 2] + (2 * n - 1) * p[n - 1]
    return p, slope


def _hankel(n_max, x):
    """Spherical Hankel functions of the first kind and their derivatives, (n_max + 1, len(x))."""
    h = np.zeros((n_max + 2, x.size), complex)
    h[0] = -1j * np.exp(1j * x) / x
    h[1] = -np.exp(1j * x) * (x + 1j) / x**2
    for n in range(1, n_max + 1):
        h[n + 1] = (2 * n + 1) / x * h[n] - h[n - 1]
    order = np.arange(n_max + 1)[:, None]
    return h[: n_max + 1], order / x * h[: n_max + 1] - h[1:]
