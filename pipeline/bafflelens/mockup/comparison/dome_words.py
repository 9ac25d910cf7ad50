# SPDX-License-Identifier: GPL-3.0-or-later
"""What was found of a dome's motion, in words."""

from __future__ import annotations

from typing import Final, Literal

from bafflelens.base.conventions import FloatArray
from bafflelens.mockup.comparison.dome_fields import STRENGTHS, DomeMotions

JUDGED_FROM_HZ: Final = 6000.0
"""From here up the motion of a dome is judged."""

DomeVerdict = Literal["none", "dome", "shape", "untold", "neither"]


def dome_in_words(
    motions: DomeMotions,
    verdict: DomeVerdict,
    strengths: FloatArray,
    half: FloatArray,
    rms_db: tuple[float, float],
    shares: tuple[float, float],
) -> str:
    """Return the best motion and what the data tell of it.

    Parameters
    ----------
    motions : DomeMotions
        What may move how.
    verdict : {"none", "dome", "shape", "untold", "neither"}
        What the data tell.
    strengths, half : (n_effects,) array
        Strength of each effect and half its range of 95 %.
    rms_db : tuple of 2 floats
        The difference from `JUDGED_FROM_HZ` up, without and with the motion.
    shares : tuple of 2 floats
        What a motion, and a shape that is off, predict of its power.
    """
    above = f"above {JUDGED_FROM_HZ / 1e3:g} kHz"
    if verdict == "none":
        return (
            f"Dome of {motions.source}: {above} measurement and rigid dome are {rms_db[0]:.2f} dB "
            "r.m.s. apart, so no other motion is needed."
        )
    told = [
        _one_in_words(motions, number, strengths, float(half[number]))
        for number in range(len(strengths))
    ]
    dome, shape = (f"{100 * max(share, 0.0):.0f} %" for share in shares)
    found = (
        f"{'; '.join(told)}. That reduces the difference {above} from {rms_db[0]:.1f} to "
        f"{rms_db[1]:.1f} dB r.m.s."
    )
    blocks = "in frequency blocks that were left out of the fit"
    ends = {
        "dome": f"It predicts {dome} of it {blocks}; a wrong shape, {shape}.",
        "shape": (
            f"But a wrong size or opening of the shape predicts {shape} of it {blocks}, a motion "
            f"only {dome}: look at the shape first."
        ),
        "untold": (
            f"The data cannot tell dome from shape: {blocks}, a motion predicts {dome} of it; a "
            f"wrong size or opening of the shape, {shape}."
        ),
        "neither": (
            f"But {blocks}, neither a motion of this family ({dome}) nor a wrong size or opening "
            f"of the shape ({shape}) predicts it: something else is the cause."
        ),
    }
    return f"Dome of {motions.source}, best motion: {found} {ends[verdict]}"


def _one_in_words(motions: DomeMotions, number: int, strengths: FloatArray, half: float) -> str:
    """Return one effect with its range."""
    effect = motions.effects[number]
    low, high = STRENGTHS[effect]
    value = float(strengths[number])
    ends = [min(max(value + sign * half, low), high) for sign in (-1, 1)]
    if half > high - low or (low == 0 and ends[0] == 0 and ends[1] >= 1):
        return f"{effect} cannot be told apart from the rest"

    def number_of(strength: float) -> float:
        changed = strengths.copy()
        changed[number] = strength
        member = motions.member(changed)
        known = {
            "lag": member.lag_speed_m_s,
            "fade": member.fade_hz,
            "modes": member.mode_hz,
            "surround": member.surround_share,
            "rocking": member.rocking_share,
        }
        return float(known[effect] or 0.0)

    if low < 0:
        words = f"{effect} {number_of(value):+.2f} of the voice coil"
        return f"{words} ({number_of(ends[0]):+.2f} to {number_of(ends[1]):+.2f})"
    words, unit, factor = {
        "lag": ("apex lags at", "m/s", 1.0),
        "fade": ("apex fades above", "kHz", 1e-3),
        "modes": ("first mode at", "kHz", 1e-3),
    }[effect]
    slowest = _figure(factor * number_of(ends[1]))
    if ends[0] <= 0:
        return f"{words} {slowest} {unit} or {'more' if effect == 'lag' else 'not at all'}"
    fastest = _figure(factor * number_of(ends[0]))
    return f"{words} {_figure(factor * number_of(value))} {unit} ({slowest} to {fastest})"


def _figure(value: float) -> str:
    """Return three figures, without an exponent."""
    return f"{value:.0f}" if value >= 100 else f"{value:.3g}"
