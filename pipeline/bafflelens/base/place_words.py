# SPDX-License-Identifier: GPL-3.0-or-later
"""Places of a front in words, as somebody would say them who stands before it."""

from __future__ import annotations

from typing import Final

from bafflelens.base.conventions import FloatArray

NEAR_M: Final = 0.004
"""What is nearer to a line than this is on it."""


def where(centre: FloatArray, *, is_mirrored: bool) -> str:
    """Return where a place (3,) in m is, seen from the tweeter's axis, in words."""
    _, left, up = centre
    words = []
    if abs(up) >= NEAR_M:
        words.append(f"{1e3 * abs(up):.0f} mm {'above' if up > 0 else 'below'} the axis")
    if is_mirrored:
        words.append(f"{1e3 * abs(left):.0f} mm to both sides")
    elif abs(left) >= NEAR_M:
        words.append(f"{1e3 * abs(left):.0f} mm to {'its left' if left > 0 else 'its right'}")
    if not words:
        return "the axis"
    return " and ".join(words) + (" of the axis" if abs(up) < NEAR_M else "")
