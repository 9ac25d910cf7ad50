# SPDX-License-Identifier: GPL-3.0-or-later
r"""Exponential lens: guide walls above and below the dome that open exponentially.

A *lens* is a shallow guide in the front, open to the sides: its walls hold sound together
vertically and leave it free horizontally. It runs on into the baffle, or, with a passage that
ends on the front and a faceplate, stays inside that.

Origin and axes
    Origin where the tweeter's axis meets the undisturbed front plane of the baffle; x forward,
    y to the loudspeaker's own left, z up. The rim of the dome lies in the floor, at x = -depth.

Side view (y = 0), and plan (z = 0), not to scale::

      z              |    front, x = 0         y      _________________
      ^              |                         ^                       \    edge of the cabinet
      |             /     blend into the front |                        |
      +---> x     /       mouth height         +---> x                 /    blend
                 /        wall                      /       floor, rising to
       cabinet  |                                 cabinet  /          half the passage
                |         throat gap                            |           width
                )         dome and surround                     )   dome
                |<-->|    depth

The wall leaves the throat at the opening angle and opens exponentially to the mouth, h = throat +
a (exp(m d) - 1) at the distance d in front of the floor; then a blend, an arc tangent to wall and
front, which ends beyond the mouth by its parameter. The lower wall mirrors the upper one while
its mouth height is 0. The floor is flat as far as the throats reach and rises evenly to both
sides; with a passage width of 0 it stays flat and leaves at the sides.

Where two treated edges meet, they are mitred. The left half (y >= 0) is built.

Sources: `tweeter`, and `midrange` or `midrange_upper` and `midrange_lower`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial

from bafflelens.shapes.lens_loudspeaker import (
    SYMMETRY,
    LensLoudspeaker,
    absorbers,
    build,
    check,
    resolved,
    sources,
)
from bafflelens.shapes.walls import ExponentialWall

__all__ = ["SYMMETRY", "Parameters", "absorbers", "build", "check", "resolved", "sources"]


@dataclass(frozen=True)
class Parameters(LensLoudspeaker):
    """All parameters, grouped by physical part: those of any lens, and its walls."""

    upper: ExponentialWall = field(default_factory=ExponentialWall)
    lower: ExponentialWall = field(default_factory=partial(ExponentialWall, mouth_height_mm=0.0))


if __name__ == "__main__":
    from bafflelens.shapes.show import show

    show(build, Parameters())
