# SPDX-License-Identifier: GPL-3.0-or-later
r"""Faceplate: a dome in a plain flush faceplate, round or rectangular, with felt around it.

Origin and axes
    Origin where the tweeter's axis meets the front plane; x forward, y to the loudspeaker's own
    left, z up. Everything lies in the front plane, x = 0.

Side view (y = 0), not to scale::

      z         ____________________
      ^        |                    \    front edge: rounded, chamfered or sharp
      |        |                     |    baffle (front plane), x = 0
      +---> x  |                     |    felt, a named surface
               |                     |    faceplate, a named surface
               |       cabinet       | )  dome in its surround

Rigid faceplate and baffle are one plane: as long as nothing has an admittance, this is the plain
baffle. Felt fills a rectangle around the faceplate, or around the dome if there is none.

Where two treated edges meet, they are mitred. The left half (y >= 0) is built.

Sources: `tweeter`, and `midrange` or `midrange_upper` and `midrange_lower`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import Any

from bafflelens.shapes.cabinet import Edges, Head, LeaningCabinet, shaped_faults, shaped_hull
from bafflelens.shapes.drivers import Dome, Midranges, Tweeter, midranges
from bafflelens.shapes.loudspeaker import (
    Loudspeaker,
    build_loudspeaker,
    loudspeaker_faults,
    loudspeaker_sources,
)
from bafflelens.shapes.panels import Felt, Plate, felt_layer
from bafflelens.shapes.resolved import Resolved, resolved_parts

SYMMETRY = ("y",)


@dataclass(frozen=True)
class Parameters:
    """All parameters, grouped by physical part."""

    dome: Dome = field(default_factory=Dome)
    plate: Plate = field(default_factory=partial(Plate, diameter_mm=110.0))
    felt: Felt = field(default_factory=Felt)
    midrange: Midranges = field(default_factory=Midranges)
    cabinet: LeaningCabinet = field(default_factory=LeaningCabinet)
    edges: Edges = field(default_factory=Edges)
    head: Head = field(default_factory=Head)


def loudspeaker(parameters: Parameters) -> Loudspeaker:
    """Return the parts at their places."""
    return Loudspeaker(
        hull=shaped_hull(parameters.cabinet, parameters.edges, parameters.head),
        drivers=(Tweeter(dome=parameters.dome), *midranges(parameters.midrange)),
        plate=parameters.plate,
        felt=parameters.felt,
    )


def check(parameters: Parameters) -> list[str]:
    """Return every rule between parameters that is broken, with both numbers."""
    faults = shaped_faults(parameters.cabinet, parameters.edges, parameters.head)
    return faults or loudspeaker_faults(loudspeaker(parameters))


def sources(parameters: Parameters) -> list[dict[str, Any]]:
    """Return what moves: the dome, and each cone."""
    return loudspeaker_sources(loudspeaker(parameters))


def absorbers(parameters: Parameters) -> dict[str, dict[str, float]]:
    """Return what covers surfaces: the felt, if there is some."""
    return felt_layer(parameters.felt)


def resolved(parameters: Parameters) -> Resolved:
    """Return what is not there, and what a value of 0 stands for."""
    return resolved_parts(parameters)


def build(model: Any, parameters: Parameters) -> None:
    """Add the left half of the surface, in metres, to a gmsh model and name its parts."""
    build_loudspeaker(model, loudspeaker(parameters))


if __name__ == "__main__":
    from bafflelens.shapes.show import show

    show(build, Parameters())
