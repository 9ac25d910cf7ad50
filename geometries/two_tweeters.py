# SPDX-License-Identifier: GPL-3.0-or-later
r"""Two tweeters: two domes, one above the other, flush in a closed cabinet; they interfere.

The older way to send less to floor and ceiling: driven alike, two sources cancel where one path
is half a wavelength longer, at the elevation arcsin(wavelength / (2 spacing)), and add up on the
axis. The null moves with frequency, and more of them follow at high frequencies.

Origin and axes
    Origin on the axis midway between the two domes, where it meets the front plane; x forward, y
    to the loudspeaker's own left, z up. The rims lie in the front plane, x = 0.

Side view (y = 0), not to scale::

        z                 ____________________
        ^                |                    \    front edge: rounded, chamfered or sharp
        |                |                     | )  upper dome in its surround
        +---> x          |       cabinet       |       <- axis, z = 0
                         |                     | )  lower dome
                         |                     |    baffle (front plane), x = 0
                         |____________________/

Where two treated edges meet, they are mitred. The left half (y >= 0) is built.

Sources: `tweeter_upper` and `tweeter_lower`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from bafflelens.shapes.cabinet import Cabinet, plain_faults, plain_hull
from bafflelens.shapes.drivers import Dome, Tweeter
from bafflelens.shapes.fields import length
from bafflelens.shapes.loudspeaker import (
    Loudspeaker,
    build_loudspeaker,
    loudspeaker_faults,
    loudspeaker_sources,
)
from bafflelens.shapes.resolved import Resolved, resolved_parts

SYMMETRY = ("y",)


@dataclass(frozen=True)
class Pair:
    """How the two are arranged."""

    spacing_mm: float = length(60.0, 30.0, 200.0, "from the axis of one dome to that of the other")


@dataclass(frozen=True)
class Parameters:
    """All parameters, grouped by physical part."""

    dome: Dome = field(default_factory=Dome)
    pair: Pair = field(default_factory=Pair)
    cabinet: Cabinet = field(default_factory=Cabinet)


def loudspeaker(parameters: Parameters) -> Loudspeaker:
    """Return the parts at their places."""
    away = parameters.pair.spacing_mm / 2
    return Loudspeaker(
        hull=plain_hull(parameters.cabinet),
        drivers=(
            Tweeter(dome=parameters.dome, name="tweeter_upper", z=away),
            Tweeter(dome=parameters.dome, name="tweeter_lower", z=-away),
        ),
    )


def check(parameters: Parameters) -> list[str]:
    """Return every rule between parameters that is broken, with both numbers."""
    return plain_faults(parameters.cabinet) or loudspeaker_faults(loudspeaker(parameters))


def sources(parameters: Parameters) -> list[dict[str, Any]]:
    """Return what moves: both domes, each a source of its own."""
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
