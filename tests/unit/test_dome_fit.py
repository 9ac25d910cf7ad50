# SPDX-License-Identifier: GPL-3.0-or-later
"""Which motion of a dome is found in a difference, and when dome and shape are not told apart.

The dome is a cap on a rigid sphere that points aside and up, by the exact series (P. M. Morse and
K. U. Ingard, Theoretical Acoustics (1968) ch. 7) with the Legendre coefficients of each profile.
It is measured at 1 m; the ratios that the fit knows are those of the far fields.
"""

from dataclasses import dataclass, field
from functools import cache
from types import SimpleNamespace

import analytic
import cap_field
import numpy as np
import pytest

from bafflelens.base.conventions import direction_vectors
from bafflelens.mesh.dome_motions import KINDS, DomeMember, DomeRanges, member_shares
from bafflelens.mesh.dome_profiles import dome_shape, profiles_of
from bafflelens.mockup.comparison.dome_fields import DomeMotions, OrbitFields
from bafflelens.mockup.comparison.dome_fit import fit_dome

HZ = 1000 * 10 ** (np.arange(12, 49) / 40)  # 2 to 16 kHz
PROFILES = profiles_of()[:-1]  # no surround
RANGES = DomeRanges(lag_speed_m_s=(400.0, 1600.0), fade_hz=(8000.0, 40_000.0))
PLANES = ("horizontal", "vertical")
ANGLES = np.arange(-180.0, 180.0, 10.0)
RADIUS_M = 0.1 * np.sin(np.radians(12))


@cache
def profile_coefficients(order, n_max, half_angle_deg):
    point, weight = np.polynomial.legendre.leggauss(200)
    low = np.cos(np.radians(half_angle_deg))
    cosine = low + (1 - low) * (point + 1) / 2
    velocity = dome_shape(order, np.sqrt(1 - cosine**2) / np.sin(np.radians(half_angle_deg)))
    table = analytic.legendre_table(n_max, cosine)
    return (2 * np.arange(n_max + 1) + 1) / 2 * (table @ (weight * velocity)) * (1 - low) / 2


@dataclass(frozen=True)
class MovingCap(cap_field.CapField):
    """A cap whose motion holds shares of profiles, or is one of them alone."""

    member: DomeMember = field(default_factory=DomeMember)
    alone: int = 0

    def _weights(self, frequency):
        weights, k = super()._weights(frequency)
        n_max = len(weights) - 1
        rigid = analytic.cap_coefficients(n_max, np.radians(self.half_angle_deg))
        parts = [profile_coefficients(one.order, n_max, self.half_angle_deg) for one in PROFILES]
        shares = member_shares(self.member, PROFILES, RADIUS_M, np.array([frequency]))[0][:, 0]
        moving = parts[self.alone - 1] if self.alone else rigid + shares @ parts
        return weights * moving / rigid, k


def places(plane, angle_deg, distance_m):
    still = np.zeros(angle_deg.size)
    if plane == "horizontal":
        return distance_m * direction_vectors(angle_deg, still)
    turn = np.radians(angle_deg)
    return distance_m * np.stack([np.cos(turn), still, np.sin(turn)], axis=1)


@cache
def orbits():
    angle = np.arange(-180.0, 181.0, 5.0)
    numbers = np.arange(len(HZ))
    found = {}
    for plane in PLANES:
        points = places(plane, angle, 50.0)
        fields = [
            MovingCap(frequencies_hz=HZ, alone=alone).at(points, numbers)[0]
            for alone in range(len(PROFILES) + 1)
        ]
        found[plane] = OrbitFields(
            frequency_hz=HZ,
            angle_deg=angle,
            rigid=fields[0],
            ratios=np.array(fields[1:]) / fields[0],
        )
    return found


def motions(kind="soft"):
    return DomeMotions(
        source="tweeter",
        radius_m=RADIUS_M,
        effects=tuple(effect for effect in KINDS[kind] if effect != "surround"),
        ranges=RANGES,
        profiles=PROFILES,
        orbits=orbits(),
    )


def differences(noise_db=0.2, planes=PLANES, **planted):
    rng = np.random.default_rng(4)
    found = []
    for plane in planes:
        points, numbers = places(plane, ANGLES, 1.0), np.arange(len(HZ))
        measured, rigid = (
            20 * np.log10(np.abs(one.at(points, numbers)[0]))
            for one in (
                MovingCap(frequencies_hz=HZ, **planted),
                cap_field.CapField(frequencies_hz=HZ),
            )
        )
        values = measured - rigid + noise_db * rng.standard_normal(measured.shape)
        values[rigid < rigid.max(axis=1, keepdims=True) - 25] = np.nan
        found.append(
            SimpleNamespace(plane=plane, angle_deg=ANGLES, frequency_hz=HZ, difference_db=values)
        )
    return found


@pytest.mark.parametrize(
    ("kind", "planted", "words"),
    [
        ("soft", {"lag": 0.7, "fade": 0.4}, "apex lags at"),
        ("soft", {"lag": 1.0, "fade": 0.0}, "or not at all"),
        ("hard", {"modes": 1.1}, "first mode at"),
    ],
)
def test_a_planted_motion_is_found_within_its_range(kind, planted, words):
    known = motions(kind)
    member = known.member(np.array([planted[effect] for effect in known.effects]))
    found = fit_dome(differences(member=member), known)
    assert found.verdict == "dome"
    for effect, strength in planted.items():
        off = abs(found.strengths[effect] - strength)
        assert off < max(found.half_range[effect], 0.02)
    assert found.before_db > 1
    assert found.left_db < 0.35
    assert found.predicted > 0.8 > found.by_shape
    assert words in found.text
    assert "a wrong shape" in found.text
    # The mixture is that of the motion, at every frequency.
    shares, _ = member_shares(member, PROFILES, RADIUS_M, found.frequency_hz)
    assert np.abs(np.array(list(found.shares.values())) - shares).max() < 0.25


def test_a_rigid_dome_needs_no_motion():
    found = fit_dome(differences(noise_db=0.1), motions())
    assert found.verdict == "none"
    assert "so no other motion is needed" in found.text


def test_a_planted_shape_is_not_put_down_to_the_dome():
    found = fit_dome(differences(radius_m=0.11), motions())
    assert found.verdict in ("shape", "untold")
    assert found.by_shape > found.predicted
    assert "shape" in found.text


def test_noise_is_neither():
    found = fit_dome(differences(noise_db=1.0), motions())
    assert found.verdict == "neither"
    assert "something else is the cause" in found.text


def test_a_dome_of_another_size_cannot_be_told_from_a_motion():
    """A larger dome beams as one whose rim leads: one orbit to 12 kHz does not tell them."""
    found = fit_dome(differences(half_angle_deg=13.0), motions())
    assert found.verdict != "dome"


def test_what_was_compared_too_low_tells_nothing():
    low = [SimpleNamespace(**vars(one)) for one in differences()]
    for one in low:
        one.frequency_hz, one.difference_db = HZ[:15], one.difference_db[:15]
    assert fit_dome(low, motions()) is None
    assert fit_dome([], motions()) is None
