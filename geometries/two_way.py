# SPDX-License-Identifier: GPL-3.0-or-later
r"""Two-way: a dome and cone midranges above it, below it or both, flush in a closed cabinet.

Origin and axes
    Origin where the tweeter's axis meets the front plane; x forward, y to the loudspeaker's own
    left, z up. All drivers lie in the front plane, x = 0, with their axes along x.

Side view (y = 0), not to scale::

        z             ____________________
        ^            |                    \    front edge: rounded, chamfered or sharp
        |            |                   _|
        +---> x      |                  /   surround, cone, dust cap: midrange above
                     |                 (
                     |                  \_
                     |                     |-  surround
                     |       cabinet       | )  dome
                     |                     |-
                     |                     |    baffle (front plane), x = 0
                     |____________________/

The mouth of a cone is part of the face: it scatters and bends the tweeter's sound. Surrounds are
flat rings. Where two treated edges meet, they are mitred. The left half (y >= 0) is built.

Sources: `tweeter`, and `midrange` if there is one, or `midrange_upper` and `midrange_lower`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import Any

from bafflelens.shapes.cabinet import Cabinet, plain_faults, plain_hull
from bafflelens.shapes.drivers import Dome, Midranges, Tweeter, midranges
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
    midrange: Midranges = field(default_factory=partial(Midranges, below_mm=110.0))
    cabinet: Cabinet = field(default_factory=Cabinet)


def loudspeaker(parameters: Parameters) -> Loudspeaker:
    """Return the parts at their places."""
    return Loudspeaker(
        hull=plain_hull(parameters.cabinet),
        drivers=(Tweeter(dome=parameters.dome), *midranges(parameters.midrange)),
    )


def check(parameters: Parameters) -> list[str]:
    """Return every rule between parameters that is broken, with both numbers."""
    return plain_faults(parameters.cabinet) or loudspeaker_faults(loudspeaker(parameters))


def sources(parameters: Parameters) -> list[dict[str, Any]]:
    """Return what moves: the dome, and each cone."""
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
