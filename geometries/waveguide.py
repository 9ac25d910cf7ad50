# SPDX-License-Identifier: GPL-3.0-or-later
r"""Waveguide: a shallow funnel around the dome, round, elliptical or a superellipse.

The ordinary alternative to a lens: it narrows the field in both planes.

Origin and axes
    Origin where the tweeter's axis meets the undisturbed front plane of the baffle; x forward,
    y to the loudspeaker's own left, z up. The rim of the dome lies in the floor, at x = -depth.

Side view (y = 0), not to scale, and the front::

      z              |    front, x = 0             _____
      ^              |                           /       \     mouth: a superellipse of given
      |            /      mouth, an edge        |    o    |    width, height and squareness
      +---> x    /        wall: an arc           \ _____ /
       cabinet  |         throat gap
                )         dome and surround
                |<-->|    depth

Every meridian is a circular arc that leaves the throat, a circle, at the opening angle and ends
in the front plane. A flush faceplate can be drawn around it.

Where two treated edges meet, they are mitred. The left half (y >= 0) is built.

Sources: `tweeter`, and `midrange` or `midrange_upper` and `midrange_lower`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
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
from bafflelens.shapes.waveguide import Funnel, Waveguide, waveguide_faults

SYMMETRY = ("y",)


@dataclass(frozen=True)
class Parameters:
    """All parameters, grouped by physical part."""

    dome: Dome = field(default_factory=Dome)
    waveguide: Waveguide = field(default_factory=Waveguide)
    plate: Plate = field(default_factory=Plate)
    felt: Felt = field(default_factory=Felt)
    midrange: Midranges = field(default_factory=Midranges)
    cabinet: LeaningCabinet = field(default_factory=LeaningCabinet)
    edges: Edges = field(default_factory=Edges)
    head: Head = field(default_factory=Head)


def funnel(parameters: Parameters) -> Funnel:
    """Return the waveguide on its throat."""
    reach = Tweeter(dome=parameters.dome).reach
    return Funnel(
        waveguide=parameters.waveguide, throat=reach + parameters.waveguide.throat_gap_mm
    )


def loudspeaker(parameters: Parameters) -> Loudspeaker:
    """Return the parts at their places."""
    tweeter = Tweeter(dome=parameters.dome, x=-parameters.waveguide.depth_mm)
    return Loudspeaker(
        hull=shaped_hull(parameters.cabinet, parameters.edges, parameters.head),
        drivers=(tweeter, *midranges(parameters.midrange)),
        funnel=funnel(parameters),
        plate=parameters.plate,
        felt=parameters.felt,
    )


def check(parameters: Parameters) -> list[str]:
    """Return every rule between parameters that is broken, with both numbers."""
    faults = [
        *waveguide_faults(funnel(parameters)),
        *shaped_faults(parameters.cabinet, parameters.edges, parameters.head),
    ]
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
