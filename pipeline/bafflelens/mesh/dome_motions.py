# SPDX-License-Identifier: GPL-3.0-or-later
"""How domes plausibly move: a family drawn from ranges of a few physical numbers.

A dome is driven at its rim. Its ratio is the axial velocity over that of the rim, for
exp(-i omega t). With rho the radius over the dome's, a the radius and f the frequency:

lag
    exp(i omega (a / c) (1 - rho^2)): the apex follows the rim by the time that a bending wave
    takes over a radius. A bending wave's speed rises with the root of the frequency (thin plate),
    so c is that at 10 kHz times sqrt(f / 10 kHz). Smooth at the apex, unlike a delay
    in proportion to the distance.
fade
    1 / (1 - i (f / corner) (1 - rho^2)): a lossy dome, whose apex fades above a corner.
modes
    1 + sum over m of b_m w_m(rho) f^2 / (f_m^2 - f^2 - i f f_m / Q): the first two axisymmetric
    modes of a shallow cap with a clamped edge, moved at that edge. w_m are those of the flat
    plate, b_m their shares in a rigid motion.
surround
    The middle of the surround moves more than its part of the coil's motion, or less: out of
    phase.
rocking
    The dome tilts up and down besides.

Frequencies of a shallow spherical cap: `shallow_cap_hz`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import ComplexArray, FloatArray
from bafflelens.mesh.dome_profiles import DOME_ORDERS, DomeProfile, dome_shares, fitting_radii
from bafflelens.mesh.source_motion import VelocityTable

CLAMPED_ROOTS: Final = (3.19622, 6.30644)
"""First roots of J0(x) I1(x) + I0(x) J1(x): the clamped circular plate without nodal diameters."""

SPEED_AT_HZ: Final = 10_000.0

EFFECTS: Final = ("lag", "fade", "modes", "surround", "rocking")
"""What a motion may hold besides the rigid one."""

KINDS: Final[Mapping[str, tuple[str, ...]]] = {
    "soft": ("lag", "fade", "surround"),
    "hard": ("modes", "surround"),
}
"""What domes of a kind do; common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class DomeRanges:
    """Between what the numbers of a family lie, (from, to); common practice, no source.

    Attributes
    ----------
    lag_speed_m_s : tuple of 2 floats
        Speed of the bending wave at 10 kHz, in m/s.
    fade_hz : tuple of 2 floats
        Corner above which the apex fades, in Hz.
    mode_hz : tuple of 2 floats
        Frequency of the first mode, in Hz.
    mode_quality : tuple of 2 floats
        Q of both modes.
    plate_share : tuple of 2 floats
        Share of bending in the square of the first mode's frequency; the rest is stretching,
        which all modes have alike.
    surround_share : tuple of 2 floats
        What the middle of the surround moves besides, over the coil; negative is out of phase.
    rocking_share : tuple of 2 floats
        What the upper rim moves besides, over the coil.
    """

    lag_speed_m_s: tuple[float, float] = (400.0, 1600.0)
    fade_hz: tuple[float, float] = (12_000.0, 40_000.0)
    mode_hz: tuple[float, float] = (16_000.0, 30_000.0)
    mode_quality: tuple[float, float] = (5.0, 30.0)
    plate_share: tuple[float, float] = (0.05, 0.2)
    surround_share: tuple[float, float] = (-0.5, 0.5)
    rocking_share: tuple[float, float] = (-0.1, 0.1)


@dataclass(frozen=True, kw_only=True)
class DomeMember:
    """One plausible motion of a dome; an effect that it has not is None.

    Attributes
    ----------
    lag_speed_m_s, fade_hz, mode_hz, mode_quality, plate_share, surround_share, rocking_share
        As in `DomeRanges`, a number each.
    table : VelocityTable or None
        A motion that was measured, or computed elsewhere; then there is nothing else.
    """

    lag_speed_m_s: float | None = None
    fade_hz: float | None = None
    mode_hz: float | None = None
    mode_quality: float = 10.0
    plate_share: float = 0.1
    surround_share: float = 0.0
    rocking_share: float = 0.0
    table: VelocityTable | None = None

    @property
    def text(self) -> str:
        """The member in words."""
        if self.table is not None:
            return "as its velocity table says"
        parts = []
        if self.lag_speed_m_s is not None:
            parts.append(f"apex lags at {self.lag_speed_m_s:.0f} m/s")
        if self.fade_hz is not None:
            parts.append(f"fades above {self.fade_hz / 1e3:.1f} kHz")
        if self.mode_hz is not None:
            parts.append(f"first mode {self.mode_hz / 1e3:.1f} kHz, Q {self.mode_quality:.0f}")
        if self.surround_share:
            phase = "in" if self.surround_share > 0 else "out of"
            parts.append(f"surround {abs(self.surround_share):.2f} {phase} phase")
        if self.rocking_share:
            parts.append(f"rocking {abs(self.rocking_share):.2f}")
        return ", ".join(parts) or "rigid"


@dataclass(frozen=True, kw_only=True)
class DomeFamily:
    """The plausible motions of a source.

    Attributes
    ----------
    profiles : tuple of DomeProfile
        Of what they are mixtures.
    members : tuple of DomeMember
        The motions.
    """

    profiles: tuple[DomeProfile, ...]
    members: tuple[DomeMember, ...] = field(default=())


def draw_members(
    effects: Sequence[str], ranges: DomeRanges, number: int, seed: int
) -> tuple[DomeMember, ...]:
    """Return motions that fill the ranges evenly (scrambled Halton points).

    Parameters
    ----------
    effects : sequence of str
        What each member does, of `EFFECTS`.
    ranges : DomeRanges
        Between what its numbers lie; those above 0 throughout are drawn by their logarithms.
    number : int
        How many.
    seed : int
        The same seed gives the same members.
    """
    from scipy.stats import qmc  # slow to load, and few jobs have a family

    keys = [key for effect in effects for key in _KEYS[effect]]
    points = qmc.Halton(d=len(keys), rng=np.random.default_rng(seed)).random(number)
    drawn: list[dict[str, Any]] = [
        {key: _within(getattr(ranges, key), float(share)) for key, share in row}
        for row in (zip(keys, point, strict=True) for point in points)
    ]
    return tuple(replace(DomeMember(), **numbers) for numbers in drawn)


_KEYS: Final[Mapping[str, tuple[str, ...]]] = {
    "lag": ("lag_speed_m_s",),
    "fade": ("fade_hz",),
    "modes": ("mode_hz", "mode_quality", "plate_share"),
    "surround": ("surround_share",),
    "rocking": ("rocking_share",),
}


def _within(limits: tuple[float, float], share: float) -> float:
    low, high = limits
    if low > 0:
        return float(low * (high / low) ** share)
    return low + share * (high - low)


def dome_ratio(
    member: DomeMember, relative_radius: FloatArray, radius_m: float, frequency_hz: FloatArray
) -> ComplexArray:
    """Return the axial velocity of the dome over that of its rim, (n_frequencies, n_radii).

    Parameters
    ----------
    member : DomeMember
        The motion.
    relative_radius : (n_radii,) array
        rho, 0 to 1.
    radius_m : float
        Radius of the dome in m.
    frequency_hz : (n_frequencies,) array
        Frequencies in Hz.
    """
    if member.table is not None:
        return np.array(
            [member.table.at(relative_radius * radius_m, float(hz)) for hz in frequency_hz]
        )
    hz = np.asarray(frequency_hz, dtype=float)[:, np.newaxis]
    height = 1 - relative_radius**2
    ratio = np.ones((len(hz), len(height)), dtype=complex)
    if member.lag_speed_m_s is not None:
        speed = member.lag_speed_m_s * np.sqrt(hz / SPEED_AT_HZ)
        ratio *= np.exp(2j * np.pi * hz * radius_m / speed * height)
    if member.fade_hz is not None:
        ratio /= 1 - 1j * hz / member.fade_hz * height
    if member.mode_hz is not None:
        modes = mode_frequencies(member.mode_hz, member.plate_share)
        for number, mode_hz in enumerate(modes):
            shape = clamped_mode(number, relative_radius)
            swing = hz**2 / (mode_hz**2 - hz**2 - 1j * hz * mode_hz / member.mode_quality)
            ratio += swing * shape
    return ratio


def member_shares(
    member: DomeMember,
    profiles: Sequence[DomeProfile],
    radius_m: float,
    frequency_hz: FloatArray,
) -> tuple[ComplexArray, FloatArray]:
    """Return what each profile has in a motion.

    Parameters
    ----------
    member : DomeMember
        The motion.
    profiles : sequence of DomeProfile
        Those that are solved.
    radius_m : float
        Radius of the dome in m.
    frequency_hz : (n_frequencies,) array
        Frequencies in Hz.

    Returns
    -------
    shares : (n_profiles, n_frequencies) complex array
        Velocity of each profile over that of the coil.
    left : (n_frequencies,) array
        What the mixture leaves of the dome's motion, root mean square over it.
    """
    ratio = dome_ratio(member, fitting_radii()[0], radius_m, frequency_hz)
    of_dome, left = dome_shares(ratio)
    constant = {"surround": member.surround_share, "rocking": member.rocking_share}
    rows = [
        of_dome[:, profile.order - 1]
        if profile.kind == "dome"
        else np.full(len(frequency_hz), constant[profile.kind], dtype=complex)
        for profile in profiles
    ]
    return np.array(rows), left


def clamped_mode(number: int, relative_radius: FloatArray) -> FloatArray:
    """Return an axisymmetric mode of a clamped plate, scaled to its share in a rigid motion.

    w = J0(x rho) - J0(x) / I0(x) I0(x rho), x from `CLAMPED_ROOTS` (A. W. Leissa, Vibration of
    Plates, NASA SP-160, 1969, section 2.1; citation from memory), times the integral of w over
    that of w^2.
    """
    from scipy import special  # slow to load, and a job names domes without it

    radii, weight = fitting_radii()

    def shape(rho: FloatArray) -> FloatArray:
        root = CLAMPED_ROOTS[number]
        edge = special.j0(root) / special.i0(root)
        return np.asarray(special.j0(root * rho) - edge * special.i0(root * rho))

    w = shape(radii)
    return np.asarray(shape(relative_radius) * (weight @ w) / (weight @ w**2))


def mode_frequencies(first_hz: float, plate_share: float) -> tuple[float, ...]:
    """Return the frequencies of a shallow cap's modes, from the first and its share of bending.

    By `shallow_cap_hz`: squares of frequencies are a part that all modes share and one that
    rises with the fourth power of the plate's root.
    """
    first = CLAMPED_ROOTS[0]
    return tuple(
        first_hz * float(np.sqrt(1 - plate_share + plate_share * (root / first) ** 4))
        for root in CLAMPED_ROOTS[: min(2, DOME_ORDERS)]
    )


def shallow_cap_hz(
    number: int,
    *,
    radius_m: float,
    curvature_radius_m: float,
    thickness_m: float,
    modulus_pa: float,
    density: float,
    poisson: float = 0.3,
) -> float:
    """Return the frequency of an axisymmetric mode of a shallow spherical cap, clamped edge.

    omega^2 = omega_plate^2 + E / (density R^2), with omega_plate that of the flat plate with
    this edge: E. Reissner, Quart. Appl. Math. 13 (1955) 279, and M. W. Johnson and E. Reissner,
    ibid. 15 (1958) 367 (citations from memory). The in-plane condition at the edge is that for
    which the stress function has the plate's modes.

    Parameters
    ----------
    number : int
        0 for the first.
    radius_m, curvature_radius_m, thickness_m : float
        Of the edge, of the sphere and of the wall, in m.
    modulus_pa, density, poisson : float
        Young's modulus in Pa, density in kg/m^3, and Poisson's ratio.
    """
    bending = modulus_pa * thickness_m**2 / (12 * density * (1 - poisson**2))
    plate = bending * (CLAMPED_ROOTS[number] / radius_m) ** 4
    stretching = modulus_pa / (density * curvature_radius_m**2)
    return float(np.sqrt(plate + stretching) / (2 * np.pi))
