# SPDX-License-Identifier: GPL-3.0-or-later
"""What the opening of a lens can reach of a target: estimates, made before anything is solved."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.scoring.target import Target

SIX_DB_DOWN: Final = -6.0
_POINTS: Final = 2001  # over an opening: 1 mm apart at 2 m, far less than any wavelength


@dataclass(frozen=True, kw_only=True)
class OutOfReach:
    """A bounce whose target an opening of a lens is too low for.

    Attributes
    ----------
    name : str
        ``floor`` or ``ceiling``.
    angle_deg : float
        Its angle; of several, the one that is hardest to reach.
    below_hz : float
        Below this the target asks for more than the opening gives.
    six_db_down_hz : float
        Where the opening, moved evenly, is 6 dB down at that angle.
    to_hz : float
        So far up the target asks for something.
    """

    name: str
    angle_deg: float
    below_hz: float
    six_db_down_hz: float
    to_hz: float


def reached_from_hz(
    opening_height_m: float, angle_deg: float, level_db: float, sound_speed: float
) -> float:
    r"""Return the frequency from which on an opening sends less than a level to an angle.

    Parameters
    ----------
    opening_height_m : float
        Height H of the opening.
    angle_deg : float
        Elevation t.
    level_db : float
        Level re the axis, below 0 dB.
    sound_speed : float
        Speed of sound c in m/s.

    Notes
    -----
    An evenly driven opening is :math:`\sin(\pi x)/(\pi x)` with :math:`x = f H \sin t / c`
    down, to its first null. For -6 dB this is the rule :math:`f = 0.6\,c/(H \sin t)` (common
    practice, no source): an estimate, good enough to warn with.
    """
    wanted = 10 ** (level_db / 20)
    from scipy.optimize import brentq  # slow to load, and few targets need it

    x = brentq(lambda x: float(np.sinc(x)) - wanted, 0.0, 1.0)
    return float(x * sound_speed / (opening_height_m * abs(np.sin(np.radians(angle_deg)))))


def out_of_reach(
    target: Target, opening_height_m: float, sound_speed: float
) -> tuple[OutOfReach, ...]:
    """Return the bounces for which an opening is too low to reach what the target asks.

    Parameters
    ----------
    target : Target
        What is asked.
    opening_height_m : float
        Height of the opening.
    sound_speed : float
        Speed of sound in m/s.
    """
    found = []
    for name, limit in (("floor", target.floor), ("ceiling", target.ceiling)):
        flattest = min(limit.angles_deg, key=abs)
        frequencies = np.geomspace(limit.frequencies_hz[0], limit.frequencies_hz[-1], 200)
        asked_db = limit.level_at(frequencies)
        # As in `reached_from_hz`: up to its first null an opening sends the less, the higher.
        x = frequencies * opening_height_m * abs(np.sin(np.radians(flattest))) / sound_speed
        reached = (asked_db >= 0) | (np.sinc(np.minimum(x, 1.0)) <= 10 ** (asked_db / 20))
        if not reached.all():
            missed = frequencies[~reached].max()
            six_db_down_hz = reached_from_hz(opening_height_m, flattest, SIX_DB_DOWN, sound_speed)
            found.append(
                OutOfReach(
                    name=name,
                    angle_deg=flattest,
                    below_hz=float(missed),
                    six_db_down_hz=six_db_down_hz,
                    to_hz=float(limit.frequencies_hz[-1]),
                )
            )
    return tuple(found)


# --------------------------------------------------------------------- walls at an angle


@dataclass(frozen=True, kw_only=True)
class Flared:
    """How far down an opening at the end of straight walls is at an angle, at best.

    Attributes
    ----------
    wall_angle_deg : float
        Angle of each wall from the axis.
    path_difference_m : float
        How much longer the way to the edge of the opening is than that to its middle.
    lowest_db, at_hz : float
        Lowest level at the angle re the axis, and where.
    less_from_hz : float or None
        From there on it is less than 6 dB down again; None if it stays below in the band, or never
        gets there.
    """

    wall_angle_deg: float
    path_difference_m: float
    lowest_db: float
    at_hz: float
    less_from_hz: float | None


def flared_level_db(
    frequency_hz: FloatArray,
    opening_height_m: float,
    wall_angle_deg: float,
    angle_deg: float,
    sound_speed: float,
) -> FloatArray:
    r"""Return the level that an opening at the end of straight walls sends to an angle.

    Parameters
    ----------
    frequency_hz : (n_frequencies,) array
        Frequencies.
    opening_height_m : float
        Height H of the opening.
    wall_angle_deg : float
        Angle w of each wall from the axis, 0 to below 90.
    angle_deg : float
        Elevation t.
    sound_speed : float
        Speed of sound in m/s.

    Returns
    -------
    (n_frequencies,) array
        In dB re the axis.

    Notes
    -----
    The opening moves evenly, but as the front of a wave from where the walls would meet, a
    distance :math:`d = H/(2 \tan w)` behind it:

    .. math:: p(t) \propto \int_{-H/2}^{H/2} e^{ik(\sqrt{d^2 + z^2} - d - z \sin t)}\,dz

    as of the sectoral horn of antenna theory (C. A. Balanis, Antenna Theory, chapter on horns;
    from memory). Lips, sides and the cabinet are left out: an estimate.
    """
    half = opening_height_m / 2
    z = np.linspace(-half, half, _POINTS)
    late = path_difference_m(2 * np.abs(z), wall_angle_deg, opening_height_m)
    k = 2 * np.pi * np.asarray(frequency_hz)[:, np.newaxis] / sound_speed
    there = np.exp(1j * k * (late - z * np.sin(np.radians(angle_deg)))).mean(axis=1)
    ahead = np.exp(1j * k * late).mean(axis=1)
    return np.asarray(20 * np.log10(np.abs(there) / np.abs(ahead)))


def path_difference_m(
    height_m: FloatArray | float, wall_angle_deg: float, opening_height_m: float
) -> FloatArray:
    """Return how much longer the way from where the walls meet is to a height than to the middle.

    Parameters
    ----------
    height_m : array or float
        Heights, twice the distance from the middle, in m.
    wall_angle_deg : float
        Angle of each wall from the axis, 0 to below 90.
    opening_height_m : float
        Where the walls end.
    """
    z = np.asarray(height_m, dtype=float) / 2
    if wall_angle_deg == 0:
        return np.zeros_like(z)
    depth = opening_height_m / 2 / np.tan(np.radians(wall_angle_deg))
    return np.asarray(np.hypot(depth, z) - depth)


def flared_opening(
    opening_height_m: float,
    wall_angle_deg: float,
    angle_deg: float,
    band_hz: tuple[float, float],
    sound_speed: float,
) -> Flared:
    """Return how far down such an opening is at an angle in a band: see `flared_level_db`."""
    frequency = np.geomspace(*band_hz, 400)
    level = flared_level_db(frequency, opening_height_m, wall_angle_deg, angle_deg, sound_speed)
    lowest = int(level.argmin())
    again = np.flatnonzero(level[lowest:] > SIX_DB_DOWN)
    rises = level[lowest] <= SIX_DB_DOWN and again.size
    return Flared(
        wall_angle_deg=wall_angle_deg,
        path_difference_m=float(
            path_difference_m(opening_height_m, wall_angle_deg, opening_height_m)
        ),
        lowest_db=float(level[lowest]),
        at_hz=float(frequency[lowest]),
        less_from_hz=float(frequency[lowest + again[0]]) if rises else None,
    )
