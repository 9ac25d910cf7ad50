# SPDX-License-Identifier: GPL-3.0-or-later
r"""Arc lens: guide walls above and below the dome, each a circular arc, open to the sides.

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
                 /        wall: an arc from                         /       floor, rising to
       cabinet  |         the opening angle             cabinet  /          half the passage
                |         throat gap                            |           width
                )         dome and surround                     )   dome
                |<-->|    depth

The wall leaves the throat at the opening angle and is a circular arc to the mouth; then a blend,
an arc tangent to wall and front, which ends beyond the mouth by its parameter. The lower wall
mirrors the upper one while its mouth height is 0. The floor is flat as far as the throats reach
and rises evenly to both sides; with a passage width of 0 it stays flat and leaves at the sides.

Where two treated edges meet, they are mitred. The left half (y >= 0) is built.

Sources: `tweeter`, and `midrange` or `midrange_upper` and `midrange_lower`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import Any

from bafflelens.shapes.cabinet import Edges, Head, LeaningCabinet
from bafflelens.shapes.drivers import Dome, Midranges
from bafflelens.shapes.lens import Passage
from bafflelens.shapes.lens_loudspeaker import lens_loudspeaker, lens_loudspeaker_faults
from bafflelens.shapes.loudspeaker import build_loudspeaker, loudspeaker_sources
from bafflelens.shapes.panels import Felt, Plate, felt_layer
from bafflelens.shapes.walls import ArcWall

SYMMETRY = ("y",)


@dataclass(frozen=True)
class Parameters:
    """All parameters, grouped by physical part."""

    dome: Dome = field(default_factory=Dome)
    lens: Passage = field(default_factory=Passage)
    upper: ArcWall = field(default_factory=ArcWall)
    lower: ArcWall = field(default_factory=partial(ArcWall, mouth_height_mm=0.0))
    plate: Plate = field(default_factory=Plate)
    felt: Felt = field(default_factory=Felt)
    midrange: Midranges = field(default_factory=Midranges)
    cabinet: LeaningCabinet = field(default_factory=LeaningCabinet)
    edges: Edges = field(default_factory=Edges)
    head: Head = field(default_factory=Head)


def check(parameters: Parameters) -> list[str]:
    """Return every rule between parameters that is broken, with both numbers."""
    return lens_loudspeaker_faults(parameters)


def sources(parameters: Parameters) -> list[dict[str, Any]]:
    """Return what moves: the dome, and each cone."""
    return loudspeaker_sources(lens_loudspeaker(parameters))


def absorbers(parameters: Parameters) -> dict[str, dict[str, float]]:
    """Return what covers surfaces: the felt, if there is some."""
    return felt_layer(parameters.felt)


def build(model: Any, parameters: Parameters) -> None:
    """Add the left half of the surface, in metres, to a gmsh model and name its parts."""
    build_loudspeaker(model, lens_loudspeaker(parameters))


if __name__ == "__main__":
    from bafflelens.shapes.show import show

    show(build, Parameters())
