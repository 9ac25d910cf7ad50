# SPDX-License-Identifier: GPL-3.0-or-later
"""A lens in a shaped cabinet, whatever the profile of its walls.

All pieces of a shape script but its docstring and its walls::

    from bafflelens.shapes.lens_loudspeaker import (
        SYMMETRY, LensLoudspeaker, absorbers, build, check, resolved, sources
    )

    @dataclass(frozen=True)
    class Parameters(LensLoudspeaker):
        upper: ArcWall = field(default_factory=ArcWall)
        lower: ArcWall = field(default_factory=partial(ArcWall, mouth_height_mm=0.0))
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any, Final, Protocol

from bafflelens.shapes.cabinet import Edges, Head, LeaningCabinet, shaped_faults, shaped_hull
from bafflelens.shapes.drivers import Dome, Midranges, Tweeter, midranges
from bafflelens.shapes.lens import Passage, lens_faults, lower_wall, make_lens
from bafflelens.shapes.loudspeaker import (
    Loudspeaker,
    build_loudspeaker,
    loudspeaker_faults,
    loudspeaker_sources,
)
from bafflelens.shapes.panels import Felt, Plate, felt_layer
from bafflelens.shapes.resolved import Resolved, resolved_parts
from bafflelens.shapes.walls import AnyWall

SYMMETRY: Final = ("y",)
"""The left half (y >= 0) is built."""


@dataclass(frozen=True)
class LensLoudspeaker:
    """All parameters of such a shape, grouped by physical part; a script sets the walls."""

    dome: Dome = field(default_factory=Dome)
    lens: Passage = field(default_factory=Passage)
    upper: AnyWall = field(init=False)
    lower: AnyWall = field(init=False)
    plate: Plate = field(default_factory=Plate)
    felt: Felt = field(default_factory=Felt)
    midrange: Midranges = field(default_factory=Midranges)
    cabinet: LeaningCabinet = field(default_factory=LeaningCabinet)
    edges: Edges = field(default_factory=Edges)
    head: Head = field(default_factory=Head)


class LensParameters(Protocol):
    """The parameters of such a shape, grouped by physical part."""

    @property
    def dome(self) -> Dome:
        """The tweeter's dome."""

    @property
    def lens(self) -> Passage:
        """Depth and sides of the lens."""

    @property
    def upper(self) -> AnyWall:
        """The wall above."""

    @property
    def lower(self) -> AnyWall:
        """The wall below; with a mouth height of 0 it mirrors the upper one."""

    @property
    def plate(self) -> Plate:
        """The faceplate."""

    @property
    def felt(self) -> Felt:
        """The felt around the tweeter."""

    @property
    def midrange(self) -> Midranges:
        """The cones."""

    @property
    def cabinet(self) -> LeaningCabinet:
        """The cabinet."""

    @property
    def edges(self) -> Edges:
        """How its edges are treated."""

    @property
    def head(self) -> Head:
        """The form of its head."""


def lens_loudspeaker(parameters: LensParameters) -> Loudspeaker:
    """Return the parts at their places."""
    tweeter = Tweeter(dome=parameters.dome, x=-parameters.lens.depth_mm)
    return Loudspeaker(
        hull=shaped_hull(parameters.cabinet, parameters.edges, parameters.head),
        drivers=(tweeter, *midranges(parameters.midrange)),
        lens=make_lens(parameters.lens, parameters.upper, parameters.lower, tweeter.reach),
        plate=parameters.plate,
        felt=parameters.felt,
    )


def lens_loudspeaker_faults(parameters: LensParameters) -> list[str]:
    """Return every rule between parameters that is broken, with both numbers."""
    reach = Tweeter(dome=parameters.dome).reach
    faults = [
        *lens_faults(parameters.lens, parameters.upper, parameters.lower, reach),
        *shaped_faults(parameters.cabinet, parameters.edges, parameters.head),
    ]
    return faults or loudspeaker_faults(lens_loudspeaker(parameters))


def check(parameters: LensParameters) -> list[str]:
    """Return every rule between parameters that is broken, with both numbers."""
    return lens_loudspeaker_faults(parameters)


def sources(parameters: LensParameters) -> list[dict[str, Any]]:
    """Return what moves: the dome, and each cone."""
    return loudspeaker_sources(lens_loudspeaker(parameters))


def absorbers(parameters: LensParameters) -> dict[str, dict[str, float]]:
    """Return what covers surfaces: the felt, if there is some."""
    return felt_layer(parameters.felt)


def resolved(parameters: LensParameters) -> Resolved:
    """Return what the lower wall is if it is as the upper one, and what is not there."""
    lower = asdict(lower_wall(parameters.upper, parameters.lower))
    return {
        **resolved_parts(parameters),
        **{f"lower.{name}": value for name, value in lower.items()},
    }


def build(model: Any, parameters: LensParameters) -> None:
    """Add the left half of the surface, in metres, to a gmsh model and name its parts."""
    build_loudspeaker(model, lens_loudspeaker(parameters))
