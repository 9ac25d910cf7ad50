# SPDX-License-Identifier: GPL-3.0-or-later
r"""Shaped cabinet: edges of their own, a tapered or stepped head, a leaning front; plain dome.

Origin and axes
    Origin where the tweeter's axis meets the front plane; x forward, y to the loudspeaker's own
    left, z up. x is normal to the front: where the front leans back, the axis rises by the slant
    in the room, and the box is drawn leaning forward.

Side view (y = 0), not to scale, and the front::

        z         ______________                       ______       head: narrower, straight or
        ^        |              \    top edge         /      \      tapered, from its bottom width
        |        |               |                   /        \     to its top width
        +---> x  |   cabinet     | )  dome          |    o     |
                 |               |                __|          |__  step
                 |               |   baffle      |                |
                 |______________/    bottom edge |________________|

Every front edge has a radius or a chamfer of its own; that of the sides grows evenly from the
bottom to the top. Where two treated edges meet, they are mitred. The left half (y >= 0) is built;
`offset_cabinet.py` is the same with the tweeter beside the middle.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from bafflelens.shapes.cabinet import Edges, Head, LeaningCabinet, shaped_faults, shaped_hull
from bafflelens.shapes.drivers import Dome, Tweeter
from bafflelens.shapes.loudspeaker import (
    Loudspeaker,
    build_loudspeaker,
    loudspeaker_faults,
    loudspeaker_sources,
)
from bafflelens.shapes.resolved import Resolved, resolved_parts

SYMMETRY = ("y",)


@dataclass(frozen=True)
class Parameters:
    """All parameters, grouped by physical part."""

    dome: Dome = field(default_factory=Dome)
    cabinet: LeaningCabinet = field(default_factory=LeaningCabinet)
    edges: Edges = field(default_factory=Edges)
    head: Head = field(default_factory=Head)


def loudspeaker(parameters: Parameters) -> Loudspeaker:
    """Return the parts at their places."""
    hull = shaped_hull(parameters.cabinet, parameters.edges, parameters.head)
    return Loudspeaker(hull=hull, drivers=(Tweeter(dome=parameters.dome),))


def check(parameters: Parameters) -> list[str]:
    """Return every rule between parameters that is broken, with both numbers."""
    faults = shaped_faults(parameters.cabinet, parameters.edges, parameters.head)
    return faults or loudspeaker_faults(loudspeaker(parameters))


def sources(parameters: Parameters) -> list[dict[str, Any]]:
    """Return what moves: the dome as a piston, the surround tapering to rest at its rim."""
    return loudspeaker_sources(loudspeaker(parameters))


def resolved(parameters: Parameters) -> Resolved:
    """Return what is not there, and what a value of 0 stands for."""
    return resolved_parts(parameters)


def build(model: Any, parameters: Parameters) -> None:
    """Add the left half of the surface, in metres, to a gmsh model and name its parts."""
    build_loudspeaker(model, loudspeaker(parameters))


if __name__ == "__main__":
    from bafflelens.shapes.show import show

    show(build, Parameters())
