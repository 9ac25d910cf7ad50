# SPDX-License-Identifier: GPL-3.0-or-later
"""A lens in a shaped cabinet, whatever the profile of its walls."""

from __future__ import annotations

from typing import Protocol

from bafflelens.shapes.cabinet import Edges, Head, LeaningCabinet, shaped_faults, shaped_hull
from bafflelens.shapes.drivers import Dome, Midranges, Tweeter, midranges
from bafflelens.shapes.lens import Passage, lens_faults, make_lens
from bafflelens.shapes.loudspeaker import Loudspeaker, loudspeaker_faults
from bafflelens.shapes.panels import Felt, Plate
from bafflelens.shapes.walls import AnyWall


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
